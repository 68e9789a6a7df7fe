"""Figures that a verdict on a calibration needs beside the figures of merit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.ndimage import uniform_filter1d

from soft_tactile_node.calibration.map_fit import CONTACT_N
from soft_tactile_node.calibration.preparation import Prepared
from soft_tactile_node.calibration.press import smooth_force
from soft_tactile_node.calibration.record import Calibration, Figure
from soft_tactile_node.calibration.touch_fit import TouchFit
from soft_tactile_node.estimation.pipeline import Estimator
from soft_tactile_node.recordings import Recording
from soft_tactile_node.samples import Array

AXES = ("x", "y", "z")

RISING_N_S = 0.4
"""Force that changes faster than this is a loading or an unloading branch (N/s)."""


def protocol_figures(pressed: Sequence[Prepared], touch: TouchFit, axes: int, scale_pa: float) -> dict[str, Figure]:
    """Return how much of the protocol the presses hold, and what a constant zero scores for shear.

    Parameters
    ----------
    pressed : sequence of Prepared
        Press recordings.
    touch : TouchFit
        Held-out rows and their reference.
    axes : int
        Observed axes, 1 or 3.
    scale_pa : float
        Highest calibrated pressure (gauge Pa).

    Returns
    -------
    dict of str to Figure
        `unloading`, `press_pressure`, and `shear_x_zero`, `shear_y_zero` where shear is observed.
    """
    highest = max(float(np.max(p.pressure_pa[smooth_force(p)[:, 2] > 0.1], initial=0.0)) for p in pressed)
    figures = {
        "unloading": Figure(
            value=float(f"{unloading_share(pressed):.3g}"),
            unit="1",
            definition="time of slow unloading over time of slow loading in the press recordings",
        ),
        "press_pressure": Figure(
            value=float(f"{100.0 * highest / scale_pa:.3g}"),
            unit="%",
            definition="highest pressure of a press over the highest of the free bend",
        ),
    }
    contact = np.linalg.norm(touch.force_n, axis=1) > CONTACT_N
    for axis, name in enumerate(AXES[:2] if axes == 3 else ()):
        zero = float(np.sqrt(np.mean(touch.force_n[contact, axis] ** 2)))
        figures[f"shear_{name}_zero"] = Figure(
            value=float(f"{zero:.4g}"),
            unit="N",
            definition=f"what a constant zero scores for force_{name}, pressed",
        )
    return figures


def unloading_share(pressed: Sequence[Prepared]) -> float:
    """Return the time of slow unloading of `pressed` over that of slow loading (1): about 1 for even presses."""
    falling = rising = 0
    for item in pressed:
        # a release within a scan or two is no branch: as rows count, unloading must take its share of the time
        step_s = float(np.median(np.diff(item.time_s)))
        width = max(1, round(0.1 / step_s))
        rate_n_s = np.gradient(uniform_filter1d(smooth_force(item)[:, 2], width)) / step_s
        falling += int(np.count_nonzero(rate_n_s < -RISING_N_S))
        rising += int(np.count_nonzero(rate_n_s > RISING_N_S))
    return falling / max(rising, 1)


def replayed_figures(record: Calibration, press: Sequence[Recording]) -> dict[str, Figure]:
    """Return how honest the stated variance is when the estimator itself runs over the press recordings.

    The estimator has to find the contacts and its zero by itself, which the held-out rows of the fit do not ask of it;
    a contact that it misses is a force of zero with the variance of a free finger.

    Parameters
    ----------
    record : Calibration
        The calibration, figures apart.
    press : sequence of Recording
        Its press recordings.

    Returns
    -------
    dict of str to Figure
        `within_two_sigma_x`, `_y`, `_z` for the observed axes.
    """
    within: list[Array] = []
    for recording in press:
        assert recording.force_n is not None
        table, _ = Estimator(record).replay(recording)
        touched = np.linalg.norm(recording.force_n, axis=1) >= CONTACT_N
        rows = touched & np.isfinite(table.force_n[:, 2]) & (recording.time_s > recording.time_s[0] + 1.0)
        error = (table.force_n - recording.force_n)[rows]
        within.append(error**2 <= 4.0 * table.force_variance_n2[rows])
    share = np.concatenate(within).mean(axis=0)
    return {
        f"within_two_sigma_{name}": Figure(
            value=float(f"{share[axis]:.4g}"),
            unit="1",
            definition=f"share of pressed samples whose force_{name} is within two stated standard deviations",
        )
        for axis, name in enumerate(AXES)
        if record.force_map.axes == 3 or name == "z"
    }
