"""Elastomer mechanics: bonded blocks."""

from __future__ import annotations

from soft_tactile_node.compiled import compiled


@compiled
def block_force_formula(
    modulus_pa: float, area_m2: float, thickness_m: float, shape_factor: float, compression_m: float
) -> float:
    """Return the normal force (N) of a bonded block pressed by compression_m (m, < thickness): stiffening neo-Hookean.

    F = A E (1 + 2 S(l)^2)/3 (l^-2 - l), l = 1 - compression/thickness, S growing as S0 / l^1.5 (the bonded area stays,
    the free side grows): the bonded-block stiffness E (1 + 2 S^2) A/t at small strain. Negative compression pulls.

    Notes
    -----
    Source: A. N. Gent, P. B. Lindley, Proc. IMechE 173 (1959) 111-122 (recalled) for the small-strain stiffness; the
    large-strain form is the neo-Hookean one of Treloar with the shape factor of the deformed block (own combination).
    """
    stretch = max(1.0 - compression_m / thickness_m, 0.05)
    shape = shape_factor / stretch**1.5
    stress = modulus_pa * (1.0 + 2.0 * shape * shape) / 3.0 * (1.0 / (stretch * stretch) - stretch)
    return float(area_m2 * stress)


def shape_factor_disc(diameter_m: float, thickness_m: float) -> float:
    """Return the shape factor D/(4 t) of a bonded disc: loaded area over free area.

    Parameters
    ----------
    diameter_m, thickness_m : float
        Diameter and thickness (m), > 0.

    Returns
    -------
    float
        Shape factor (1).

    Notes
    -----
    Source: A. N. Gent, P. B. Lindley, Proc. IMechE 173 (1959) 111-122 (recalled).
    """
    return diameter_m / (4.0 * thickness_m)
