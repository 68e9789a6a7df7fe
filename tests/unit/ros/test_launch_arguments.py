from __future__ import annotations

import ast
from pathlib import Path
from types import SimpleNamespace

import pytest

from soft_tactile_node.ros.parameters.launch_arguments import check_arguments
from soft_tactile_node.ros.parameters.spec import ParameterError

LAUNCH = sorted((Path(__file__).resolve().parents[3] / "launch").glob("*.launch.py"))
FILE = "/somewhere/share/soft_tactile_node/launch/one.launch.py"
DECLARED = [
    SimpleNamespace(name="namespace", default_value=[], description="Namespace of the finger."),
    SimpleNamespace(name="calibration", default_value=None, description="Calibration file (YAML) of this finger."),
]


def line(*words: str) -> list[str]:
    """Return a command line."""
    return ["/opt/ros/bin/ros2", "launch", "soft_tactile_node", "one.launch.py", *words]


def test_good_arguments_pass() -> None:
    """All that is needed and nothing else; a value may hold anything."""
    check_arguments(FILE, DECLARED, line("calibration:=a:=b.yaml"))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["calibration:=a", "namespce:=b"], "argument 'namespce' is unknown: do you mean 'namespace'?"),
        (["calibration:=a", "x:=b"], "argument 'x' is unknown: there are namespace, calibration"),
        ([], r"argument 'calibration' must be given: Calibration file \(YAML\) of this finger\."),
    ],
)
def test_what_is_misspelt_or_missing_is_named(words: list[str], said: str) -> None:
    """An unknown argument is refused with a guess, a missing one with its meaning."""
    with pytest.raises(ParameterError, match=said):
        check_arguments(FILE, DECLARED, line(*words))


def test_others_command_lines_are_not_judged() -> None:
    """An including launch file has arguments of its own; the list of arguments is shown whatever is missing."""
    check_arguments(FILE, DECLARED, ["ros2", "launch", "cell", "cell.launch.py", "cell:=7"])
    check_arguments(FILE, DECLARED, line("--show-args"))


@pytest.mark.parametrize("path", LAUNCH, ids=lambda path: path.name)
def test_each_launch_file_checks_its_arguments(path: Path) -> None:
    """Every shipped launch file looks at its command line before anything starts."""
    calls = [ast.unparse(node) for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Call)]
    assert "check_arguments(__file__, arguments)" in calls


@pytest.mark.parametrize("path", [path for path in LAUNCH if "simulated" in path.name], ids=lambda path: path.name)
def test_what_is_simulated_keeps_to_itself(path: Path) -> None:
    """Simulated launch files stay below the namespace sim and, unless told otherwise, on this machine."""
    calls = [node for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Call)]
    shown = [ast.unparse(node) for node in calls]
    (namespace,) = [node for node in calls if node.args and ast.unparse(node.args[0]) == "'namespace'"
                    and ast.unparse(node.func) == "DeclareLaunchArgument"]  # fmt: skip
    default = next(ast.literal_eval(k.value) for k in namespace.keywords if k.arg == "default_value")
    assert default.split("/")[0] == "sim"
    assert "EnvironmentVariable('ROS_AUTOMATIC_DISCOVERY_RANGE', default_value='LOCALHOST')" in shown
    assert "SetEnvironmentVariable('ROS_AUTOMATIC_DISCOVERY_RANGE', here)" in shown
    assert any(call.startswith("LaunchDescription([*arguments, stay_here,") for call in shown)
