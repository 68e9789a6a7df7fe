"""A pad of four coils below a disc of magnetic composite: what a study says of it, and how it moves and responds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator
from scipy.optimize import brentq

from soft_tactile_node.design.materials import Positive, Powder, Silicone, Strict
from soft_tactile_node.design.schema import Design, PadShape, rule
from soft_tactile_node.design.study_file import find_material
from soft_tactile_node.physics.composite import bruggeman, maxwell_garnett
from soft_tactile_node.physics.demagnetisation import demagnetised_response
from soft_tactile_node.physics.elastomer import block_force_formula, shape_factor_disc
from soft_tactile_node.physics.iron_disc import CoilField, DiscResponse, MagneticDisc, board_inductance_change
from soft_tactile_node.physics.spiral import SpiralCoil

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


class Disc(Strict):
    """The disc of magnetic composite.

    Attributes
    ----------
    radius_m, thickness_m : float
        Radius and thickness (m).
    powder : str
        Name of a powder.
    fraction : float
        Volume fraction of the powder (1).
    mixing : str
        `maxwell_garnett` (well dispersed spheres, the lower bound) or `bruggeman`.
    relative_permeability : float or None
        Measured relative permeability of the composite (1); None = from the powder.
    """

    radius_m: Positive
    thickness_m: Positive
    powder: str = "iron"
    fraction: Annotated[float, Field(gt=0.0, le=0.6)] = 0.3
    mixing: Literal["maxwell_garnett", "bruggeman"] = "maxwell_garnett"
    relative_permeability: Annotated[float, Field(gt=1.0)] | None = None


class Cushion(Strict):
    """The silicone below and above the disc.

    Attributes
    ----------
    gap_m : float
        Silicone between the coils' cover and the disc at rest (m).
    skin_m : float
        Silicone above the disc (m).
    radius_m : float or None
        Radius of the part that carries the load (m); None = the disc's.
    silicone : str
        Name of a silicone.
    """

    gap_m: Positive
    skin_m: Positive = 1.0e-3
    radius_m: Positive | None = None
    silicone: str = "soft_silicone"


class IronDiscPad(PadShape):
    """Four flat coils in a square below a disc of magnetic composite.

    Attributes
    ----------
    spacing_m : float
        Distance of neighbouring coil centres (m), at least a coil's diameter.
    disc : Disc
        The disc.
    cushion : Cushion
        The silicone.
    """

    spacing_m: Positive
    disc: Disc
    cushion: Cushion

    @model_validator(mode="after")
    def _check_spacing(self) -> IronDiscPad:
        if self.spacing_m < 2.0 * self.coil.outer_radius_m:
            need = f"must be >= the coil's diameter {2.0 * self.coil.outer_radius_m:g}"
            raise rule("spacing_m", need, self.spacing_m)
        return self


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
        """Return the share of each tilt (1), shape (n,), that a lowered disc takes before its edge meets the board."""
        room = np.maximum(self.pad.cushion.gap_m - lowered_m - 0.02e-3, 0.0) / self.pad.disc.radius_m
        wanted = np.hypot(*tilt_rad.T)
        return np.asarray(np.minimum(1.0, room / np.maximum(wanted, 1e-12)))

    @property
    def centres_m(self) -> Array:
        """Centres of the coils (m), shape (4, 2)."""
        half = 0.5 * self.pad.spacing_m
        return np.array([[half, half], [half, -half], [-half, half], [-half, -half]])


def build_model(design: Design, turns: int) -> DiscPadModel:
    """Return the model of `design`, an iron-disc pad, with so many `turns` of one layer (1)."""
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
