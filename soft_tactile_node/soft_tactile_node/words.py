"""Words a user picks from on the command line; they stand here alone so that its help loads nothing else."""

from __future__ import annotations

SCENARIO_LENGTHS_S = {
    "free-bend": 180.0,
    "press": 290.0,
    "ramps": 120.0,
    "pick-bun": 60.0,
    "pick-roll": 60.0,
    "pick-jar": 60.0,
    "light-touch": 60.0,
    "hold": 80.0,
    "warm-up": 120.0,
}
"""Scenarios of the simulated finger, each with its own length (s)."""

SCENARIOS = tuple(SCENARIO_LENGTHS_S)
"""Names of the scenarios."""

SETTINGS = ("light", "sure")
"""Detection settings of the estimator."""
