"""Figures of a pad of four coils below a disc of magnetic composite."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from soft_tactile_node.design.figures import (
    DesignFigures,
    decibel,
    hysteresis_percent,
    monotonic_range,
    plate_change,
    stand_off,
    zero_slope,
)
from soft_tactile_node.design.iron_disc_words import describe_limits
from soft_tactile_node.design.materials import Conductor, Powder, Silicone
from soft_tactile_node.design.readings import choose_turns, reading_noise, tank_frequency
from soft_tactile_node.design.schema import Design, IronDiscPad
from soft_tactile_node.design.study_file import find_material
from soft_tactile_node.physics.coil_loss import coil_resistance
from soft_tactile_node.physics.composite import bruggeman, maxwell_garnett
from soft_tactile_node.physics.demagnetisation import demagnetised_response
from soft_tactile_node.physics.elastomer import block_force_formula, shape_factor_disc
from soft_tactile_node.physics.iron_disc import (
    CoilField,
    DiscResponse,
    MagneticDisc,
    board_inductance_change,
)
from soft_tactile_node.physics.resonator import resonance_frequency
from soft_tactile_node.physics.spiral import SpiralCoil, inductance_rings, mutual_spirals

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

COMBINATIONS = np.array([[1, 1, 1, 1], [1, 1, -1, -1], [1, -1, 1, -1]], dtype=float)
"""Normal, x and y signal from coils 1 to 4: tip +y, tip -y, root +y, root -y (1)."""


@dataclass(frozen=True)
class CushionMechanics:
    """How the disc moves in its silicone.

    Attributes
    ----------
    radius_m, gap_m : float
        Radius and rest thickness of the silicone below the disc (m).
    lever_m : float
        Height of the touched surface above the lower face of the disc (m).
    modulus_pa : float
        Long-term Young's modulus (Pa).
    """

    radius_m: float
    gap_m: float
    lever_m: float
    modulus_pa: float

    @property
    def area_m2(self) -> float:
        """Loaded area (m^2)."""
        return math.pi * self.radius_m**2

    @property
    def shape_factor(self) -> float:
        """Shape factor (1)."""
        return shape_factor_disc(2.0 * self.radius_m, self.gap_m)

    def compression_m(self, force_n: float) -> float:
        """Return how far a normal force brings the disc down.

        Parameters
        ----------
        force_n : float
            Normal force (N), >= 0.

        Returns
        -------
        float
            Compression (m), below the gap.

        Notes
        -----
        Source: bonded block, Gent & Lindley (1959) (recalled); see `elastomer.block_force_formula`.
        """
        if force_n <= 0.0:
            return 0.0

        def excess(u: float) -> float:
            return block_force_formula(self.modulus_pa, self.area_m2, self.gap_m, self.shape_factor, u) - force_n

        top = 0.94 * self.gap_m
        return float(brentq(excess, 0.0, top, xtol=1e-10)) if excess(top) > 0.0 else top

    def shear_pose(self, force_n: float) -> tuple[float, float]:
        """Return shift (m) and tilt (rad) of the disc under a shear force at the surface.

        Parameters
        ----------
        force_n : float
            Shear force (N).

        Returns
        -------
        tuple of float
            Shift along the force (m), tilt that lowers the leading edge (rad).

        Notes
        -----
        Source: shear stiffness G A/t; tilting stiffness E (1 + 2/3 S^2) I/t of a bonded round block, A. N. Gent, E. A.
        Meinecke, Polym. Eng. Sci. 10 (1970) 48 (recalled).
        """
        shift = force_n * self.gap_m / (self.modulus_pa / 3.0 * self.area_m2)
        inertia = math.pi * self.radius_m**4 / 4.0
        stiffness = self.modulus_pa * (1.0 + 2.0 / 3.0 * self.shape_factor**2) * inertia / self.gap_m
        return shift, force_n * self.lever_m / stiffness


@dataclass(frozen=True)
class DiscPadModel:
    """Coils, disc and silicone of one design, ready to be asked for inductances.

    Attributes
    ----------
    pad : IronDiscPad
        The description.
    coil : SpiralCoil
        Each coil.
    disc : MagneticDisc
        The disc.
    field : CoilField
        Field of a coil.
    response : DiscResponse
        The disc's answer.
    mechanics : CushionMechanics
        The silicone.
    relative_permeability : float
        Of the composite (1).
    """

    pad: IronDiscPad
    coil: SpiralCoil
    disc: MagneticDisc
    field: CoilField
    response: DiscResponse
    mechanics: CushionMechanics
    relative_permeability: float

    @property
    def surface_m(self) -> float:
        """Height of the pad surface above the coils (m)."""
        cushion = self.pad.cushion
        return self.pad.coil.cover_m + cushion.gap_m + self.pad.disc.thickness_m + cushion.skin_m

    def changes(
        self, normal_n: Array, shear_n: Array, offset_m: tuple[float, float] = (0.0, 0.0), lower_m: float = 0.0
    ) -> ComplexArray:
        """Return the complex inductance change of each coil by the disc.

        Parameters
        ----------
        normal_n : numpy.ndarray, shape (n,)
            Normal forces (N).
        shear_n : numpy.ndarray, shape (n, 2)
            Shear forces along x and y (N).
        offset_m : tuple of float
            Misplacement of the disc along x and y (m).
        lower_m : float
            Lowering of the disc by something else than force (m).

        Returns
        -------
        numpy.ndarray of complex, shape (n, 4)
            Change (H); imaginary part -dR/w.
        """
        down = np.array([self.mechanics.compression_m(float(f)) for f in normal_n])
        poses = [[self.mechanics.shear_pose(float(f)) for f in row] for row in shear_n]
        shift, tilt = (np.array([[one[k] for one in row] for row in poses]) for k in (0, 1))
        height = self.pad.coil.cover_m + self.pad.cushion.gap_m + 0.5 * self.pad.disc.thickness_m - down - lower_m
        tilt = tilt * self.tilt_share(down + lower_m, tilt)[:, None]
        centre = np.stack([offset_m[0] + shift[:, 0], offset_m[1] + shift[:, 1], height], axis=-1)
        # a force along x tilts about +y, one along y about -x
        matrices = board_inductance_change(
            self.response, self.field, self.centres_m, centre, np.stack([-tilt[:, 1], tilt[:, 0]], axis=-1)
        )
        return np.asarray(np.diagonal(matrices, axis1=-2, axis2=-1))

    def tilt_share(self, lowered_m: Array, tilt_rad: Array) -> Array:
        """Return the share of its tilt that a disc can take before its edge touches the board.

        Parameters
        ----------
        lowered_m : numpy.ndarray, shape (n,)
            How far the disc has come down (m).
        tilt_rad : numpy.ndarray, shape (n, 2)
            Tilts that the shear forces ask for (rad).

        Returns
        -------
        numpy.ndarray, shape (n,)
            Share (1), 1 = free.
        """
        room = np.maximum(self.pad.cushion.gap_m - lowered_m - 0.02e-3, 0.0) / self.pad.disc.radius_m
        wanted = np.hypot(*tilt_rad.T)
        return np.asarray(np.minimum(1.0, room / np.maximum(wanted, 1e-12)))

    @property
    def centres_m(self) -> Array:
        """Centres of the coils (m), shape (4, 2)."""
        half = 0.5 * self.pad.spacing_m
        return np.array([[half, half], [half, -half], [-half, half], [-half, -half]])


def build_model(design: Design, turns: int) -> DiscPadModel:
    """Return the model of a design with a given number of turns.

    Parameters
    ----------
    design : Design
        The design; its pad is an iron-disc pad.
    turns : int
        Turns of one layer (1).

    Returns
    -------
    DiscPadModel
        The model.
    """
    pad = design.pad
    assert isinstance(pad, IronDiscPad)
    powder: Powder = find_material(design, pad.disc.powder, Powder, "pad.disc.powder")
    silicone: Silicone = find_material(design, pad.cushion.silicone, Silicone, "pad.cushion.silicone")
    mu = pad.disc.relative_permeability
    if mu is None:
        mixing = maxwell_garnett if pad.disc.mixing == "maxwell_garnett" else bruggeman
        mu = float(mixing(pad.disc.fraction, powder.relative_permeability))
    chi = mu - 1.0
    disc = MagneticDisc(pad.disc.radius_m, pad.disc.thickness_m, chi, chi * powder.loss_tangent)
    coil = pad.coil.spiral(turns)
    top = pad.coil.cover_m + pad.cushion.gap_m + 2.0 * pad.disc.thickness_m + pad.disc.radius_m
    low = pad.coil.cover_m + 0.01e-3
    mechanics = CushionMechanics(
        pad.cushion.radius_m or pad.disc.radius_m,
        pad.cushion.gap_m,
        pad.disc.thickness_m + pad.cushion.skin_m,
        silicone.modulus_pa,
    )
    shift, _ = mechanics.shear_pose(design.load.shear_n)
    reach = math.sqrt(0.5) * pad.spacing_m + pad.disc.radius_m + shift + design.load.misplacement_m + 0.1e-3
    # close to the coils the field varies over a length like the gap: as many orders as that takes around the rim
    orders = min(max(6, math.ceil(3.0 * disc.radius_m / (pad.coil.cover_m + pad.cushion.gap_m))), 18)
    response = demagnetised_response(disc, rings=20, orders=orders, nodes=8)
    return DiscPadModel(pad, coil, disc, CoilField(coil, low, top, reach, steps=72), response, mechanics, mu)


def evaluate_iron_disc(design: Design) -> DesignFigures:
    """Return the figures of an iron-disc pad.

    Parameters
    ----------
    design : Design
        The design; its pad is an iron-disc pad.

    Returns
    -------
    DesignFigures
        Its figures.
    """
    pad, load = design.pad, design.load
    assert isinstance(pad, IronDiscPad)
    tank_f = design.readout.capacitance_f

    def air_frequency(turns: int) -> float:
        return float(resonance_frequency(inductance_rings(pad.coil.spiral(turns)), tank_f))

    turns = pad.coil.turns or choose_turns(air_frequency, float(pad.frequency_hz or 0.0))
    model = build_model(design, turns)
    copper: Conductor = find_material(design, pad.coil.conductor, Conductor, "pad.coil.conductor")
    silicone: Silicone = find_material(design, pad.cushion.silicone, Silicone, "pad.cushion.silicone")

    force = np.linspace(0.0, load.normal_n, load.points)
    no_shear = np.zeros((force.size, 2))
    curve = model.changes(force, no_shear)
    air = float(inductance_rings(model.coil))
    inductance = air + float(np.mean(curve[0].real))
    frequency = float(resonance_frequency(inductance, tank_f))
    omega = 2.0 * math.pi * frequency
    resistance = coil_resistance(model.coil, frequency, resistivity_ohm_m=copper.resistivity_ohm_m)
    resistance -= omega * float(np.mean(curve[0].imag))
    frequency = tank_frequency(inductance, tank_f, resistance)
    noise = reading_noise(design.readout, inductance, resistance)
    combined_noise = 2.0 * noise.inductance_h  # four independent coils, each with weight one
    normal = _combine(curve)[:, 0]
    normal = normal - normal[0]
    slope = zero_slope(force, normal)
    shear_force, shear = _shear_curve(model, design)
    centred, misplaced = (_crosstalk(model, design, offset) for offset in (0.0, load.misplacement_m))
    lower = _bend_lowering(model, design)
    bend = float(_combine(model.changes(np.zeros(1), np.zeros((1, 2)), lower_m=lower) - curve[:1])[0, 0])
    aside = (load.misplacement_m, 0.0)
    moved = _combine(model.changes(force[[0, 1, 2, -1]], no_shear[:4], aside))[:, 0]
    bent_aside = _combine(model.changes(np.zeros(1), no_shear[:1], aside, lower_m=lower))[0, 0]
    span = float(normal[-1])
    stand_offs = {}
    for plate in design.surroundings:
        metal: Conductor = find_material(design, plate.conductor, Conductor, "surroundings")
        stand_offs[plate.name] = stand_off(
            lambda z, plate=plate, metal=metal: 4.0 * plate_change(model.coil, plate, metal, z, frequency),  # type: ignore[misc]
            model.surface_m,
            load.detection_n * abs(slope),
        )
    neighbour = mutual_spirals(model.coil, model.coil, (pad.spacing_m, 0.0, 0.0), points=64) / inductance
    down = np.array([model.mechanics.compression_m(0.5 * load.normal_n)])
    tilt = np.array([[0.0, model.mechanics.shear_pose(load.shear_n)[1]]])
    extra = {
        "relative_permeability": model.relative_permeability,
        "gap_at_full_scale_m": pad.cushion.gap_m - model.mechanics.compression_m(load.normal_n),
        "rest_change_percent": 100.0 * float(np.mean(curve[0].real)) / air,
        "shear_before_edge_n": load.shear_n * float(model.tilt_share(down, tilt)[0]),
        "neighbour_coupling": neighbour,
        "disc_loss_ohm": -omega * float(np.mean(curve[0].imag)),
    }
    figures = DesignFigures(
        variant="iron_disc",
        turns=turns,
        frequency_hz=frequency,
        inductance_h=inductance,
        resistance_ohm=resistance,
        noise=noise,
        force_n=force,
        normal_h=normal,
        normal_noise_h=combined_noise,
        shear_force_n=shear_force,
        shear_h=shear,
        sensitivity_h_n=slope,
        sensitivity_percent_n=100.0 * slope / (4.0 * inductance),
        monotonic_range_n=monotonic_range(force, normal),
        snr_db=decibel(span / combined_noise),
        snr_shear_db=decibel(float(shear[-1]) / combined_noise),
        bend_h=bend,
        bend_apparent_n=abs(bend / slope),
        bend_worst_n=max(abs(bend / slope), abs((bent_aside - moved[0]) / zero_slope(force[:3], moved[:3]))),
        crosstalk_percent=centred,
        crosstalk_misplaced_percent=misplaced,
        hysteresis_percent=hysteresis_percent(load, silicone, force, normal),
        misplaced_gain_percent=100.0 * ((float(moved[3] - moved[0])) / span - 1.0),
        stand_off_m=stand_offs,
        extra=extra,
    )
    return describe_limits(figures, pad, load, find_material(design, pad.disc.powder, Powder, "pad.disc.powder"))


def _combine(changes: ComplexArray) -> Array:
    """Return normal, x and y signal (n, 3) (H) from the coils' changes (n, 4) (H)."""
    return np.asarray(changes.real @ COMBINATIONS.T)


