"""What a calibration holds that the estimator reads; the whole record, with its figures, is `calibration.record`."""

from __future__ import annotations

from typing import Annotated, Literal, Protocol

import numpy as np
from pydantic import AfterValidator, BaseModel, ConfigDict, Field


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


class Ranges(Strict):
    """What the recordings covered; beyond it estimates are flagged, not clipped."""

    pressure_pa: tuple[Finite, Finite]
    temperature_c: tuple[Finite, Finite] | None
    force_normal_n: Positive
    force_shear_n: Annotated[float, AfterValidator(_finite), Field(ge=0.0)]
    pressure_rate_pa_s: Positive
    sample_rate_hz: Positive


class BaseModelPart(Strict):
    """Free bend: weights of the terms for each channel and for the bend angle; what is left of a channel."""

    weights: Matrix
    stretch: Vector
    angle_weights: Vector | None
    angle_deviation_rad: Annotated[float, Field(ge=0.0)] | None
    noise: Vector
    drift: Vector
    slope: Vector
    slope_deviation: Vector


class ForceMap(Strict):
    """Force map: coordinates of a departure, the pad's own lag, weights of the features, variance of the force."""

    axes: Literal[1, 3]
    directions: Matrix
    low: Vector
    high: Vector
    rise_s: Annotated[float, Field(ge=0.0)]
    fall_s: Annotated[float, Field(ge=0.0)]
    weights: Matrix
    leverage: Stack
    normal_variance: Matrix
    shear_variance: Stack
    gain: Matrix


class TouchModel(Strict):
    """Touch tests: how far the force of a free finger strays, and its extreme values in a second."""

    spread: Matrix
    location: Vector
    scale: Vector


class SubstituteModel(Strict):
    """What the channels tell of each other and of the pressure."""

    weights: Matrix
    deviation: Vector
    pressure: Vector


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


class CalibratedFinger(Protocol):
    """A calibration record as the estimator sees it."""

    @property
    def channels(self) -> int: ...
    @property
    def tare_inductance_h(self) -> tuple[float, ...]: ...
    @property
    def base(self) -> BaseModelPart: ...
    @property
    def force_map(self) -> ForceMap: ...
    @property
    def touch(self) -> TouchModel: ...
    @property
    def substitute(self) -> SubstituteModel: ...
    @property
    def health(self) -> HealthModel: ...
    @property
    def ranges(self) -> Ranges: ...
