"""Pad variant `iron_disc`: pose of the disc from bend and touch, inductance of each coil from the tabulated field.

By symmetry one table serves all coils and specimens: change of inductance of one flat coil against distance of the
disc's centre from the coil's axis, height of its lower face, and the two tilts of its axis. Invented geometry.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.compiled import compiled
from soft_tactile_node.physics.constants import MU0_H_M
from soft_tactile_node.physics.demagnetisation import demagnetised_response
from soft_tactile_node.physics.iron_disc import CoilField, DiscResponse, MagneticDisc, tilt_rotation
from soft_tactile_node.physics.spiral import SpiralCoil, inductance_rings
from soft_tactile_node.samples import Array
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.pad import pad_indent
from soft_tactile_node.simulation.pad_design import MIDDLE, FrontEnd, check_tabulated, retarget
from soft_tactile_node.simulation.readout import ReadoutParameters
from soft_tactile_node.simulation.specimen import (
    FULL_SCALE_NORMAL_N,
    REFERENCE_TEMPERATURE_C,
    FingerParameters,
    draw_finger,
    spread_by,
)
from soft_tactile_node.simulation.spline_table import spline_4d, spline_coefficients
from soft_tactile_node.simulation.steel_lid import NONE_M, lid_change, load_lid_tables
from soft_tactile_node.simulation.table_cache import cached_table

COIL = SpiralCoil(inner_radius_m=1.0e-3, outer_radius_m=4.0e-3, turns=10, layers=2, layer_gap_m=0.2e-3)
DISC = MagneticDisc(radius_m=5.5e-3, thickness_m=1.4e-3, susceptibility=2.2)
CENTRES_M = ((4.2e-3, 4.2e-3), (4.2e-3, -4.2e-3), (-4.2e-3, 4.2e-3), (-4.2e-3, -4.2e-3))
"""Coils 1 to 4 in the pad frame (m): tip +y, tip -y, root +y, root -y."""
CAPACITANCE_F = 470.0e-12

_DISTANCE = (0.0, 12.0e-3, 25)
_HEIGHT = (0.5e-3, 3.7e-3, 19)
_TILT = (-0.24, 0.24, 7)
_REFERENCE_C = REFERENCE_TEMPERATURE_C


class IronDiscParameters(NamedTuple):
    """What differs from pad to pad (SI units)."""

    coil_scale: Array  # (c,) inductance over nominal
    coil_x: Array  # (c,) coil centres in the pad frame
    coil_y: Array
    disc_scale: float  # filler content: effect of the disc over nominal
    height_m: float  # lower face of the disc above the coils, at rest
    disc_x_m: float  # assembly error of the disc
    disc_y_m: float
    disc_tilt_x: float
    disc_tilt_y: float
    follow_normal: float  # share of the surface's indentation that reaches the disc
    follow_shear: float
    bend_height_1: float  # share of the height lost per rad of bend
    bend_height_2: float
    bend_shift_1_m: float
    bend_shift_2_m: float
    bend_tilt_1: float
    bend_tilt_2: float
    copper_ppm_per_k: Array  # (c,)
    swell_per_k: float  # thermal growth of the height
    resistance_ohm: Array  # (c,)


def draw_iron_disc(rng: np.random.Generator) -> IronDiscParameters:
    """Return one pad, drawn by `rng`: coils within 1 %, assembly within 0.15 mm, gains within some 5 %."""
    centres = np.array(CENTRES_M)
    c = len(centres)
    vary = spread_by(rng)
    return IronDiscParameters(
        coil_scale=1.0 + 0.01 * np.clip(rng.standard_normal(c), -2.5, 2.5),
        coil_x=centres[:, 0].copy(),
        coil_y=centres[:, 1].copy(),
        disc_scale=vary(1.0, 0.05),
        height_m=vary(2.2e-3, 0.04),
        disc_x_m=float(0.12e-3 * rng.standard_normal()),
        disc_y_m=float(0.12e-3 * rng.standard_normal()),
        disc_tilt_x=float(0.012 * rng.standard_normal()),
        disc_tilt_y=float(0.012 * rng.standard_normal()),
        follow_normal=vary(0.66, 0.04),
        follow_shear=vary(0.62, 0.04),
        bend_height_1=vary(0.13, 0.12),
        bend_height_2=vary(0.08, 0.15),
        bend_shift_1_m=vary(0.36e-3, 0.12),
        bend_shift_2_m=vary(0.22e-3, 0.20),
        bend_tilt_1=vary(-0.030, 0.15),
        bend_tilt_2=vary(-0.035, 0.20),
        copper_ppm_per_k=100.0 + 10.0 * rng.standard_normal() + 4.0 * rng.standard_normal(c),
        swell_per_k=vary(2.8e-4, 0.1),
        resistance_ohm=1.1 * (1.0 + 0.02 * rng.standard_normal(c)),
    )


class IronDiscTables(NamedTuple):
    """Splines of one coil."""

    air_h: float
    disc_h: Array
    lid_h: Array
    lid_ohm: Array


def _pose_changes(response: DiscResponse, field: CoilField, centres_m: Array, tilts_rad: Array) -> Array:
    """Return the change of one coil's inductance (n,) (H) for disc centres (n, 3) and tilts (n, 2).

    The same sum as `board_inductance_change`, as one matrix product for all poses.
    """
    rotation = tilt_rotation(tilts_rad)
    points = np.einsum("nij,qj->nqi", rotation, response.points_m) + centres_m[:, None, :]
    local = np.einsum("nji,nqj->nqi", rotation, field(points)).reshape(len(centres_m), -1)
    return np.asarray(np.sum(local * (local @ response.form.real), axis=1) / MU0_H_M)


def _continue_down(change: Array, impossible: NDArray[np.bool_], height: Array) -> Array:
    """Replace the values of impossible poses by a smooth continuation from the heights above (log-quadratic)."""
    out = change.copy()
    for index in np.ndindex(change.shape[:2]):
        bad = impossible[index]
        if bad.any():
            first = int(np.count_nonzero(bad))
            rows = slice(first, first + 4)
            law = np.polynomial.Polynomial.fit(height[rows], np.log(change[index][rows]), 2)
            out[index][:first] = np.exp(law(height[:first]))
    return out


def _build_disc_table(coil: SpiralCoil, disc: MagneticDisc) -> Array:
    response = demagnetised_response(disc, rings=14, orders=10)
    field = CoilField(coil, 0.05e-3, 12.0e-3, 22.0e-3)
    distance, height, tilt = (np.linspace(*axis) for axis in (_DISTANCE, _HEIGHT, _TILT))
    half = tilt[tilt > -1.0e-9]
    lean, side, low = (a.ravel() for a in np.meshgrid(tilt, half, height, indexing="ij"))
    # the disc's axis is (sin lean, sin side, .): turned by -side about x and lean about y
    poses = np.stack([-side, lean], axis=-1)
    # a strongly tilted low disc would reach into the coil: not a pose of the pad, only a corner of the table
    floor = disc.radius_m * np.hypot(np.sin(lean), np.sin(side)) + 0.12e-3
    level = np.maximum(low, floor) + 0.5 * disc.thickness_m
    impossible = (low < floor).reshape(len(tilt), len(half), len(height))
    out = np.empty((len(distance), len(height), len(tilt), len(tilt)))
    for i, away in enumerate(distance):
        centres = np.stack([np.full_like(level, away), np.zeros_like(level), level], axis=-1)
        change = _pose_changes(response, field, centres, poses).reshape(len(tilt), len(half), len(height))
        change = _continue_down(change, impossible, height)
        out[i, :, :, len(tilt) - len(half) :] = np.moveaxis(change, 2, 0)
        out[i, :, :, : len(half)] = np.moveaxis(change[:, ::-1], 2, 0)
    return spline_coefficients(out)


@lru_cache(maxsize=4)
def load_iron_disc_tables(
    coil: SpiralCoil = COIL, disc: MagneticDisc = DISC, capacitance_f: float = CAPACITANCE_F
) -> IronDiscTables:
    """Return the tables of a pad, of the invented one unless told otherwise, from the user's cache where they exist.

    Parameters
    ----------
    coil : SpiralCoil
        Each coil.
    disc : MagneticDisc
        The disc.
    capacitance_f : float
        Tank capacitor (F).

    Returns
    -------
    IronDiscTables
        Inductance without disc, change by the disc, change by a steel half-space (H and ohm).
    """
    axes = (_DISTANCE, _HEIGHT, _TILT)
    shape = (_DISTANCE[2] + 2, _HEIGHT[2] + 2, _TILT[2] + 2, _TILT[2] + 2)
    change = cached_table("iron-disc", (coil, disc, axes, 4), shape, partial(_build_disc_table, coil, disc))
    air = float(inductance_rings(coil))
    frequency = 1.0 / (2.0 * math.pi * math.sqrt(air * capacitance_f))
    return IronDiscTables(air, change, *load_lid_tables(coil, frequency, 0.25e-3))


@compiled
def disc_pose(
    pad: IronDiscParameters, finger: FingerParameters, now: Array, temperature_c: float
) -> tuple[float, float, float, float, float]:
    """Return height of the disc's lower face (m), shift x, y (m) and tilt about x, y (rad), all in the pad frame."""
    bend = now[at.BEND]
    strained = 1.0 - pad.bend_height_1 * bend - pad.bend_height_2 * bend * bend
    swollen = 1.0 + pad.swell_per_k * (temperature_c - _REFERENCE_C)
    height = pad.height_m * strained * swollen - pad.follow_normal * now[at.INDENT]
    surface_x = now[at.SHEAR_X] + now[at.GEOMETRIC_X] / finger.shear_stiffness_n_m
    x = pad.disc_x_m + pad.bend_shift_1_m * bend + pad.bend_shift_2_m * bend * bend + pad.follow_shear * surface_x
    y = pad.disc_y_m + pad.follow_shear * now[at.SHEAR_Y]
    tilt_x = pad.disc_tilt_x + now[at.TILT_X]
    tilt_y = pad.disc_tilt_y + now[at.TILT_Y] + pad.bend_tilt_1 * bend + pad.bend_tilt_2 * bend * bend
    return height, x, y, tilt_x, tilt_y


