"""Pad variant `liquid_metal`: one flat coil below a cell whose film of metal thickens; tabulated eddy currents.

The table holds change of inductance and of loss resistance against displaced volume and distance of the metal from the
coil, at the tank's frequency. It lies in the regime in which more metal lowers the inductance. Invented geometry.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import NamedTuple

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.physics.liquid_metal import GALLIUM_INDIUM_RESISTIVITY_OHM_M, MetalFilm, film_impedance_change
from soft_tactile_node.physics.spiral import SpiralCoil, inductance_rings
from soft_tactile_node.samples import Array
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.pad_design import MIDDLE, FrontEnd, check_tabulated, retarget
from soft_tactile_node.simulation.readout import ReadoutParameters
from soft_tactile_node.simulation.specimen import (
    FULL_SCALE_NORMAL_N,
    REFERENCE_TEMPERATURE_C,
    FingerParameters,
    draw_finger,
    spread_by,
)
from soft_tactile_node.simulation.spline_table import spline_2d, spline_coefficients
from soft_tactile_node.simulation.steel_lid import NONE_M, lid_change, load_lid_tables
from soft_tactile_node.simulation.table_cache import cached_table

COIL = SpiralCoil(inner_radius_m=1.2e-3, outer_radius_m=5.0e-3, turns=14, layers=4, layer_gap_m=0.2e-3)
CELL_RADIUS_M = 6.0e-3
REST_FILM_M = 0.04e-3
CAPACITANCE_F = 64.0e-9
FREQUENCY_HZ = 165.0e3


@dataclass(frozen=True)
class CoilCell:
    """The cell above the coil.

    Attributes
    ----------
    radius_m : float
        Radius (m).
    film_m : float
        Thickness of the metal at rest (m).
    resistivity_ohm_m : float
        Resistivity of the metal (ohm m).
    """

    radius_m: float = CELL_RADIUS_M
    film_m: float = REST_FILM_M
    resistivity_ohm_m: float = GALLIUM_INDIUM_RESISTIVITY_OHM_M


CELL = CoilCell()
"""The cell of the invented pad."""

_VOLUME = (-4.0e-9, 32.0e-9, 37)
_GAP = (0.30e-3, 0.80e-3, 11)
_REFERENCE_C = REFERENCE_TEMPERATURE_C


class LiquidMetalParameters(NamedTuple):
    """What differs from pad to pad (SI units)."""

    coil_scale: float  # inductance over nominal
    film_scale: float  # effect of the film over nominal (fill, wetting)
    gap_m: float  # coil to metal at rest
    bend_gap: float  # share of the gap lost per rad of bend
    bend_gap_2: float
    rest_volume_m3: float  # filling tolerance
    copper_ppm_per_k: float
    alloy_ppm_per_k: float  # of the film's effect
    swell_per_k: float
    resistance_ohm: float


def draw_liquid_metal(rng: np.random.Generator) -> LiquidMetalParameters:
    """Return one pad, drawn by `rng`: coil within 1 %, gap and filling within some 5 %."""
    vary = spread_by(rng)
    return LiquidMetalParameters(
        coil_scale=vary(1.0, 0.01),
        film_scale=vary(1.0, 0.03),
        gap_m=vary(0.50e-3, 0.04),
        bend_gap=vary(0.06, 0.15),
        bend_gap_2=vary(0.03, 0.2),
        rest_volume_m3=float(0.25e-9 * rng.standard_normal()),
        copper_ppm_per_k=vary(100.0, 0.1),
        alloy_ppm_per_k=vary(-600.0, 0.1),
        swell_per_k=vary(2.8e-4, 0.1),
        resistance_ohm=vary(0.9, 0.02),
    )


class LiquidMetalTables(NamedTuple):
    """Splines of the coil."""

    air_h: float
    change_h: Array
    loss_ohm: Array
    lid_h: Array
    lid_ohm: Array


def _film_thickness(volume_m3: float, cell: CoilCell = CELL) -> Array:
    """Return the film under a roof that bulges like a clamped plate, at even radii (m), never below bare wetting."""
    inside = 1.0 - np.linspace(0.0, 1.0, 41) ** 2
    bulge = 3.0 * volume_m3 / (math.pi * cell.radius_m**2) * inside**2
    # emptied below rest the roof comes down onto the floor, smoothly
    film = cell.film_m + bulge
    return np.asarray(0.5 * (film + np.sqrt(film * film + (0.02e-3) ** 2)))


def _build_film_table(coil: SpiralCoil, cell: CoilCell, frequency_hz: float) -> Array:
    out = np.empty((2, _VOLUME[2], _GAP[2]))
    for i, volume in enumerate(np.linspace(*_VOLUME)):
        for j, gap in enumerate(np.linspace(*_GAP)):
            thickness = _film_thickness(float(volume), cell)
            film = MetalFilm(cell.radius_m, float(gap), thickness, cell.resistivity_ohm_m)
            value = complex(film_impedance_change(coil, film, frequency_hz, across=30, through=4))
            out[0, i, j] = value.real
            out[1, i, j] = -2.0 * math.pi * frequency_hz * value.imag
    return np.stack([spline_coefficients(out[0]), spline_coefficients(out[1])])


@lru_cache(maxsize=4)
def load_liquid_metal_tables(
    coil: SpiralCoil = COIL, cell: CoilCell = CELL, frequency_hz: float = FREQUENCY_HZ
) -> LiquidMetalTables:
    """Return the tables of a pad, of the invented one unless told otherwise, from the user's cache where they exist.

    Parameters
    ----------
    coil : SpiralCoil
        The coil.
    cell : CoilCell
        The cell above it.
    frequency_hz : float
        Frequency of the tank (Hz).

    Returns
    -------
    LiquidMetalTables
        Inductance without metal (H), change by the film (H), loss of the film (ohm), change by a
        steel half-space (H and ohm).
    """
    key = (coil, cell, frequency_hz, _VOLUME, _GAP, 1)
    build = partial(_build_film_table, coil, cell, frequency_hz)
    film = cached_table("liquid-metal", key, (2, _VOLUME[2] + 2, _GAP[2] + 2), build)
    parts = (np.ascontiguousarray(film[0]), np.ascontiguousarray(film[1]))
    return LiquidMetalTables(float(inductance_rings(coil)), *parts, *load_lid_tables(coil, frequency_hz, 0.6e-3))


@compiled
def metal_coil(
    pad: LiquidMetalParameters,
    tables: LiquidMetalTables,
    now: Array,
    temperature_c: float,
    coil_temperature_c: float,
    lid_m: float,
) -> tuple[float, float]:
    """Return inductance (H) and loss resistance (ohm) of the coil for one finger's state."""
    work = np.empty((4, 4))
    bend = now[at.BEND]
    warm = temperature_c - _REFERENCE_C
    gap = pad.gap_m * (1.0 - pad.bend_gap * bend - pad.bend_gap_2 * bend * bend) * (1.0 + pad.swell_per_k * warm)
    place = (
        (now[at.METAL] + pad.rest_volume_m3 - _VOLUME[0]) / (_VOLUME[1] - _VOLUME[0]) * (_VOLUME[2] - 1),
        (gap - _GAP[0]) / (_GAP[1] - _GAP[0]) * (_GAP[2] - 1),
    )
    scale = pad.film_scale * (1.0 + 1.0e-6 * pad.alloy_ppm_per_k * warm)
    loss = pad.resistance_ohm * (1.0 + 3.9e-3 * (coil_temperature_c - _REFERENCE_C))
    loss += pad.film_scale * spline_2d(tables.loss_ohm, place, work)
    value = tables.air_h + scale * spline_2d(tables.change_h, place, work)
    if lid_m < NONE_M:
        by_lid, lid_loss = lid_change(tables.lid_h, tables.lid_ohm, lid_m, work)
        value += by_lid
        loss += lid_loss
    copper = 1.0 + 1.0e-6 * pad.copper_ppm_per_k * (coil_temperature_c - _REFERENCE_C)
    return pad.coil_scale * value * copper, loss


