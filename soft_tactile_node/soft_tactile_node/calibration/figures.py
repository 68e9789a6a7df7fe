"""Figures of merit of a finger, from held-out residuals of its own calibration recordings.

Definitions: hysteresis, non-linearity and repeatability after IEC 61298-2:2008 (wording from memory); signal-to-noise
ratio as peak response over rms noise, 20 log10; standard uncertainties after JCGM 100:2008 (GUM), block-wise because
samples are correlated.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from soft_tactile_node.calibration.bending_fit import BendingFit
from soft_tactile_node.calibration.pad_fit import PadFit
from soft_tactile_node.calibration.preparation import Prepared
from soft_tactile_node.calibration.record import Figure
from soft_tactile_node.calibration.wander import white_noise
from soft_tactile_node.samples import Array


def figures_of_merit(free: Sequence[Prepared], bending: BendingFit, pad: PadFit) -> dict[str, Figure]:
    """Return the figures of merit.

    Parameters
    ----------
    free : sequence of Prepared
        The free-bend recordings.
    bending, pad : BendingFit, PadFit
        The fits.

    Returns
    -------
    dict of str to Figure
        By name; a figure the recordings cannot give is left out.
    """
    departure = np.vstack(pad.departures)
    good = np.isfinite(departure).all(axis=1)
    force = pad.force_n[good]
    departure = departure[good]
    residual = pad.residual[good]
    gain = _normal_gain(departure, force)
    apparent = departure @ gain
    error = residual @ gain
    noise = float(np.sqrt(gain @ white_noise(free[0].change) @ gain))
    span = float(np.quantile(force[:, 2], 0.9995))
    bend_error = np.concatenate([r[np.isfinite(r).all(axis=1)] for r in bending.residuals]) @ gain
    bend_signal = np.concatenate([p.change[np.isfinite(p.change).all(axis=1)] for p in free]) @ gain
    figures = {
        "sensitivity": _figure(
            1.0 / max(float(np.linalg.norm(gain)), 1e-300),
            None,
            "1/N",
            "length of the channels' change per newton of force_z",
        ),
        "resolution": _figure(noise, None, "N", "standard deviation of one scan, as normal force"),
        "snr": _figure(
            20.0 * np.log10(max(np.ptp(apparent), 1e-300) / max(noise, 1e-300)),
            None,
            "dB",
            "peak response over rms noise",
        ),
        "force_error": _figure(
            *_rms_with_uncertainty(error), "N", "held-out rms error of the pad model, as normal force"
        ),
        "bending_error": _figure(
            *_rms_with_uncertainty(bend_error), "N", "held-out rms error of the free-bend model, as normal force"
        ),
        "bending_signal": _figure(float(np.ptp(bend_signal)), None, "N", "span of the bending signal, as normal force"),
        "bend_rejection": _figure(
            20.0 * np.log10(max(_rms(bend_signal), 1e-300) / max(_rms(bend_error), 1e-300)),
            None,
            "dB",
            "rms bending signal over rms held-out error of the free-bend model",
        ),
    }
    loop = _hysteresis(apparent, force[:, 2])
    if loop is not None:
        figures["hysteresis"] = _figure(
            100.0 * loop / span, None, "% of span", "largest mean gap, unloading less loading"
        )
    curve = _non_linearity(apparent, force[:, 2])
    if curve is not None:
        figures["non_linearity"] = _figure(
            100.0 * curve / span,
            None,
            "% of span",
            "independent: largest deviation of the mean curve from its best line",
        )
    if bending.angle_deviation_rad is not None:
        figures["bend_angle_error"] = _figure(
            bending.angle_deviation_rad, None, "rad", "held-out rms error of the bend angle"
        )
    return figures


def _figure(value: float, uncertainty: float | None, unit: str, definition: str) -> Figure:
    rounded = None if uncertainty is None else float(f"{uncertainty:.3g}")
    return Figure(value=float(f"{value:.4g}"), uncertainty=rounded, unit=unit, definition=definition)


def _normal_gain(departure: Array, force: Array) -> Array:
    """Return the channel weights that give normal force by least squares and ignore shear (N)."""
    weights, *_ = np.linalg.lstsq(departure, force[:, 2], rcond=None)
    return np.asarray(weights)


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2)))


def _rms_with_uncertainty(values: Array, blocks: int = 12) -> tuple[float, float]:
    """Return the rms and its standard uncertainty from the scatter between blocks."""
    squares = np.array([np.mean(piece**2) for piece in np.array_split(values, blocks)])
    rms = float(np.sqrt(squares.mean()))
    return rms, float(squares.std(ddof=1) / np.sqrt(blocks) / (2.0 * max(rms, 1e-300)))


def _hysteresis(apparent: Array, force: Array) -> float | None:
    """Return the largest gap between the mean unloading and loading curves over force bins (N)."""
    rate = np.gradient(np.convolve(force, np.ones(25) / 25.0, mode="same"))
    edges = np.linspace(0.2, np.quantile(force, 0.999) * 0.9, 9)
    gaps = []
    for low, high in pairwise(edges):
        inside = (force >= low) & (force < high)
        up, down = inside & (rate > 1e-4), inside & (rate < -1e-4)
        if up.sum() >= 50 and down.sum() >= 50:
            gaps.append(float(apparent[down].mean() - force[down].mean() - apparent[up].mean() + force[up].mean()))
    return float(np.max(np.abs(gaps))) if len(gaps) >= 3 else None


def _non_linearity(apparent: Array, force: Array) -> float | None:
    """Return the largest deviation of the mean response from its independent (min-max) line (N)."""
    edges = np.linspace(0.0, np.quantile(force, 0.999), 13)
    x, y = [], []
    for low, high in pairwise(edges):
        inside = (force >= low) & (force < high)
        if inside.sum() >= 50:
            x.append(float(force[inside].mean()))
            y.append(float(apparent[inside].mean()))
    if len(x) < 5:
        return None
    return independent_deviation(np.array(x), np.array(y))


def independent_deviation(x: Array, y: Array) -> float:
    """Return the largest deviation of points from the line that makes it smallest.

    Parameters
    ----------
    x, y : numpy.ndarray, shape (n,)
        Input and mean output (any units).

    Returns
    -------
    float
        Deviation in the unit of `y`.

    Notes
    -----
    Source: independent non-linearity, IEC 61298-2:2008 (wording from memory); solved as a linear programme.
    """
    from scipy.optimize import linprog

    ones = np.ones_like(x)
    above = np.stack([-x, -ones, -ones], axis=1)
    below = np.stack([x, ones, -ones], axis=1)
    result = linprog(
        [0.0, 0.0, 1.0], A_ub=np.vstack([above, below]), b_ub=np.concatenate([-y, y]), bounds=[(None, None)] * 3
    )
    return float(result.x[2])
