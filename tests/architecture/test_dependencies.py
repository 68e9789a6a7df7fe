"""What the package imports is what it declares, for pip and for ROS 2."""

from __future__ import annotations

import configparser
import re
import sys
import xml.etree.ElementTree as ElementTree

from architecture.project import ROOT, imports, is_ros, module_name, modules, room

IMPORT_NAMES = {
    "mcap_ros2_support": "mcap_ros2",
    "pyserial": "serial",
    "pyyaml": "yaml",
    "scikit_learn": "sklearn",
}  # where the name of the distribution is not that of the import

PARTS_OF_OTHERS = {"pydantic_core"}  # comes with pydantic, which re-exports only half of it

# Imported where it is installed, and done without where it is not.
OPTIONAL = {"control_msgs", "tf2_msgs"}


def _declared(section: str, option: str) -> set[str]:
    """Return the names in a list of requirements of the package's setup.cfg."""
    setup = configparser.ConfigParser()
    setup.read(ROOT / "soft_tactile_node" / "setup.cfg")
    return {name.lower() for name in re.findall(r"^\s*([\w-]+)", setup[section][option], re.MULTILINE)}


def _extra(name: str) -> set[str]:
    return _declared("options.extras_require", name)


def _imported() -> tuple[set[str], set[str]]:
    """Return the top-level names of third-party and of ROS 2 modules that the package imports."""
    plain: set[str] = set()
    ros: set[str] = set()
    for path in modules():
        for name, _, _ in imports(path):
            first = name.split(".")[0]
            if is_ros(name):
                ros.add(first)
            elif first not in sys.stdlib_module_names | {"soft_tactile_node"}:
                plain.add(first)
    return plain, ros


def test_pip_requirements_are_what_is_imported() -> None:
    """Nothing is imported that a plain pip install does not bring, and nothing is brought that nobody imports."""
    declared = {IMPORT_NAMES.get(name, name) for name in _declared("options", "install_requires")}
    assert declared == _imported()[0] - PARTS_OF_OTHERS - _extra("cluster")


def test_ros_extra_covers_what_is_imported() -> None:
    """The extra [ros] brings each ROS 2 package that is imported, but for the project's own interfaces."""
    wheels = {name.removeprefix("ros-jazzy-").replace("-", "_") for name in _extra("ros")}
    needed = _imported()[1] - OPTIONAL - {"soft_tactile_msgs", "rcl_interfaces"}  # the last comes with rclpy
    assert needed - wheels == set()
    assert "soft_tactile_msgs" not in wheels, "pip cannot find it: it is installed from the folder"


def test_package_manifest_covers_what_is_imported() -> None:
    """A build with rosdep installs each ROS 2 package that is imported."""
    manifest = ElementTree.parse(ROOT / "soft_tactile_node" / "package.xml")
    listed = {element.text for element in manifest.findall("exec_depend")}
    assert _imported()[1] - listed == set()


def test_test_tools_are_declared() -> None:
    """The extra [test] brings what the tests import."""
    brought = {name.replace("-", "_") for name in _extra("test") | _declared("options", "install_requires")}
    brought = {IMPORT_NAMES.get(name, name) for name in brought}
    own = {path.stem for path in (ROOT / "tests").rglob("*.py")} | {path.name for path in (ROOT / "tests").rglob("*/")}
    missing = {
        f"{path.relative_to(ROOT)}: {first}"
        for path in (ROOT / "tests").rglob("*.py")
        if "benchmarks" not in path.parts
        for name, _, _ in imports(path)
        if (first := name.split(".")[0]) not in sys.stdlib_module_names | brought | own | {"soft_tactile_node", "tests"}
        and not is_ros(name)
        and not first.startswith("rosidl_")
    }
    assert missing == set()


def test_each_room_is_known() -> None:
    """The modules the checks above look at are those of the package."""
    assert {"errors", "samples"} <= {room(module_name(path)) for path in modules()}
