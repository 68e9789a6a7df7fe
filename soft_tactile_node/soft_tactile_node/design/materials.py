"""Materials a study can name. Values are typical of the trade; a study may bring its own under `materials`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from soft_tactile_node.physics.coil_loss import COPPER_RESISTIVITY_OHM_M
from soft_tactile_node.physics.liquid_metal import GALLIUM_INDIUM_RESISTIVITY_OHM_M
from soft_tactile_node.physics.two_cells import ALLOY_DENSITY_KG_M3, ALLOY_VISCOSITY_PA_S

Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0.0, le=1.0, allow_inf_nan=False)]


class Strict(BaseModel):
    """A part of a study: unknown keys and values that are not finite are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Conductor(Strict):
    """A metal.

    Attributes
    ----------
    kind : str
        `conductor`.
    resistivity_ohm_m : float
        Resistivity (ohm m).
    relative_permeability : float
        Relative permeability (1).
    density_kg_m3, viscosity_pa_s : float
        Density (kg/m^3) and, for a liquid, dynamic viscosity (Pa s); 0 = solid.
    """

    kind: Literal["conductor"] = "conductor"
    resistivity_ohm_m: Positive
    relative_permeability: Positive = 1.0
    density_kg_m3: Positive = 8960.0
    viscosity_pa_s: NotNegative = 0.0


class Silicone(Strict):
    """A silicone rubber: a standard linear solid.

    Attributes
    ----------
    kind : str
        `silicone`.
    modulus_pa : float
        Long-term Young's modulus (Pa).
    branch_share : float
        Relaxing part of the modulus over the long-term one (1).
    relaxation_s : float
        Relaxation time (s).
    """

    kind: Literal["silicone"] = "silicone"
    modulus_pa: Positive
    branch_share: NotNegative = 0.1
    relaxation_s: Positive = 2.0


class Powder(Strict):
    """A magnetic powder.

    Attributes
    ----------
    kind : str
        `powder`.
    relative_permeability : float
        Relative permeability of a particle (1).
    saturation_t : float
        Saturation flux density of a particle (T).
    loss_tangent : float
        Loss tangent of the composite's susceptibility (1).
    """

    kind: Literal["powder"] = "powder"
    relative_permeability: Annotated[float, Field(gt=1.0, allow_inf_nan=False)]
    saturation_t: Positive = 2.0
    loss_tangent: NotNegative = 0.0


Material = Annotated[Conductor | Silicone | Powder, Field(discriminator="kind")]

MATERIALS: dict[str, Conductor | Silicone | Powder] = {
    # IEC 60028 for copper; Zrnic & Swatik (1969) and Dickey et al. (2008) for the alloy (recalled); the rest data-sheet
    # values, common practice, no single source
    "copper": Conductor(resistivity_ohm_m=COPPER_RESISTIVITY_OHM_M),
    "aluminium": Conductor(resistivity_ohm_m=2.8e-8, density_kg_m3=2700.0),
    "steel": Conductor(resistivity_ohm_m=1.4e-7, relative_permeability=100.0, density_kg_m3=7850.0),
    "gallium_indium": Conductor(
        resistivity_ohm_m=GALLIUM_INDIUM_RESISTIVITY_OHM_M,
        density_kg_m3=ALLOY_DENSITY_KG_M3,
        viscosity_pa_s=ALLOY_VISCOSITY_PA_S,
    ),
    "gel_silicone": Silicone(modulus_pa=0.05e6, branch_share=0.15, relaxation_s=2.0),
    "soft_silicone": Silicone(modulus_pa=0.10e6, branch_share=0.12, relaxation_s=2.0),
    "medium_silicone": Silicone(modulus_pa=0.30e6, branch_share=0.10, relaxation_s=2.0),
    "firm_silicone": Silicone(modulus_pa=0.90e6, branch_share=0.08, relaxation_s=2.0),
    "iron": Powder(relative_permeability=1000.0, saturation_t=2.15, loss_tangent=0.01),
    "ferrite": Powder(relative_permeability=2000.0, saturation_t=0.45, loss_tangent=0.005),
}
"""Materials by name."""
