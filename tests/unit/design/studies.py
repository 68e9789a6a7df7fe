"""Small studies for tests: one pad of each variant, as plain data."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

from soft_tactile_node.design.conditions import Tolerances
from soft_tactile_node.design.schema import Design

AS_DRAWN = {"gap_m": 0.0, "thickness_m": 0.0}
"""No tolerances: the corners of a tolerance are four more designs to work out, and most tests ask for the one drawn."""

SHIPPED = Path(__file__).resolve().parents[3] / "shared" / "studies"

IRON_DISC: dict[str, Any] = {
    "pad": {
        "variant": "iron_disc",
        "spacing_m": 6.4e-3,
        "coil": {"inner_radius_m": 0.8e-3, "outer_radius_m": 3.0e-3, "turns": 9, "layers": 2},
        "disc": {"radius_m": 4.0e-3, "thickness_m": 2.0e-3, "fraction": 0.35},
        "cushion": {"gap_m": 2.0e-3, "skin_m": 1.5e-3, "silicone": "soft_silicone"},
    },
    "readout": {"capacitance_f": 470.0e-12},
    "load": {"points": 11},
    "tolerances": AS_DRAWN,
}

LIQUID_METAL: dict[str, Any] = {
    "pad": {
        "variant": "liquid_metal",
        "frequency_hz": 1.2e6,
        "coil": {"inner_radius_m": 2.0e-3, "outer_radius_m": 9.0e-3, "layers": 6},
        "press_cell": {"diameter_m": 9.0e-3, "roof_m": 2.5e-3, "load_share": 0.6},
        "coil_cell": {"diameter_m": 16.0e-3, "wall_m": 0.7e-3, "film_m": 0.06e-3, "roof_m": 5.0e-3},
        "cells_apart_m": 18.0e-3,
        "silicone": "firm_silicone",
    },
    "load": {"points": 11},
    "tolerances": AS_DRAWN,
}


def as_drawn(design: Design) -> Design:
    """Return a design without its tolerances."""
    return design.model_copy(update={"tolerances": Tolerances(**AS_DRAWN)})


def changed(study: dict[str, Any], **keys: Any) -> dict[str, Any]:
    """Return a copy of a study with keys set; two underscores stand for a dot."""
    out = copy.deepcopy(study)
    for key, value in keys.items():
        here = out
        *groups, last = key.split("__")
        for group in groups:
            here = here.setdefault(group, {})
        here[last] = value
    return out
