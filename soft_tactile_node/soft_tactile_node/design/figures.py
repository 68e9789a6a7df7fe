"""Figures of one design, and the small computations that all variants of a pad share."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from soft_tactile_node.design.conditions import Load, Plate
from soft_tactile_node.design.materials import Conductor, Silicone
from soft_tactile_node.design.readings import Noise
from soft_tactile_node.design.schema import Design
from soft_tactile_node.design.study_file import find_material
from soft_tactile_node.physics.eddy_layers import Layer, SheetCoil, air_inductance, impedance_change
from soft_tactile_node.physics.spiral import SpiralCoil, inductance_rings

Array = NDArray[np.float64]

FLAT_SLOPE = 0.05
"""A response counts as moving while its slope is above this share of its greatest slope (1)."""

FARTHEST_M = 0.5
"""Metal beyond this is no longer looked for (m)."""


@dataclass(frozen=True)
class DesignFigures:
    """What is computed for one design.

    Attributes
    ----------
    variant : str
        Variant of the pad.
    coils : int
        Coils whose sum is the normal signal (1).
    turns : int
        Turns of one layer (1).
    frequency_hz : float
        Frequency of the tank at rest (Hz).
    inductance_h, resistance_ohm : float
        Inductance (H) and series loss resistance (ohm) of one coil at rest, pad in place.
    noise : Noise
        Noise of one reading of one coil.
    force_n : numpy.ndarray, shape (n,)
        Normal forces of the curve (N).
    normal_h : numpy.ndarray, shape (n,)
        Change of the normal signal as read (H): the coil, or the sum of the coils.
    normal_noise_h : float
        Noise of the normal signal (H).
    shear_force_n, shear_h : numpy.ndarray, shape (k,)
        Shear forces (N) and change of the difference signal at half the full normal load (H); empty = not sensed.
    sensitivity_h_n : float
        Slope of the normal signal at no load (H/N).
    sensitivity_percent_n : float
        The same over the inductance at rest, for the mean of the coils (%/N).
    monotonic_range_n : float
        Force up to which the normal signal moves in one direction by at least FLAT_SLOPE of its greatest slope (N).
    snr_db : float
        20 log10 of the change at full scale over the noise, normal signal (dB).
    snr_shear_db : float
        The same for the shear signal (dB); NaN = not sensed.
    bend_h, bend_apparent_n : float
        Change of the normal signal by the stated bend without load (H), and the normal force it looks like (N).
    bend_worst_n : float
        The largest force that the bend looks like within the tolerances and the misplacement (N). As drawn it may be
        near nothing, because two effects of bending cancel at one gap, and that of a pad as cast much larger.
    crosstalk_percent : numpy.ndarray, shape (3, 3)
        Change of combination i (normal, x, y) under the full load j over that under its own (%); NaN = not sensed.
    crosstalk_misplaced_percent : numpy.ndarray, shape (3, 3)
        The same with the soft body misplaced along x (%).
    hysteresis_percent : float
        Greatest difference of the unloading and loading branch over the span, stated cycle (%).
    misplaced_gain_percent : float
        Change of the normal response by the stated misplacement (%).
    stand_off_m : dict
        Distance from the pad surface at which each metal part reads as the stated force (m); 0 = never.
    extra : dict
        Figures of one variant only, by name with unit suffix.
    remarks : list of str
        Where and why the design stops responding, and other cautions.
    usable : bool
        Whether it responds over its full scale with a tank that can oscillate.
    second_formula_percent : float
        By how much the inductance of the coil alone as an even winding is above that of its turns, which is used (%).
    """

    variant: str
    coils: int
    turns: int
    frequency_hz: float
    inductance_h: float
    resistance_ohm: float
    noise: Noise
    force_n: Array
    normal_h: Array
    normal_noise_h: float
    shear_force_n: Array
    shear_h: Array
    sensitivity_h_n: float
    sensitivity_percent_n: float
    monotonic_range_n: float
    snr_db: float
    snr_shear_db: float
    bend_h: float
    bend_apparent_n: float
    bend_worst_n: float
    crosstalk_percent: Array
    crosstalk_misplaced_percent: Array
    hysteresis_percent: float
    misplaced_gain_percent: float
    stand_off_m: dict[str, float]
    extra: dict[str, float]
    remarks: list[str] = field(default_factory=list)
    usable: bool = True
    second_formula_percent: float = math.nan


def monotonic_range(force_n: Array, signal_h: Array) -> float:
    """Return the force (N) up to which a signal moves one way by at least FLAT_SLOPE of its greatest slope."""
    slope = np.diff(signal_h) / np.diff(force_n)
    direction = np.sign(slope[0])
    greatest = float(np.max(direction * slope))
    stopped = np.flatnonzero(direction * slope < FLAT_SLOPE * greatest)
    return float(force_n[stopped[0]] if stopped.size else force_n[-1])


def zero_slope(force_n: Array, signal_h: Array) -> float:
    """Return the slope at no load (H/N), by a parabola through the first three points; never exactly zero."""
    slope = float(np.gradient(signal_h[:3], force_n[:3], edge_order=2)[0])
    return slope if slope != 0.0 else 1.0e-30


def decibel(ratio: float) -> float:
    """Return 20 log10 of the size of an amplitude `ratio` (1) in dB; minus infinity for zero."""
    return 20.0 * math.log10(abs(ratio)) if ratio != 0.0 else -math.inf


def elastic_cycle(load: Load, silicone: Silicone, friction_n: float = 0.0) -> tuple[Array, Array]:
    """Return the load and the elastic force along one settled load cycle: a triangle from 0 to full scale and back.

    The rubber is a standard linear solid; friction of a stated force lags behind the load.

    Parameters
    ----------
    load : Load
        Full scale and period.
    silicone : Silicone
        The rubber.
    friction_n : float
        Half width of the friction (N).

    Returns
    -------
    tuple of numpy.ndarray, shape (n,)
        Load (N) and the steady force that would deform the pad as much (N).

    Notes
    -----
    Source: standard linear solid, exact update at constant rate (Ferry 1980, recalled); play operator for friction.
    """
    steps = 200
    ramp = np.linspace(0.0, load.normal_n, steps + 1)
    cycle = np.concatenate([ramp, ramp[-2::-1]])
    path = np.concatenate([cycle, cycle[1:], cycle[1:]])
    x = 0.5 * load.cycle_s / steps / silicone.relaxation_s
    decay = math.exp(-x)
    mean = silicone.branch_share * (1.0 - decay) / x
    elastic, branch, drive = np.zeros(path.size), 0.0, 0.0
    for k in range(1, path.size):
        drive = max(path[k] - friction_n, min(path[k] + friction_n, drive))
        elastic[k] = (drive - decay * branch + mean * elastic[k - 1]) / (1.0 + mean)
        branch = decay * branch + mean * (elastic[k] - elastic[k - 1])
    last = cycle.size
    return path[-last:], elastic[-last:]


def hysteresis_percent(
    load: Load, silicone: Silicone, force_n: Array, signal_h: Array, friction_n: float = 0.0
) -> float:
    """Return the hysteresis of the normal signal over a load cycle: greatest difference of the branches over the span.

    Parameters
    ----------
    load : Load
        Full scale and period.
    silicone : Silicone
        The rubber.
    force_n, signal_h : numpy.ndarray, shape (n,)
        Steady response (N, H).
    friction_n : float
        Half width of the friction (N).

    Returns
    -------
    float
        Hysteresis (%).

    Notes
    -----
    Source: definition of IEC 61298-2:2008 (recalled).
    """
    path, elastic = elastic_cycle(load, silicone, friction_n)
    # the rubber can be deformed a little more by a slow force than by a quick one: beyond the curve it goes straight on
    signal = PchipInterpolator(force_n, signal_h)(np.clip(elastic, 0.0, force_n[-1]))
    half = (path.size + 1) // 2
    up, down = signal[:half], signal[half - 1 :][::-1]
    return float(100.0 * np.max(np.abs(down - up)) / np.ptp(signal_h)) if np.ptp(signal_h) > 0.0 else math.nan


def winding(coil: SpiralCoil, distance_m: float) -> SheetCoil:
    """Return the winding of even current density that stands for a coil whose top layer lies below metal (m)."""
    height = (coil.layers - 1) * coil.layer_gap_m + coil.trace_thickness_m
    bottom = max(distance_m - 0.5 * coil.trace_thickness_m, 1.0e-6)
    return SheetCoil(coil.inner_radius_m, coil.outer_radius_m, bottom, bottom + height, coil.total_turns)


def second_formula_percent(coil: SpiralCoil) -> float:
    """Return how far two ways to compute the inductance of a coil alone lie apart.

    Parameters
    ----------
    coil : SpiralCoil
        The coil.

    Returns
    -------
    float
        Inductance of a winding of even current density over that of the turns one by one, less one (%).

    Notes
    -----
    Source: Dodd & Deeds (1968) against concentric turns, see `eddy_layers.air_inductance`, `spiral.inductance_rings`.
    """
    return 100.0 * (air_inductance(winding(coil, 1.0e-3)) / float(inductance_rings(coil)) - 1.0)


def plate_change(coil: SpiralCoil, plate: Plate, metal: Conductor, distance_m: float, frequency_hz: float) -> float:
    """Return by how much (H) a wide metal plate at a distance from a coil's plane (m) changes its inductance."""
    layer = Layer(1.0 / metal.resistivity_ohm_m, plate.thickness_m, metal.relative_permeability)
    return impedance_change(winding(coil, distance_m), layer, frequency_hz)[0]


