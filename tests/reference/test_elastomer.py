"""Group G: bonded blocks of rubber."""

import math

from soft_tactile_node.physics.elastomer import block_force_formula, shape_factor_disc

GENT = "Gent & Lindley 1959 [NUM][form SEEN in Stroj. vestnik 60 (2014) 506]"
MM, MPA = 1e-3, 1e6


def test_bonded_disc(table):
    """G4: bonded disc; the large-strain law starts with the apparent modulus E (1 + 2 S^2)."""
    shape = shape_factor_disc(10 * MM, 2 * MM)
    area = math.pi * (5 * MM) ** 2
    table.close("G4 shape factor", shape, 1.25, GENT, rtol=1e-12)
    step = 1e-9
    start = block_force_formula(0.3 * MPA, area, 2 * MM, shape, step) / step
    table.close("G4 stiffness (N/m)", start, 48596.5, GENT, rtol=1e-5)
