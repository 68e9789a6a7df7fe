"""From bench recordings to a calibration file: fit, figures of merit, storage."""

from typing import TYPE_CHECKING, Any

from soft_tactile_node.calibration.record import Calibration, Figure, Geometry
from soft_tactile_node.calibration.storage import calibration_id, load_calibration, save_calibration

if TYPE_CHECKING:
    from soft_tactile_node.calibration.fit import calibrate

__all__ = [
    "Calibration",
    "Figure",
    "Geometry",
    "calibrate",
    "calibration_id",
    "load_calibration",
    "save_calibration",
]


def __getattr__(name: str) -> Any:
    """Load the fit when it is asked for: who only reads a calibration does not wait for it."""
    if name != "calibrate":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from soft_tactile_node.calibration.fit import calibrate

    return calibrate