def _shear_curve(model: DiscPadModel, design: Design) -> tuple[Array, Array]:
    """Return shear forces (N) and the x signal (H) at half the full normal load."""
    load = design.load
    force = np.linspace(0.0, load.shear_n, max(5, load.points // 2))
    shear = np.stack([force, np.zeros_like(force)], axis=-1)
    signal = _combine(model.changes(np.full_like(force, 0.5 * load.normal_n), shear))[:, 1]
    return force, signal - signal[0]


def _crosstalk(model: DiscPadModel, design: Design, offset_m: float) -> Array:
    """Return the cross-talk table (3, 3) (%): row combination, column load."""
    load = design.load
    half = 0.5 * load.normal_n
    normal = np.array([0.0, load.normal_n, half, half, half])
    shear = np.array([[0, 0], [0, 0], [0, 0], [load.shear_n, 0], [0, load.shear_n]], dtype=float)
    signals = _combine(model.changes(normal, shear, (offset_m, 0.0)))
    by_load = np.stack([signals[1] - signals[0], signals[3] - signals[2], signals[4] - signals[2]], axis=1)
    return np.asarray(100.0 * by_load / np.diag(by_load)[:, None])


def _bend_lowering(model: DiscPadModel, design: Design) -> float:
    """Return how far bending lowers the disc over the coils (m).

    The pad lies on the concave side: it is compressed along the finger by h b/s and thickens by half of that
    (incompressible, free sideways). A board that bends with the finger lifts the coils, which lie off its middle, by
    x^2 b/(2 s) towards a disc that stays flat.
    """
    finger = design.finger
    strain = finger.neutral_height_m / finger.arc_length_m * finger.bend_rad
    lift = (
        0.5 * (0.5 * model.pad.spacing_m) ** 2 * finger.bend_rad / finger.arc_length_m if finger.flexible_board else 0.0
    )
    return lift - 0.5 * strain * model.pad.cushion.gap_m
