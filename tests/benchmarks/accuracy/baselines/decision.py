"""Contact from a force by two thresholds and a minimum time, and the table a baseline writes."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from baselines.models import MODELS
from baselines.signals import TARE_S
from soft_tactile_node.compiled import compiled
from soft_tactile_node.recordings import EstimateTable
from soft_tactile_node.samples import Flag

Array = NDArray[np.float64]

MINIMUM_TIME_S = 0.004
RELEASE_SHARE = 0.6
FILE = Path(__file__).with_name("thresholds.json")

CANDIDATES_N = (0.03, 0.04, 0.05, 0.07, 0.1, 0.14, 0.2, 0.28, 0.4, 0.6, 1.0)


def load_thresholds() -> dict[str, dict[str, float]]:
    """Contact threshold (N) of each baseline by pad.

    `run.py --choose-thresholds` writes them: of the candidates the one with the best F1 on light touches less 0.1 per
    false alarm a minute, on development fingers.
    """
    return {pad: {**dict.fromkeys(MODELS, 0.1), **chosen} for pad, chosen in json.loads(FILE.read_text()).items()}


def save_thresholds(chosen: dict[str, dict[str, float]]) -> None:
    """Write the thresholds of the pads given; the others stay."""
    FILE.write_text(json.dumps({**json.loads(FILE.read_text()), **chosen}, indent=2) + "\n")


@compiled
def switch(force, time, high, low, minimum):  # type: ignore[no-untyped-def]
    """In contact once the force was above `high` for `minimum` s, until it falls below `low`."""
    out = np.zeros(len(force), dtype=np.bool_)
    state = False
    since = -1.0
    for k in range(len(force)):
        if state:
            state = force[k] > low
            since = -1.0
        elif force[k] > high:
            if since < 0:
                since = time[k]
            state = time[k] - since >= minimum
        else:
            since = -1.0
        out[k] = state
    return out


def make_table(
    name: str, time_s: Array, force: Array, sigma: Array, threshold_n: float, channels: int = 4
) -> EstimateTable:
    """Estimate table of a baseline: rows of the tare have no force, one channel observes only the normal force."""
    tare = time_s < time_s[0] + TARE_S
    contact = switch(force[:, 2], time_s, threshold_n, RELEASE_SHARE * threshold_n, MINIMUM_TIME_S)
    if name == "always in contact":
        contact[:] = True
    contact &= ~tare
    force = np.where(tare[:, None], np.nan, force)
    if channels == 1:
        force[:, :2] = np.nan
    return EstimateTable(
        time_s=time_s,
        force_n=force,
        force_variance_n2=np.where(np.isnan(force), np.nan, np.broadcast_to(sigma**2, force.shape)),
        contact_probability=contact.astype(float),
        in_contact=contact,
        bend_rad=np.full(len(time_s), np.nan),
        flags=np.where(tare, int(Flag.TARE), 0),
    )


def change_threshold(table: EstimateTable, threshold_n: float) -> EstimateTable:
    """The same estimate with contact decided by another threshold."""
    force = np.nan_to_num(table.force_n[:, 2])
    contact = switch(force, table.time_s, threshold_n, RELEASE_SHARE * threshold_n, MINIMUM_TIME_S)
    return replace(table, in_contact=contact, contact_probability=contact.astype(float))
