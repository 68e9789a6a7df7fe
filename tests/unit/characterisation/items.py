"""Specimens whose figures are put in: a shipped calibration with other values."""

from __future__ import annotations

from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

from soft_tactile_node.calibration import Calibration, Figure, load_calibration
from soft_tactile_node.characterisation.specimens import Specimen
from soft_tactile_node.characterisation.table import Characterised

SHIPPED = Path(__file__).resolve().parents[3] / "config" / "calibrations" / "left_finger.yaml"


@cache
def shipped() -> Calibration:
    """Return the calibration that the others are made from."""
    return load_calibration(SHIPPED)


def figure(value: float, uncertainty: float = 0.1) -> Figure:
    """Return a figure with nine degrees of freedom."""
    return Figure(
        value=value, uncertainty=uncertainty, expanded=2.262 * uncertainty, degrees_of_freedom=9.0, unit="u",
        definition="put in",
    )  # fmt: skip


def make_item(
    label: str, *, day: date | None = None, factors: Any = None, finger: str = "", **figures: Figure
) -> Characterised:
    """Return a specimen with some figures of its own."""
    record = shipped().model_copy(update={"figures": shipped().figures | figures, "serial": ""})
    return Characterised(Specimen(label, finger or label, factors=factors or {}), record, day, "given")
