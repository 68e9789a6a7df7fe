"""A pad of one's own in the simulator: what its designer knows, and how a specimen of it is built.

A specimen's spread (assembly, batch, hysteresis, creep) stays that of the invented pad; its mean values become those of
the design.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple, TypeVar

import numpy as np

from soft_tactile_node.errors import RangeError
from soft_tactile_node.physics.iron_disc import MagneticDisc
from soft_tactile_node.physics.spiral import SpiralCoil
from soft_tactile_node.simulation.iron_disc_pad import (
    _DISTANCE,
    _HEIGHT,
    IronDiscTables,
    draw_iron_disc,
    load_iron_disc_tables,
)
from soft_tactile_node.simulation.liquid_metal_pad import (
    _GAP,
    _VOLUME,
    CoilCell,
    LiquidMetalTables,
    draw_liquid_metal,
    load_liquid_metal_tables,
)
from soft_tactile_node.simulation.readout import ReadoutParameters, draw_readout
from soft_tactile_node.simulation.specimen import FULL_SCALE_NORMAL_N, FingerParameters, draw_finger

Parameters = TypeVar("Parameters", bound=NamedTuple)


@dataclass(frozen=True)
class FrontEnd:
    """Tank and counter of a pad.

    Attributes
    ----------
    capacitance_f : float
        Tank capacitor (F).
    clock_hz : float
        Reference clock (Hz).
    jitter : float
        Relative random error of frequency over a gate of 1 ms (1).
    resistance_ohm : float
        Loss at rest that the conversion to inductance assumes (ohm).
    coil_resistance_ohm : float
        Loss of the coil alone (ohm).
    """

    capacitance_f: float
    clock_hz: float
    jitter: float
    resistance_ohm: float
    coil_resistance_ohm: float


@dataclass(frozen=True)
class IronDiscDesign:
    """Four coils below a disc, as designed.

    Attributes
    ----------
    coil : SpiralCoil
        Each coil.
    disc : MagneticDisc
        The disc.
    spacing_m : float
        Distance of neighbouring coil centres (m).
    height_m : float
        Lower face of the disc above the coils at rest (m).
    travel_m : float
        How far the full normal force brings the disc down (m).
    shift_m_n : float
        Shift of the disc per shear force (m/N).
    tilt_rad_n_m : float
        Tilt of the disc per torque (rad/(N m)).
    lever_m : float
        Height of the surface above the lower face of the disc (m).
    front_end : FrontEnd
        Tank and counter.
    """

    coil: SpiralCoil
    disc: MagneticDisc
    spacing_m: float
    height_m: float
    travel_m: float
    shift_m_n: float
    tilt_rad_n_m: float
    lever_m: float
    front_end: FrontEnd

    name = "iron_disc"


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


PadDesign = IronDiscDesign | LiquidMetalDesign


class _NoSpread:
    """Stands for a random generator that draws the middle every time."""

    def standard_normal(self, size: int | None = None) -> Any:
        """Return zero, or zeros."""
        return 0.0 if size is None else np.zeros(size)


_MIDDLE: Any = _NoSpread()


def _retarget(drawn: Parameters, middle: Parameters, **wanted: float) -> Parameters:
    """Return a drawn specimen whose mean values are those wanted; its spread stays."""
    scaled = {key: getattr(drawn, key) * (value / getattr(middle, key)) for key, value in wanted.items()}
    return drawn._replace(**scaled)


def design_finger(drawn: FingerParameters, design: PadDesign) -> FingerParameters:
    """Return a finger with the mechanics of a design's pad.

    Parameters
    ----------
    drawn : FingerParameters
        The specimen with the invented pad.
    design : IronDiscDesign or LiquidMetalDesign
        The design.

    Returns
    -------
    FingerParameters
        Pad stiffness, shear, tilt or cells of the design, with the specimen's own deviations.
    """
    middle = draw_finger(_MIDDLE)
    if isinstance(design, LiquidMetalDesign):
        bend = middle.metal_bend_pa + middle.metal_bend_quadratic_pa  # at 1 rad, split as in the invented pad
        return _retarget(
            drawn,
            middle,
            metal_area_m2=design.area_m2,
            metal_press_pa_m3=design.press_pa_m3,
            metal_coil_pa_m3=design.coil_pa_m3,
            metal_cubic_pa_m9=design.cubic_pa_m9,
            metal_resistance_pa_s_m3=design.duct_pa_s_m3,
            metal_bend_pa=design.bend_pa_rad * middle.metal_bend_pa / bend,
            metal_bend_quadratic_pa=design.bend_pa_rad * middle.metal_bend_quadratic_pa / bend,
            metal_column_m=design.column_m,
        )
    field = draw_iron_disc(_MIDDLE)
    # the surface moves further than the disc; the stiffening sets in as early against the travel as in the invented pad
    surface = design.travel_m / field.follow_normal
    cubic = surface * middle.pad_cubic_m / _full_scale_indent(middle)
    toe = middle.pad_toe_m
    shape = surface * surface / (surface + toe) + surface * (surface / cubic) ** 2
    return _retarget(
        drawn,
        middle,
        pad_stiffness_n_m=FULL_SCALE_NORMAL_N / shape,
        pad_cubic_m=cubic,
        shear_stiffness_n_m=field.follow_shear / design.shift_m_n,
        tilt_stiffness_n_m=1.0 / design.tilt_rad_n_m,
        disc_height_m=design.lever_m,
    )


def _full_scale_indent(middle: FingerParameters) -> float:
    """Return the indentation of the invented pad at full scale (m), by bisection."""
    low, high = 0.0, 5.0e-3
    for _ in range(60):
        u = 0.5 * (low + high)
        force = middle.pad_stiffness_n_m * (u * u / (u + middle.pad_toe_m) + u * (u / middle.pad_cubic_m) ** 2)
        low, high = (u, high) if force < FULL_SCALE_NORMAL_N else (low, u)
    return high


def design_pad(drawn: Any, design: PadDesign) -> Any:
    """Return what the coils of a specimen see, with the mean values of a design.

    Parameters
    ----------
    drawn : IronDiscParameters or LiquidMetalParameters
        The specimen with the invented pad.
    design : IronDiscDesign or LiquidMetalDesign
        The design.

    Returns
    -------
    IronDiscParameters or LiquidMetalParameters
        Geometry of the design, with the specimen's own deviations.
    """
    if isinstance(design, LiquidMetalDesign):
        resistance = design.front_end.coil_resistance_ohm
        return _retarget(drawn, draw_liquid_metal(_MIDDLE), gap_m=design.gap_m, resistance_ohm=resistance)
    middle = draw_iron_disc(_MIDDLE)
    half = 0.5 * design.spacing_m
    return drawn._replace(
        height_m=drawn.height_m * design.height_m / middle.height_m,
        coil_x=half * np.sign(middle.coil_x),
        coil_y=half * np.sign(middle.coil_y),
        resistance_ohm=drawn.resistance_ohm * (design.front_end.coil_resistance_ohm / middle.resistance_ohm),
    )


def design_readout(rng: np.random.Generator, design: PadDesign) -> ReadoutParameters:
    """Return the front end of a specimen of a design.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of the specimen's spread.
    design : IronDiscDesign or LiquidMetalDesign
        The design.

    Returns
    -------
    ReadoutParameters
        Tank, clock and noise of the design; drift and pressure sensor of the invented finger.
    """
    end = design.front_end
    return draw_readout(rng, design.name)._replace(
        capacitance_f=end.capacitance_f,
        clock_hz=end.clock_hz,
        jitter=end.jitter,
        resistance_ohm=end.resistance_ohm,
    )


def design_tables(design: PadDesign) -> IronDiscTables | LiquidMetalTables:
    """Return the field tables of a design, from the user's cache where they exist.

    Parameters
    ----------
    design : IronDiscDesign or LiquidMetalDesign
        The design.

    Returns
    -------
    IronDiscTables or LiquidMetalTables
        The tables.

    Raises
    ------
    RangeError
        The geometry lies outside what the simulator tabulates.
    """
    if isinstance(design, LiquidMetalDesign):
        _within(design.gap_m, 1.05 * _GAP[0], 0.95 * _GAP[1], "gap from coil to metal", "m")
        roots = np.roots(
            [design.cubic_pa_m9, 0.0, design.press_pa_m3 + design.coil_pa_m3, -FULL_SCALE_NORMAL_N / design.area_m2]
        )
        full = float(roots[np.argmin(np.abs(roots.imag))].real)
        _within(full, 0.0, 0.9 * _VOLUME[1], "volume displaced at full scale", "m^3")
        return load_liquid_metal_tables(design.coil, design.cell, design.frequency_hz)
    _within(design.height_m, _HEIGHT[0] + design.travel_m + 0.1e-3, 0.95 * _HEIGHT[1], "height of the disc", "m")
    reach = np.sqrt(0.5) * design.spacing_m + 2.0 * design.shift_m_n
    _within(float(reach), 0.0, _DISTANCE[1], "reach of coils and shear", "m")
    return load_iron_disc_tables(design.coil, design.disc, design.front_end.capacitance_f)


def _within(value: float, low: float, high: float, what: str, unit: str) -> None:
    if not low <= value <= high:
        raise RangeError(f"{what} must be {low:.3g} to {high:.3g} {unit} to be simulated; got {value:.3g} {unit}")
