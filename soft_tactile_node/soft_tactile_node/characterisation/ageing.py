"""One finger over time: what drifted by how much and why, which figures follow a trend, and when to calibrate again."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from soft_tactile_node.calibration.record import Calibration, Figure
from soft_tactile_node.calibration.uncertainty import Uncertainty, combine, expand, fit_line
from soft_tactile_node.characterisation.table import Characterised, Kind, shown_kinds
from soft_tactile_node.samples import Array

DRIFT_LIMIT = 5.0
"""A drift of this share of the span calls for a new calibration (%)."""

MINUTE_DECADES = math.log10(60.0)
"""Decades of time from a second to a minute, over which creep is reckoned (1)."""


@dataclass(frozen=True)
class Drift:
    """How far a cause moved the response between two calibrations of a finger.

    Attributes
    ----------
    cause : str
        "gain" (sensitivity), "offset" (inductance at rest) or "memory" (hysteresis or creep).
    size : float
        Change of the response at full load, of the span (%).
    uncertainty : Uncertainty
        Of that (%).
    evidence : str
        What it was told from.
    """

    cause: str
    size: float
    uncertainty: Uncertainty
    evidence: str

    @property
    def seen(self) -> bool:
        """Whether it is large enough to matter and more than its standard uncertainty."""
        return abs(self.size) >= DRIFT_LIMIT and abs(self.size) > self.uncertainty.standard


@dataclass(frozen=True)
class Trend:
    """A figure over time: its slope per 30 days, in the unit of the kind."""

    kind: Kind
    slope: float
    uncertainty: Uncertainty

    @property
    def seen(self) -> bool:
        """Whether the slope is larger than its expanded uncertainty."""
        return abs(self.slope) > self.uncertainty.expanded


@dataclass(frozen=True)
class Ageing:
    """One finger over time.

    Attributes
    ----------
    finger : str
        Which finger.
    items : tuple of Characterised
        In order of time.
    drifts : tuple of tuple of Drift
        For each item after the first, its drifts against the first, largest first.
    trends : tuple of Trend
        Of each figure that three or more of the items have.
    """

    finger: str
    items: tuple[Characterised, ...]
    drifts: tuple[tuple[Drift, ...], ...]
    trends: tuple[Trend, ...]

    @property
    def due(self) -> tuple[Characterised, Drift] | None:
        """The first item that has drifted from the first calibration, and by what most; None = still good."""
        for item, drifts in zip(self.items[1:], self.drifts, strict=True):
            seen = [drift for drift in drifts if drift.seen]
            if seen:
                return item, seen[0]
        return None


def find_ageing(items: Sequence[Characterised]) -> list[Ageing]:
    """Return those of the fingers in `items` that were recorded on more than one day."""
    fingers: dict[str, list[Characterised]] = {}
    for item in items:
        fingers.setdefault(item.record.serial or item.specimen.finger, []).append(item)
    found = []
    for finger, group in fingers.items():
        dated = sorted((item.made_on, k, item) for k, item in enumerate(group) if item.made_on is not None)
        if len({day for day, _, _ in dated}) > 1:
            series = tuple(item for _, _, item in dated)
            days = np.array([(day - dated[0][0]).days for day, _, _ in dated], dtype=np.float64)
            drifts = tuple(tuple(find_drifts(series[0].record, item.record)) for item in series[1:])
            found.append(Ageing(finger, series, drifts, tuple(_trends(series, days))))
    return found


def find_drifts(before: Calibration, after: Calibration) -> list[Drift]:
    """Return how far gain, offset and memory moved between two calibrations of one protocol, largest first."""
    found = [_gain(before, after), _offset(before, after), *_memory(before, after)]
    return sorted((drift for drift in found if drift is not None), key=lambda drift: -abs(drift.size))


def _change(before: Calibration, after: Calibration, name: str) -> tuple[float, float, Uncertainty] | None:
    """Return the older value of a figure, its change and the uncertainty of that, in the figure's own unit."""
    old, new = before.figures.get(name), after.figures.get(name)
    if old is None or new is None or old.uncertainty is None or new.uncertainty is None:
        return None
    return old.value, new.value - old.value, _joined(old, new)


def _joined(old: Figure, new: Figure) -> Uncertainty:
    """Return the uncertainty of the difference of two figures."""
    spread = np.array([old.uncertainty, new.uncertainty])
    degrees = np.array([figure.degrees_of_freedom or math.inf for figure in (old, new)])
    return combine(spread, np.ones(2), degrees)


def _percent(spread: Uncertainty, scale: float) -> Uncertainty:
    return expand(scale * spread.standard, spread.degrees_of_freedom)


def _gain(before: Calibration, after: Calibration) -> Drift | None:
    """Return the change of the sensitivity."""
    found = _change(before, after, "sensitivity")
    if found is None:
        return None
    old, step, spread = found
    return Drift("gain", 100.0 * step / old, _percent(spread, 100.0 / old), "sensitivity")


def _offset(before: Calibration, after: Calibration) -> Drift | None:
    """Return how far the channels rest from where they did, over their response to the largest force."""
    old, sensitivity = np.array(before.tare_inductance_h), before.figures.get("sensitivity")
    if sensitivity is None or old.size != len(after.tare_inductance_h):
        return None
    span = sensitivity.value * before.ranges.force_normal_n
    moved = np.array(after.tare_inductance_h) / old - 1.0
    # what the rest differs by between recordings of one calibration is what it is known to (%)
    shifts = [record.figures["tare_shift"].value for record in (before, after) if "tare_shift" in record.figures]
    size = math.copysign(float(np.linalg.norm(moved)), float(moved[np.argmax(np.abs(moved))]))
    return Drift("offset", 100.0 * size / span, expand(math.hypot(*shifts) / span), "inductance at rest")


def _memory(before: Calibration, after: Calibration) -> list[Drift]:
    """Return the larger of the changes of hysteresis, and of creep from a second to a minute."""
    found = []
    for name, scale, words in (("hysteresis", 1.0, "hysteresis"), ("creep", MINUTE_DECADES, "creep over a minute")):
        change = _change(before, after, name)
        if change is not None:
            found.append(Drift("memory", scale * change[1], _percent(change[2], scale), words))
    return sorted(found, key=lambda drift: -abs(drift.size))[:1]


def _trends(items: Sequence[Characterised], days: Array) -> list[Trend]:
    """Return the trend of each figure that is known on three days or more."""
    found = []
    for kind in shown_kinds(items):
        cells = [item.cell(kind) for item in items]
        rows = [k for k, cell in enumerate(cells) if cell is not None]
        if len(set(days[rows])) < 3:
            continue
        line = fit_line(days[rows] / 30.0, np.array([cell.value for cell in cells if cell is not None]))
        found.append(Trend(kind, line.slope, expand(line.slope_uncertainty, line.degrees_of_freedom)))
    return found
