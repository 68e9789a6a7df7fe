"""Which calibrations a sensor takes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.ros.finger.estimator_setup import load_for

CALIBRATIONS = Path(__file__).resolve().parents[3] / "config" / "calibrations"
LEFT, RIGHT = (str(CALIBRATIONS / f"{side}_finger.yaml") for side in ("left", "right"))


def load(path: str, serial: str) -> Any:
    """Load a calibration for the pad with a serial; empty = any pad."""
    return load_for(path, {"pad_serial": serial, "wrench_frame": "pad"}.__getitem__)


def test_the_calibration_of_the_other_finger_is_refused_by_its_serial() -> None:
    """The shipped calibrations carry serials: exchanged, they are refused by name where the pad's serial is given."""
    left, right = load(LEFT, "").serial, load(RIGHT, "").serial
    assert load(LEFT, left).serial == left != ""
    with pytest.raises(CalibrationError, match=f"must be of the pad with serial {left} .*has serial {right}"):
        load(RIGHT, left)
