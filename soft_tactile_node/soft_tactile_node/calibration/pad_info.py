"""What only the user knows about a pad: variant, serial number, lengths and limits of the finger; a small YAML file."""

from __future__ import annotations

from pathlib import Path

import yaml
from pydantic import ValidationError

from soft_tactile_node.calibration.record import Geometry, PadName, Positive, Strict
from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.registry import DEFAULT_PAD

LARGEST_BYTES = 100_000
"""A description of a pad is a few lines; anything larger is something else."""


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
    file = Path(path)
    try:
        with file.open("rb") as stream:
            text = stream.read(LARGEST_BYTES + 1)
        if len(text) > LARGEST_BYTES:
            raise CalibrationError(f"{file}: is larger than {LARGEST_BYTES} bytes; give a short description of the pad")
        data = yaml.safe_load(text.decode("utf-8"))
    except OSError as error:
        raise CalibrationError(f"{file}: cannot be read ({error.strerror}); check the name and the rights") from None
    except (yaml.YAMLError, UnicodeDecodeError, RecursionError) as error:
        mark = getattr(error, "problem_mark", None)
        place = f", line {mark.line + 1}" if mark is not None else ""
        raise CalibrationError(f"{file}{place}: is no YAML file; write lines like `pad: {DEFAULT_PAD}`") from None
    try:
        return PadInfo.model_validate({} if data is None else data)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"]) or "(whole file)"
        got = repr(first.get("input"))[:60]
        raise CalibrationError(
            f"{file}, key {key}: {first['msg']}; got {got}; keys are pad, serial, geometry.root_to_pad_m, "
            "geometry.neutral_to_surface_m, limits.pressure_pa, limits.force_normal_n, limits.force_shear_n"
        ) from None
