"""The calibration of one finger: a strict, frozen record that reads and writes as plain YAML."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

import numpy as np
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from soft_tactile_node.samples import MAX_CHANNELS, Array

SCHEMA_VERSION = 1
"""Version of the file format; a newer one is refused."""


def _finite(value: float) -> float:
    if not np.isfinite(value):
        raise ValueError("must be finite")
    return value


Finite = Annotated[float, AfterValidator(_finite)]
Positive = Annotated[float, AfterValidator(_finite), Field(gt=0.0)]
Vector = tuple[Finite, ...]
Matrix = tuple[Vector, ...]
Stack = tuple[Matrix, ...]


class Strict(BaseModel):
    """Base of every part: no unknown keys, no change after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, protected_namespaces=())


class SourceFile(Strict):
    """A recording the calibration was made from."""

    name: str
    kind: Literal["free_bend", "press"]
    sha256: str


class Ranges(Strict):
    """What the recordings covered; beyond it estimates are flagged, not clipped."""

    pressure_pa: tuple[Finite, Finite]
    temperature_c: tuple[Finite, Finite] | None
    force_normal_n: Positive
    force_shear_n: Annotated[float, AfterValidator(_finite), Field(ge=0.0)]
    pressure_rate_pa_s: Positive
    sample_rate_hz: Positive


class BendingModel(Strict):
    """Free-bend model: weights of the pressure-history terms for each channel, and for the bend angle."""

    lag_s: Vector
    play_radius: Vector
    weights: Matrix
    angle_weights: Vector | None
    angle_deviation_rad: Annotated[float, Field(ge=0.0)] | None
    slope_load: Vector
    slope: Matrix


class PadModel(Strict):
    """Pad model: a map from the channels to the elastic response, its relaxation, and what is known of its error."""

    axes: Literal[1, 3]
    scale: tuple[Positive, ...]
    lean: Matrix
    low: Vector
    high: Vector
    weights: Matrix
    lag_s: tuple[Positive, ...]
    fill: tuple[tuple[Annotated[float, Field(ge=0.0)], ...], ...]
    empty: tuple[tuple[Annotated[float, Field(ge=0.0)], ...], ...]
    directions: Stack
    pattern: Matrix
    error_floor: tuple[Annotated[float, Field(ge=0.0)], ...]
    error_relative: tuple[Annotated[float, Field(ge=0.0)], ...]
    noise_gain: tuple[Annotated[float, Field(ge=0.0)], ...]
    shear_ratio: tuple[Annotated[float, Field(ge=0.0)], Annotated[float, Field(ge=0.0)]]
    compliance: Annotated[float, Field(ge=0.0)]
    force_rate_n: Positive


class NoiseModel(Strict):
    """Noise of a scan and how far the free-bend residual wanders (relative change)."""

    white: Matrix
    wander_s: Vector
    wander_rest: Stack
    wander_active: Stack
    wander_loaded: Stack
    tail: Vector


class HealthModel(Strict):
    """What is normal for a healthy channel and for the pressure reading."""

    step_limit: Vector
    step_s: Positive
    equal_limit: tuple[float, ...]
    low: Vector
    high: Vector
    pressure_equal_limit: float
    pressure_rate: Positive
    pressure_interval_s: Positive
    pressure_noise: Annotated[float, Field(ge=0.0)]


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
        `iron_disc`, `liquid_metal` or `unknown`.
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
    ranges, bending, pad_model, noise, health : see their classes
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
    pad: Literal["iron_disc", "liquid_metal", "unknown"]
    units: dict[str, str]
    made_on: date
    sources: tuple[SourceFile, ...]
    tare_inductance_h: tuple[Positive, ...]
    tare_temperature_c: Finite | None
    ranges: Ranges
    bending: BendingModel
    pad_model: PadModel
    noise: NoiseModel
    health: HealthModel
    figures: dict[str, Figure]
    not_identified: tuple[str, ...]
    serial: str = ""
    geometry: Geometry | None = None

    @model_validator(mode="after")
    def _shapes_agree(self) -> Calibration:
        """Refuse arrays whose shape does not fit the channel count and the models' own sizes."""
        from soft_tactile_node.estimation import bending as bending_terms
        from soft_tactile_node.estimation import pad as pad_terms

        c = self.channels
        lags, plays = len(self.bending.lag_s), len(self.bending.play_radius)
        bending_rows = bending_terms.count_terms(lags, plays)
        pad = self.pad_model
        axes, relaxations = pad.axes, len(pad.lag_s)
        memories = len(self.noise.wander_s)
        wanted: dict[str, tuple[object, tuple[int, ...]]] = {
            "tare_inductance_h": (self.tare_inductance_h, (c,)),
            "bending.weights": (self.bending.weights, (bending_rows, c)),
            "bending.slope": (self.bending.slope, (len(self.bending.slope_load), c)),
            "pad_model.scale": (pad.scale, (c,)),
            "pad_model.lean": (pad.lean, (c, axes)),
            "pad_model.low": (pad.low, (axes,)),
            "pad_model.high": (pad.high, (axes,)),
            "pad_model.weights": (pad.weights, (pad_terms.count_terms(c, axes), axes)),
            "pad_model.fill": (pad.fill, (axes, relaxations)),
            "pad_model.empty": (pad.empty, (axes, relaxations)),
            "pad_model.directions": (pad.directions, (3, axes, c)),
            "pad_model.pattern": (pad.pattern, (c, c)),
            "pad_model.error_floor": (pad.error_floor, (axes,)),
            "pad_model.error_relative": (pad.error_relative, (axes,)),
            "pad_model.noise_gain": (pad.noise_gain, (axes,)),
            "noise.white": (self.noise.white, (c, c)),
            "noise.wander_rest": (self.noise.wander_rest, (memories, c, c)),
            "noise.wander_active": (self.noise.wander_active, (memories, c, c)),
            "noise.wander_loaded": (self.noise.wander_loaded, (memories, c, c)),
            "noise.tail": (self.noise.tail, (memories,)),
            "health.step_limit": (self.health.step_limit, (c,)),
            "health.equal_limit": (self.health.equal_limit, (c,)),
            "health.low": (self.health.low, (c,)),
            "health.high": (self.health.high, (c,)),
        }
        if self.bending.angle_weights is not None:
            wanted["bending.angle_weights"] = (self.bending.angle_weights, (bending_rows,))
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
    """Return an array as nested tuples of floats with seven significant digits, as the record keeps them.

    Parameters
    ----------
    array : numpy.ndarray, shape (any)
        Any unit; seven digits are far below every uncertainty here and keep the file readable.

    Returns
    -------
    tuple
        Nested tuples (same unit).
    """
    if array.ndim == 1:
        return tuple(float(f"{value:.7g}") for value in array)
    return tuple(nested(row) for row in array)
