"""From bench recordings to a calibration file: fit, figures of merit, storage."""

from soft_tactile_node.calibration.fit import calibrate
from soft_tactile_node.calibration.record import Calibration, Figure, Geometry
from soft_tactile_node.calibration.storage import calibration_id, load_calibration, save_calibration

__all__ = [
    "Calibration",
    "Figure",
    "Geometry",
    "calibrate",
    "calibration_id",
    "load_calibration",
    "save_calibration",
]