@compiled
def liquid_metal_series(
    pad: LiquidMetalParameters,
    tables: LiquidMetalTables,
    _finger: FingerParameters,
    states: Array,
    temperature_c: Array,
    coil_temperature_c: Array,
    lid_m: Array,
) -> tuple[Array, Array]:
    """Return inductance (n, 1) (H) and loss (n, 1) (ohm) for states (n, s), temperatures (n,), lid distances (n,)."""
    n = states.shape[0]
    out = np.empty((n, 1))
    loss = np.empty((n, 1))
    for k in range(n):
        out[k, 0], loss[k, 0] = metal_coil(pad, tables, states[k], temperature_c[k], coil_temperature_c[k], lid_m[k])
    return out, loss


class LiquidMetal:
    """The variant `liquid_metal` of `pad_design.PadModel`."""

    channels = 1
    stream = 1
    readout = ReadoutParameters(CAPACITANCE_F, jitter=16.0e-6, drift=1.0e-4, drift_common=2.0e-4, resistance_ohm=1.0)
    draw = staticmethod(draw_liquid_metal)
    load_tables = staticmethod(load_liquid_metal_tables)
    series = staticmethod(liquid_metal_series)


PAD = LiquidMetal()
"""The variant."""


@dataclass(frozen=True)
class LiquidMetalDesign:
    """One coil below a cell of liquid metal, as designed.

    Attributes
    ----------
    coil : SpiralCoil
        The coil.
    cell : CoilCell
        The cell above it.
    gap_m : float
        Coil to metal at rest (m).
    frequency_hz : float
        Frequency of the tank (Hz).
    area_m2 : float
        Force over pressure in the press cell (m^2).
    press_pa_m3, coil_pa_m3 : float
        Stiffness of the roofs of press cell and coil cell (Pa/m^3).
    cubic_pa_m9 : float
        Cubic stiffness of both (Pa/m^9).
    duct_pa_s_m3 : float
        Resistance of the duct (Pa s/m^3).
    bend_pa_rad : float
        Pressure in the press cell per bend (Pa/rad).
    column_m : float
        Distance of the cells along x (m).
    front_end : FrontEnd
        Tank and counter.
    """

    coil: SpiralCoil
    cell: CoilCell
    gap_m: float
    frequency_hz: float
    area_m2: float
    press_pa_m3: float
    coil_pa_m3: float
    cubic_pa_m9: float
    duct_pa_s_m3: float
    bend_pa_rad: float
    column_m: float
    front_end: FrontEnd

    name = "liquid_metal"

    def fit_finger(self, drawn: FingerParameters) -> FingerParameters:
        """Return `drawn` with the cells of this pad and the specimen's own deviations."""
        middle = draw_finger(MIDDLE)
        bend = middle.metal_bend_pa + middle.metal_bend_quadratic_pa  # at 1 rad, split as in the invented pad
        return retarget(
            drawn,
            middle,
            metal_area_m2=self.area_m2,
            metal_press_pa_m3=self.press_pa_m3,
            metal_coil_pa_m3=self.coil_pa_m3,
            metal_cubic_pa_m9=self.cubic_pa_m9,
            metal_resistance_pa_s_m3=self.duct_pa_s_m3,
            metal_bend_pa=self.bend_pa_rad * middle.metal_bend_pa / bend,
            metal_bend_quadratic_pa=self.bend_pa_rad * middle.metal_bend_quadratic_pa / bend,
            metal_column_m=self.column_m,
        )

    def fit_pad(self, drawn: LiquidMetalParameters) -> LiquidMetalParameters:
        """Return `drawn` with the gap and the coil of this pad and the specimen's own deviations."""
        resistance = self.front_end.coil_resistance_ohm
        return retarget(drawn, draw_liquid_metal(MIDDLE), gap_m=self.gap_m, resistance_ohm=resistance)

    def load_tables(self) -> LiquidMetalTables:
        """Return its fields; RangeError names what lies outside the tables."""
        check_tabulated(self.gap_m, 1.05 * _GAP[0], 0.95 * _GAP[1], "gap from coil to metal", "m")
        law = [self.cubic_pa_m9, 0.0, self.press_pa_m3 + self.coil_pa_m3, -FULL_SCALE_NORMAL_N / self.area_m2]
        roots = np.roots(law)
        full = float(roots[np.argmin(np.abs(roots.imag))].real)
        check_tabulated(full, 0.0, 0.9 * _VOLUME[1], "volume displaced at full scale", "m^3")
        return load_liquid_metal_tables(self.coil, self.cell, self.frequency_hz)
