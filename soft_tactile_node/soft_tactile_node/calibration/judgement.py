"""What there is to say about a calibration: problems that make it unfit, and remarks worth knowing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from soft_tactile_node.calibration.record import Calibration
from soft_tactile_node.calibration.storage import calibration_id

OLD_DAYS = 180
"""Silicone ages: a calibration older than this should be checked against a few presses (days)."""

LARGE_ERROR = 0.05
"""A held-out force error above this share of the calibrated range makes a calibration poor (1)."""

LOW_SNR_DB = 30.0
"""Below this ratio of peak response to noise light touches cannot be told from noise (dB)."""

NARROW_TEMPERATURE_K = 5.0
"""A narrower calibrated temperature range is mentioned (K)."""

UNDATED = date(1970, 1, 1)


@dataclass(frozen=True)
class Health:
    """What there is to say about a calibration.

    Attributes
    ----------
    record : Calibration
        The calibration.
    age_days : int or None
        Days since it was made; None = it carries no date.
    problems : tuple of str
        What makes it unfit or poor; empty = healthy.
    remarks : tuple of str
        What to know: gaps, age, ranges.
    """

    record: Calibration
    age_days: int | None
    problems: tuple[str, ...]
    remarks: tuple[str, ...]

    @property
    def healthy(self) -> bool:
        """Whether no problem was found."""
        return not self.problems

    def to_json(self) -> dict[str, Any]:
        """Return it as plain data."""
        record = self.record
        return {
            "calibration_id": calibration_id(record),
            "healthy": self.healthy,
            "problems": list(self.problems),
            "remarks": list(self.remarks),
            "not_identified": list(record.not_identified),
            "age_days": self.age_days,
            "channels": record.channels,
            "pad": record.pad,
            "serial": record.serial,
            "ranges": record.ranges.model_dump(mode="json"),
            "figures": {name: figure.model_dump(mode="json") for name, figure in record.figures.items()},
            "sources": [source.model_dump(mode="json") for source in record.sources],
        }


def describe_calibration(record: Calibration, today: date) -> Health:
    """Judge a calibration.

    Parameters
    ----------
    record : Calibration
        The calibration.
    today : datetime.date
        The date to reckon its age from.

    Returns
    -------
    Health
        Problems and remarks.
    """
    problems: list[str] = []
    remarks: list[str] = []
    error, range_n = record.figures.get("force_error"), record.ranges.force_normal_n
    if error is not None and error.value > LARGE_ERROR * range_n:
        problems.append(
            f"held-out force error is {error.value:.3g} N, more than {LARGE_ERROR:.0%} of the {range_n:.3g} N range: "
            "press again, with unloading branches and rests between presses"
        )
    snr = record.figures.get("snr")
    if snr is not None and snr.value < LOW_SNR_DB:
        problems.append(
            f"signal to noise is {snr.value:.0f} dB, below {LOW_SNR_DB:.0f} dB: check wiring and gap to the coils"
        )
    age = None if record.made_on == UNDATED else (today - record.made_on).days
    if age is None:
        remarks.append("carries no date, so its age is not known")
    elif age < 0:
        remarks.append(f"is dated {record.made_on}, in the future: check the clock of the computer it was made on")
    elif age > OLD_DAYS:
        remarks.append(f"is {age} days old: check it with a few presses, silicone ages")
    temperature = record.ranges.temperature_c
    if temperature is None:
        remarks.append("temperature was never measured: drift with temperature is not corrected")
    elif temperature[1] - temperature[0] < NARROW_TEMPERATURE_K:
        remarks.append(f"covers {temperature[1] - temperature[0]:.1f} K of temperature only")
    if record.force_map.axes == 1:
        remarks.append("gives normal force only; shear is not observed")
    if record.base.angle_weights is None:
        remarks.append("has no bend reference: bend angle, pose and object width are not given")
    if record.geometry is None:
        remarks.append("has no finger lengths: no wrench in the root frame")
    return Health(record, age, tuple(problems), tuple(remarks))
