from __future__ import annotations

from pathlib import Path

import pytest

from soft_tactile_node.ros.parameters.finger_files import finger_file, join_namespace, split_names
from unit.ros.parameter_files import problems_of_file, values_of


def test_namespaces_are_put_together() -> None:
    """However the slashes stand, the result is one absolute namespace."""
    assert join_namespace("", "gripper") == "/gripper"
    assert join_namespace("/cell_1/", "left_finger") == "/cell_1/left_finger"
    assert split_names(" left_finger, right_finger,") == ["left_finger", "right_finger"]


def test_each_finger_has_its_own_values() -> None:
    """The file passes the check of parameter files and gives each sensor what is its own."""
    values = {"calibration": ["a.yaml", "b.yaml"], "serial_port": [], "source": ["serial", "serial"]}
    file = Path(finger_file(["/cell_1/left", "/cell_1/right"], values))
    problems, right = problems_of_file(file), values_of(file)["/cell_1/right/tactile_sensor"]
    file.unlink()
    assert problems == []
    assert right == {"calibration": "b.yaml", "source": "serial"}


def test_a_missing_value_is_named() -> None:
    """Two fingers and one calibration: refused with the parameter's name, no file left."""
    with pytest.raises(ValueError, match="calibration must be given for each of 2 fingers; got 1"):
        finger_file(["/a", "/b"], {"calibration": ["a.yaml"]})