@compiled
def disc_inductance(
    pad: IronDiscParameters,
    tables: IronDiscTables,
    pose: tuple[float, float, float, float, float],
    temperature_c: float,
    lid_m: float,
    out: Array,
    loss: Array,
) -> None:
    """Fill inductance (H) and loss (ohm) of each coil at a pose of the disc, `lid_m` (m) from a steel edge.

    Steel fills the half-plane beyond its edge: about half the effect of a half-space at the edge's distance.
    """
    height, x, y, tilt_x, tilt_y = pose
    work = np.empty((4, 4))
    # the disc's axis, seen from the board (z up from the coils, y turned over)
    axis_x, axis_y = -tilt_y, -tilt_x
    for i in range(out.shape[0]):
        dx = x - pad.coil_x[i]
        dy = -(y - pad.coil_y[i])
        away = math.sqrt(dx * dx + dy * dy)
        cos_p, sin_p = (dx / away, dy / away) if away > 1.0e-9 else (1.0, 0.0)
        lean = math.asin(min(0.9, max(-0.9, cos_p * axis_x + sin_p * axis_y)))
        side = math.asin(min(0.9, max(-0.9, -sin_p * axis_x + cos_p * axis_y)))
        place = (
            (away - _DISTANCE[0]) / (_DISTANCE[1] - _DISTANCE[0]) * (_DISTANCE[2] - 1),
            (height - _HEIGHT[0]) / (_HEIGHT[1] - _HEIGHT[0]) * (_HEIGHT[2] - 1),
            (lean - _TILT[0]) / (_TILT[1] - _TILT[0]) * (_TILT[2] - 1),
            (side - _TILT[0]) / (_TILT[1] - _TILT[0]) * (_TILT[2] - 1),
        )
        resistance = pad.resistance_ohm[i] * (1.0 + 3.9e-3 * (temperature_c - _REFERENCE_C))
        value = tables.air_h + pad.disc_scale * spline_4d(tables.disc_h, place, work)
        if lid_m < NONE_M:
            far = math.sqrt((lid_m + pad.coil_x[i]) ** 2 + 5.0e-3**2)
            by_lid, lid_loss = lid_change(tables.lid_h, tables.lid_ohm, far, work)
            value += by_lid
            resistance += lid_loss
        warm = 1.0 + 1.0e-6 * pad.copper_ppm_per_k[i] * (temperature_c - _REFERENCE_C)
        out[i] = pad.coil_scale[i] * value * warm
        loss[i] = resistance


