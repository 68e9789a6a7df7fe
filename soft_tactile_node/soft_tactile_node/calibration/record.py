"""The calibration of one finger: a strict, frozen record that reads and writes as plain YAML."""

from __future__ import annotations

import math
from datetime import date
from typing import TYPE_CHECKING, Annotated, Literal

import numpy as np
from pydantic import AfterValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from soft_tactile_node.calibrated import (
    BaseModelPart,
    Finite,
    ForceMap,
    HealthModel,
    Positive,
    Ranges,
    Strict,
    SubstituteModel,
    TouchModel,
)
from soft_tactile_node.registry import PADS
from soft_tactile_node.samples import MAX_CHANNELS, Array

if TYPE_CHECKING:
    from soft_tactile_node.calibration.uncertainty import Uncertainty

SCHEMA_VERSION = 2
"""Version of the file format; any other is refused."""


def _known_pad(name: str) -> str:
    if name not in PADS:
        raise PydanticCustomError("pad", "must be one of {known}", {"known": ", ".join(PADS)})
    return name


PadName = Annotated[str, AfterValidator(_known_pad)]


class SourceFile(Strict):
    """A recording the calibration was made from."""

    name: str
    kind: Literal["free_bend", "press"]
    sha256: str


class Figure(Strict):
    """A figure of merit with its standard uncertainty, and the expanded one at a level of confidence of 95 %.

    None as uncertainty = not known; None as degrees of freedom = infinite, where there is an uncertainty.
    """

    value: float
    uncertainty: float | None = None
    expanded: float | None = None
    degrees_of_freedom: float | None = None
    unit: str
    definition: str


def make_figure(value: float, uncertainty: Uncertainty | None, unit: str, definition: str) -> Figure:
    """Return a figure with its uncertainty, rounded for reading.

    Parameters
    ----------
    value : float
        The value, in `unit`.
    uncertainty : Uncertainty or None
        In `unit`; None or NaN = not known.
    unit, definition : str
        Unit, and what the figure is.

    Returns
    -------
    Figure
        See Figure.
    """
    rounded = float(f"{value:.4g}")
    if uncertainty is None or not math.isfinite(uncertainty.expanded):
        return Figure(value=rounded, unit=unit, definition=definition)
    degrees = uncertainty.degrees_of_freedom
    return Figure(
        value=rounded,
        uncertainty=float(f"{uncertainty.standard:.3g}"),
        expanded=float(f"{uncertainty.expanded:.3g}"),
        degrees_of_freedom=None if math.isinf(degrees) else float(f"{degrees:.4g}"),
        unit=unit,
        definition=definition,
    )


class Geometry(Strict):
    """Lengths of the finger: arc length from root to pad, and neutral line to pad surface (m)."""

    root_to_pad_m: Positive
    neutral_to_surface_m: Finite


class Calibration(Strict):
    """Everything the estimator needs to know about one finger.

    Attributes
    ----------
    schema_version : int
        Version of the file format.
    channels : int
        Number of coil channels, 1 to 16.
    pad : str
        A name in `registry.PADS`, or `unknown`.
    units : dict
        Units of everything below, for readers.
    made_on : datetime.date
        Date of the calibration.
    sources : tuple of SourceFile
        Recordings it came from.
    tare_inductance_h : tuple of float
        Inductance of each channel at the tare of the calibration (H).
    tare_temperature_c : float or None
        Temperature at that tare (degC); None = never measured.
    ranges, base, force_map, touch, substitute, health : see their classes
    figures : dict of Figure
        Figures of merit.
    not_identified : tuple of str
        What the recordings could not show, in words.
    serial : str
        Serial number of the pad, empty if none was given.
    geometry : Geometry or None
        Lengths of the finger.
    """

    schema_version: int
    channels: Annotated[int, Field(ge=1, le=MAX_CHANNELS)]
    pad: Annotated[str, AfterValidator(lambda name: name if name == "unknown" else _known_pad(name))]
    units: dict[str, str]
    made_on: date
    sources: tuple[SourceFile, ...]
    tare_inductance_h: tuple[Positive, ...]
    tare_temperature_c: Finite | None
    ranges: Ranges
    base: BaseModelPart
    force_map: ForceMap
    touch: TouchModel
    substitute: SubstituteModel
    health: HealthModel
    figures: dict[str, Figure]
    not_identified: tuple[str, ...]
    serial: str = ""
    geometry: Geometry | None = None

    @model_validator(mode="after")
    def _shapes_agree(self) -> Calibration:
        """Refuse arrays whose shape does not fit the channel count and the models' own sizes."""
        from soft_tactile_node.estimation.drive import count_terms
        from soft_tactile_node.estimation.features import feature_list
        from soft_tactile_node.estimation.tuning import TUNING

        c = self.channels
        terms, coordinates = count_terms(TUNING), len(self.force_map.directions)
        features = feature_list(coordinates, TUNING).size
        wanted: dict[str, tuple[object, tuple[int, ...]]] = {
            "tare_inductance_h": (self.tare_inductance_h, (c,)),
            "base.weights": (self.base.weights, (terms, c)),
            "force_map.directions": (self.force_map.directions, (coordinates, c)),
            "force_map.low": (self.force_map.low, (coordinates,)),
            "force_map.high": (self.force_map.high, (coordinates,)),
            "force_map.weights": (self.force_map.weights, (features, 3)),
            "force_map.leverage": (self.force_map.leverage, (2, features, features)),
            "force_map.normal_variance": (self.force_map.normal_variance, (2, 3)),
            "force_map.shear_variance": (self.force_map.shear_variance, (2, 3, 3)),
            "force_map.gain": (self.force_map.gain, (3, c)),
            "touch.spread": (self.touch.spread, (3, 3)),
            "touch.location": (self.touch.location, (3,)),
            "touch.scale": (self.touch.scale, (3,)),
            "substitute.weights": (self.substitute.weights, (c, 3 * c + 2)),
            "substitute.deviation": (self.substitute.deviation, (c,)),
        }
        for name in ("stretch", "noise", "drift", "slope", "slope_deviation"):
            wanted[f"base.{name}"] = (getattr(self.base, name), (c,))
        for name in ("step_limit", "equal_limit", "low", "high"):
            wanted[f"health.{name}"] = (getattr(self.health, name), (c,))
        if self.base.angle_weights is not None:
            wanted["base.angle_weights"] = (self.base.angle_weights, (terms + 1,))
        if self.substitute.pressure:
            wanted["substitute.pressure"] = (self.substitute.pressure, (3 * c + 1,))
        for key, (value, shape) in wanted.items():
            got = _shape(value)
            if got != shape:
                raise ValueError(f"{key} must be of shape {shape} for {c} channels; got {got}")
        return self


def _shape(value: object) -> tuple[int, ...]:
    """Return the shape of nested tuples, or a shape that fits nothing where rows differ in length."""
    try:
        return np.asarray(value, dtype=np.float64).shape
    except ValueError:
        return (-1,)


def nested(array: Array) -> tuple:  # type: ignore[type-arg]
    """Return `array`, any shape and unit, as nested tuples with seven significant digits, as the record keeps them."""
    if array.ndim == 1:
        return tuple(float(f"{value:.7g}") for value in array)
    return tuple(nested(row) for row in array)
