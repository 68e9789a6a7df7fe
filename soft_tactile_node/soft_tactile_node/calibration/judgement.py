"""What there is to say about a calibration: problems that make it unfit, limits of its use, remarks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

from soft_tactile_node.calibration.record import Calibration
from soft_tactile_node.calibration.storage import calibration_id

LEAST_UNLOADING = 0.3
"""Less slow unloading than this, over slow loading, is no branch (1)."""

OLD_DAYS = 180
"""Silicone ages: a calibration older than this should be checked against a few presses (days)."""

LARGE_ERROR = 0.05
"""A held-out force error above this share of the calibrated range makes a calibration poor (1)."""

MOST_FORCE_N = 30.0
"""A soft pad is not pressed harder than this: the force was given in another unit (N)."""

LEAST_SHARE = 0.88
"""A smaller share of samples within two stated standard deviations makes the variance too small to rely on (1)."""

NO_BETTER = 0.9
"""A shear whose held-out error is above this share of what a constant zero scores is not told (1)."""

MOST_UNEXPLAINED = 60.0
"""More of the bending in the presses that is not explained by the free bend is doubtful (%)."""

MUCH_UNEXPLAINED = 20.0
"""Above this a large force error comes of the free bend (%); a simulated pad has 33 after 31 s of it, 9 after 60 s."""

MOST_TARE_SHIFT = 0.8
"""Channels of one finger rest closer together in two recordings of a day (%); simulated fingers are 1 % apart."""

LEAST_PRESS_PRESSURE = 50.0
"""Presses up to a smaller share of the pressure range say little about the rest (%)."""

INDUCTANCE_H = (1e-9, 1e-2)
"""What a flat coil can have (H)."""

LOW_SNR_DB = 30.0
"""Below this ratio of peak response to noise light touches cannot be told from noise (dB)."""

NARROW_TEMPERATURE_K = 5.0
"""A narrower calibrated temperature range is mentioned (K)."""

UNFIT, LIMITED = 1, 3
"""Exit codes of a calibration that is unfit, and of one that is usable with limits."""

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
        What makes it unfit; empty = usable.
    limits : tuple of str
        What it must not be relied on for; empty, without problems = healthy.
    remarks : tuple of str
        What to know: gaps, age, ranges.
    """

    record: Calibration
    age_days: int | None
    problems: tuple[str, ...]
    limits: tuple[str, ...]
    remarks: tuple[str, ...]

    @property
    def healthy(self) -> bool:
        """Whether neither problem nor limit was found."""
        return not self.problems and not self.limits

    @property
    def verdict(self) -> str:
        """The verdict in words: healthy, usable with limits, or NOT healthy."""
        if self.problems:
            return "NOT healthy"
        return "usable with limits" if self.limits else "healthy"

    @property
    def exit_code(self) -> int:
        """What a command leaves with: 0 healthy, 3 usable with limits, 1 unfit."""
        return UNFIT if self.problems else LIMITED if self.limits else 0

    def to_json(self) -> dict[str, Any]:
        """Return it as plain data."""
        record = self.record
        return {
            "calibration_id": calibration_id(record),
            "healthy": self.healthy,
            "verdict": self.verdict,
            "problems": list(self.problems),
            "limits": list(self.limits),
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
    """Judge the calibration `record`: problems, limits and remarks; its age is reckoned from `today`."""
    remarks: list[str] = []
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
    return Health(record, age, tuple(_problems(record)), tuple(_limits(record)), tuple(remarks))


def _figures(record: Calibration) -> dict[str, float]:
    return {name: figure.value for name, figure in record.figures.items()}


def _problems(record: Calibration) -> Iterator[str]:
    """Yield what makes a calibration unfit."""
    figures, range_n = _figures(record), record.ranges.force_normal_n
    if range_n > MOST_FORCE_N:
        yield f"normal force up to {range_n:.0f} N is more than a soft pad carries: give the reference force in newtons"
    error = figures.get("force_error", 0.0)
    if error > LARGE_ERROR * range_n:
        unexplained = figures.get("press_bending", 0.0)
        way = "press again, with unloading branches and rests between presses"
        if unexplained > MUCH_UNEXPLAINED:
            way = (
                f"{unexplained:.0f} % of the bending in the presses is not explained by the free bend; record that for "
                "longer, as soft-tactile calibrate --plan asks"
            )
        yield f"held-out force error is {error:.3g} N, more than {LARGE_ERROR:.0%} of the {range_n:.3g} N range: {way}"
    snr = figures.get("snr", LOW_SNR_DB)
    if snr < LOW_SNR_DB:
        yield f"signal to noise is {snr:.0f} dB, below {LOW_SNR_DB:.0f} dB: check wiring and gap to the coils"


def _limits(record: Calibration) -> Iterator[str]:
    """Yield what a calibration must not be relied on for."""
    figures = _figures(record)
    for axis in "xyz":
        share = figures.get(f"within_two_sigma_{axis}", 1.0)
        if share < LEAST_SHARE:
            yield (
                f"{share:.0%} of the pressed samples lie within two stated standard deviations of force_{axis}, 93 % "
                "is wanted: take its variance for too small"
            )
    for axis in "xy":
        error, zero = figures.get(f"shear_{axis}_error", 0.0), figures.get(f"shear_{axis}_zero")
        if zero is not None and error > NO_BETTER * zero:
            yield (
                f"held-out error of force_{axis} is {error:.2g} N, a constant zero scores {zero:.2g} N: do not use "
                f"force_{axis}; press with more shear along {axis}, and check the reference"
            )
    if figures.get("unloading", 1.0) < LEAST_UNLOADING:
        yield "no unloading branch in the press recordings: forces that fall are not known; release slowly as well"
    share = figures.get("press_pressure", 100.0)
    if share < LEAST_PRESS_PRESSURE:
        yield f"presses reach {share:.0f} % of the highest pressure only: forces above that are a guess"
    unexplained = figures.get("press_bending", 0.0)
    if unexplained > MOST_UNEXPLAINED:
        yield (
            f"{unexplained:.0f} % of the bending in the press recordings is not explained by the free bend: are both "
            "of one finger, as it is used?"
        )
    shift = figures.get("tare_shift", 0.0)
    if shift > MOST_TARE_SHIFT:
        yield (
            f"a channel rests {shift:.1f} % apart in press and free-bend recordings: another finger, or re-seated "
            "between them; record both without touching the finger's mount"
        )
    yield from _odd_channels(record)


def _odd_channels(record: Calibration) -> Iterator[str]:
    low, high = INDUCTANCE_H
    odd = [k for k, value in enumerate(record.tare_inductance_h) if not low <= value <= high]
    if odd:
        value = record.tare_inductance_h[odd[0]]
        yield (
            f"coil {odd[0] + 1} rests at {value:.3g} H, which no flat coil has (1 nH to 10 mH): the columns hold "
            "another unit, and every later recording must hold the same"
        )