@compiled
def iron_disc_series(
    pad: IronDiscParameters,
    tables: IronDiscTables,
    finger: FingerParameters,
    states: Array,
    temperature_c: Array,
    coil_temperature_c: Array,
    lid_m: Array,
) -> tuple[Array, Array]:
    """Return inductance (n, c) (H) and loss (n, c) (ohm) for states (n, s), temperatures (n,), lid distances (n,)."""
    n = states.shape[0]
    out = np.empty((n, pad.coil_x.shape[0]))
    loss = np.empty_like(out)
    for k in range(n):
        pose = disc_pose(pad, finger, states[k], temperature_c[k])
        disc_inductance(pad, tables, pose, coil_temperature_c[k], lid_m[k], out[k], loss[k])
    return out, loss


class IronDisc:
    """The variant `iron_disc` of `pad_design.PadModel`."""

    channels = len(CENTRES_M)
    stream = 0
    readout = ReadoutParameters(CAPACITANCE_F, jitter=8.0e-6, drift=5.0e-5, drift_common=8.0e-5, resistance_ohm=1.1)
    draw = staticmethod(draw_iron_disc)
    load_tables = staticmethod(load_iron_disc_tables)
    series = staticmethod(iron_disc_series)


PAD = IronDisc()
"""The variant."""


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

    def fit_finger(self, drawn: FingerParameters) -> FingerParameters:
        """Return `drawn` with the stiffness, shear and tilt of this pad and the specimen's own deviations."""
        middle, field = draw_finger(MIDDLE), draw_iron_disc(MIDDLE)
        # the surface moves further than the disc; the stiffening sets in as early against the travel as in the
        # invented pad
        surface = self.travel_m / field.follow_normal
        cubic = surface * middle.pad_cubic_m / pad_indent(middle, FULL_SCALE_NORMAL_N)
        toe = middle.pad_toe_m
        shape = surface * surface / (surface + toe) + surface * (surface / cubic) ** 2
        return retarget(
            drawn,
            middle,
            pad_stiffness_n_m=FULL_SCALE_NORMAL_N / shape,
            pad_cubic_m=cubic,
            shear_stiffness_n_m=field.follow_shear / self.shift_m_n,
            tilt_stiffness_n_m=1.0 / self.tilt_rad_n_m,
            disc_height_m=self.lever_m,
        )

    def fit_pad(self, drawn: IronDiscParameters) -> IronDiscParameters:
        """Return `drawn` with the geometry of this pad and the specimen's own deviations."""
        middle = draw_iron_disc(MIDDLE)
        half = 0.5 * self.spacing_m
        return drawn._replace(
            height_m=drawn.height_m * self.height_m / middle.height_m,
            coil_x=half * np.sign(middle.coil_x),
            coil_y=half * np.sign(middle.coil_y),
            resistance_ohm=drawn.resistance_ohm * (self.front_end.coil_resistance_ohm / middle.resistance_ohm),
        )

    def load_tables(self) -> IronDiscTables:
        """Return its fields; RangeError names what lies outside the tables."""
        low = _HEIGHT[0] + self.travel_m + 0.1e-3
        check_tabulated(self.height_m, low, 0.95 * _HEIGHT[1], "height of the disc", "m")
        reach = math.sqrt(0.5) * self.spacing_m + 2.0 * self.shift_m_n
        check_tabulated(reach, 0.0, _DISTANCE[1], "reach of coils and shear", "m")
        return load_iron_disc_tables(self.coil, self.disc, self.front_end.capacitance_f)
