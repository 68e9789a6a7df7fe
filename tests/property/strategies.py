"""All Hypothesis strategies of the physics tests."""

from __future__ import annotations

import numpy as np
from hypothesis import strategies as st

from soft_tactile_node.physics.spiral import SpiralCoil

lengths = st.floats(1e-3, 0.1)
"""Radii and distances (m) a pad could have, with room to spare."""

offsets = st.floats(-0.05, 0.05)
"""Signed distances (m)."""

scales = st.floats(0.05, 20.0)
"""Factors by which a geometry is scaled (1)."""

ratios = st.floats(1.2, 5.0)
"""Distances over the sum of radii (1): apart, but not far."""

angles = st.floats(-1.4, 1.4)
"""Tilts (rad) short of a quarter turn."""

any_angles = st.floats(-3.1, 3.1)
"""Angles (rad)."""

frequencies = st.floats(1e4, 2e7)
"""Frequencies of a tank (Hz)."""

vectors = st.tuples(*[st.floats(-5.0, 5.0)] * 3).map(np.array)
"""Forces, torques, places (N, N m, m)."""


@st.composite
def spirals(draw: st.DrawFn) -> SpiralCoil:
    """A coil of a few turns."""
    inner = draw(st.floats(0.5e-3, 4e-3))
    return SpiralCoil(inner, inner * draw(st.floats(1.3, 4.0)), draw(st.integers(1, 8)))