def stand_off(change: Callable[[float], float], surface_m: float, threshold_h: float) -> float:
    """Return the distance from the pad surface at which metal reads as a stated force.

    Parameters
    ----------
    change : callable
        Change of the normal signal (H) for a distance from the coil's plane (m).
    surface_m : float
        Distance of the pad surface from the coil's plane (m).
    threshold_h : float
        Change that the stated force makes (H), > 0.

    Returns
    -------
    float
        Stand-off (m); 0 = not even on the surface, FARTHEST_M = beyond.
    """
    if abs(change(surface_m)) <= threshold_h:
        return 0.0
    if abs(change(FARTHEST_M)) >= threshold_h:
        return FARTHEST_M
    found = brentq(
        lambda z: math.log(max(abs(change(math.exp(z))), 1e-30) / threshold_h),
        math.log(surface_m),
        math.log(FARTHEST_M),
        xtol=1e-4,
    )
    return float(math.exp(found) - surface_m)


def stand_offs(
    design: Design, coil: SpiralCoil, coils: int, surface_m: float, slope_h_n: float, frequency_hz: float
) -> dict[str, float]:
    """Return the stand-off of each metal part in a design's surroundings.

    Parameters
    ----------
    design : Design
        Names the parts, and the force as which they must read.
    coil : SpiralCoil
        Each coil.
    coils : int
        Coils whose sum is the normal signal (1).
    surface_m : float
        Distance of the pad surface from the coils' plane (m).
    slope_h_n : float
        Slope of the normal signal at no load (H/N).
    frequency_hz : float
        Frequency (Hz).

    Returns
    -------
    dict
        Distance from the pad surface by the name of the part (m); as `stand_off`.
    """

    def one(plate: Plate) -> float:
        metal: Conductor = find_material(design, plate.conductor, Conductor, "surroundings")
        threshold_h = design.load.detection_n * abs(slope_h_n)
        return stand_off(lambda z: coils * plate_change(coil, plate, metal, z, frequency_hz), surface_m, threshold_h)

    return {plate.name: one(plate) for plate in design.surroundings}
