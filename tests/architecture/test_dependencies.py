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


def _listed(package: str, *kinds: str) -> set[str | None]:
    """Return what a package.xml lists under some kinds of dependency."""
    manifest = ElementTree.parse(ROOT / package / "package.xml")
    return {element.text for kind in kinds for element in manifest.findall(kind)}


def test_package_manifest_covers_what_is_imported() -> None:
    """A build with rosdep installs each ROS 2 package that is imported, and what launch files are written with."""
    launch = {"launch", "launch_ros"}
    assert (_imported()[1] | launch) - _listed("soft_tactile_node", "exec_depend") == set()


def test_package_manifest_covers_what_tests_import() -> None:
    """What tests of the nodes import of ROS 2 is listed as well, and so is their runner."""
    used = {
        name.split(".")[0]
        for path in (ROOT / "tests").rglob("*.py")
        for name, _, _ in imports(path)
        if is_ros(name) and not name.startswith("rosidl_")
    }
    listed = _listed("soft_tactile_node", "exec_depend", "test_depend")
    assert {"launch_pytest", "soft_tactile_msgs"} <= used
    assert (used | {"python3-pytest"}) - listed == set()


def test_interfaces_list_what_they_are_made_of() -> None:
    """Each package whose messages ours hold is a dependency, in the manifest, in the build and for pip."""
    folder = ROOT / "soft_tactile_msgs"
    texts = "\n".join(path.read_text() for kind in ("msg", "srv", "action") for path in (folder / kind).iterdir())
    used = {"action_msgs", *re.findall(r"^(\w+)/[A-Z]\w+", texts, re.MULTILINE)}
    assert len(used) >= 4
    assert used - _listed("soft_tactile_msgs", "depend") == set()
    build, wheel = (folder / "CMakeLists.txt").read_text(), (folder / "pyproject.toml").read_text()
    for name in used:
        assert f"find_package({name} REQUIRED)" in build
        assert f'"ros-jazzy-{name.replace("_", "-")}"' in wheel


def test_maintainers_are_a_role_under_a_reserved_domain() -> None:
    """The address in the manifests is nobody's: that of a role, below example.com."""
    for package in ("soft_tactile_msgs", "soft_tactile_node"):
        address = ElementTree.parse(ROOT / package / "package.xml").find("maintainer").get("email")  # type: ignore[union-attr]
        assert re.fullmatch(r"maintainers@([\w-]+\.)*example\.com", address or "")


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
