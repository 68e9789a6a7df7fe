"""The last tare of a finger on disk, so that a node restarted with an object in the hand can go on."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import platformdirs
import yaml
from pydantic import BaseModel, ConfigDict, ValidationError

from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.estimation.tare import Tare
from soft_tactile_node.recordings.atomic import write_atomically

NOT_KEPT = "none"
"""Value of the parameter `tare_file` that keeps nothing."""

MAX_BYTES = 20_000


class KeptTare(BaseModel):
    """A tare with what belongs to it.

    Attributes
    ----------
    calibration_id : str
        Calibration it was taken under; for any other one it means nothing.
    inductance_h : tuple of float
        Mean inductance of each channel (H); NaN = the channel gave no samples.
    temperature_c : float
        Mean temperature (degC); NaN = not measured.
    time_s : float
        Stamp of its last scan (s).
    atmospheric_pa : float
        Pressure of the vented line (Pa absolute); 0 where readings are gauge already.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=True)

    calibration_id: str
    inductance_h: tuple[float, ...]
    temperature_c: float
    time_s: float
    atmospheric_pa: float

    def to_tare(self) -> Tare:
        """Return it as the estimator takes it (H, degC, s)."""
        return Tare(np.array(self.inductance_h), self.temperature_c, self.time_s)


def tare_path(parameter: str, namespace: str) -> Path | None:
    """Return where the tare of a finger is kept.

    Parameters
    ----------
    parameter : str
        Value of `tare_file`: a path, "" for the user's own place, "none" to keep nothing.
    namespace : str
        Namespace of the finger without slashes.

    Returns
    -------
    pathlib.Path or None
        None = nothing is kept.
    """
    if parameter == NOT_KEPT:
        return None
    if parameter:
        return Path(parameter)
    return Path(platformdirs.user_state_dir("soft_tactile_node")) / "tares" / f"{namespace}.yaml"


def keep_tare(path: Path, tare: Tare, calibration_id: str, atmospheric_pa: float) -> None:
    """Write a tare atomically: whatever happens, the file is the old or the new one, whole.

    Raises
    ------
    OSError
        The file cannot be written.
    """
    kept = KeptTare(
        calibration_id=calibration_id,
        inductance_h=tuple(float(value) for value in tare.inductance_h),
        temperature_c=float(tare.temperature_c),
        time_s=float(tare.time_s),
        atmospheric_pa=float(atmospheric_pa),
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    data = kept.model_dump()
    data["inductance_h"] = list(kept.inductance_h)
    write_atomically(path, yaml.safe_dump(data, sort_keys=False))


def recall_tare(path: Path, calibration_id: str, channels: int) -> KeptTare | None:
    """Return the kept tare, or None where there is none for this calibration.

    Raises
    ------
    CalibrationError
        There is a file, but it is not a tare; says which file and why.
    """
    try:
        if path.stat().st_size > MAX_BYTES:
            raise CalibrationError(f"{path}: not a tare: larger than {MAX_BYTES} bytes")
        kept = KeptTare.model_validate(yaml.safe_load(path.read_text()))
    except FileNotFoundError:
        return None
    except (OSError, yaml.YAMLError, UnicodeDecodeError, ValidationError) as error:
        raise CalibrationError(f"{path}: not a tare: {str(error).splitlines()[0]}; remove the file") from error
    fits = kept.calibration_id == calibration_id and len(kept.inductance_h) == channels
    sound = math.isfinite(kept.atmospheric_pa) and any(value > 0.0 for value in kept.inductance_h)
    return kept if fits and sound else None
