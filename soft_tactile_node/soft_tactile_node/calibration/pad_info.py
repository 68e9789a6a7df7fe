"""What only the user knows about a pad: variant, serial number, lengths and limits of the finger; a small YAML file."""

from __future__ import annotations

from pathlib import Path

from soft_tactile_node.calibrated import Positive, Strict
from soft_tactile_node.calibration.record import Geometry, PadName
from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.recordings.yaml_files import check_model, read_yaml
from soft_tactile_node.registry import DEFAULT_PAD


class PadLimits(Strict):
    """What the finger stands: highest gauge pressure (Pa), highest normal force and shear on the pad (N)."""

    pressure_pa: Positive | None = None
    force_normal_n: Positive | None = None
    force_shear_n: Positive | None = None


class PadInfo(Strict):
    """Description of a pad.

    Attributes
    ----------
    pad : str or None
        A name in `registry.PADS`; None = told from the recordings.
    serial : str
        Serial number, empty = none.
    geometry : Geometry or None
        Lengths of the finger, needed for outputs in the root frame.
    limits : PadLimits
        What it stands, for the bench protocol.
    """

    pad: PadName | None = None
    serial: str = ""
    geometry: Geometry | None = None
    limits: PadLimits = PadLimits()


def load_pad_info(path: str | Path) -> PadInfo:
    """Read a description of a pad.

    Parameters
    ----------
    path : str or pathlib.Path
        YAML file with any of the keys `pad`, `serial`, `geometry` (`root_to_pad_m`, `neutral_to_surface_m`), `limits`
        (`pressure_pa`, `force_normal_n`, `force_shear_n`).

    Returns
    -------
    PadInfo
        The description.

    Raises
    ------
    CalibrationError
        One line: the file, the key, what it must be and what it is.
    """
    hint = (
        f"write lines like `pad: {DEFAULT_PAD}`; keys are pad, serial, geometry.root_to_pad_m, "
        "geometry.neutral_to_surface_m, limits.pressure_pa, limits.force_normal_n, limits.force_shear_n"
    )
    data = read_yaml(path, CalibrationError, hint)
    return check_model(path, PadInfo, {} if data is None else data, CalibrationError, hint)
