"""Figures of merit of a finger, from held-out residuals of its own calibration recordings.

Each figure carries its standard uncertainty, effective degrees of freedom and expanded uncertainty after JCGM 100:2008
(GUM), from the scatter between blocks of rows, because samples are correlated. They are what the recordings tell; the
uncertainty of the force reference itself is not among them, nobody tells it to the program.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial

import numpy as np

from soft_tactile_node.calibration.base_fit import BaseFit
from soft_tactile_node.calibration.characteristics import (
    independent_deviation,
    signal_to_noise_db,
    terminal_deviation,
    zero_based_deviation,
)
from soft_tactile_node.calibration.health_fit import white_noise
from soft_tactile_node.calibration.map_fit import CONTACT_N, FALL_S, RISE_S, MapFit, Pressed
from soft_tactile_node.calibration.preparation import Prepared
from soft_tactile_node.calibration.press_figures import find_hysteresis, find_non_linearity, find_repeatability
from soft_tactile_node.calibration.record import Figure, make_figure
from soft_tactile_node.calibration.slow_figures import slow_figures
from soft_tactile_node.calibration.touch_fit import TouchFit
from soft_tactile_node.calibration.uncertainty import (
    combine,
    effective_size,
    expand,
    fit_line,
    jackknife,
)
from soft_tactile_node.samples import Array

MOST_BLOCKS = 12
"""Blocks that a figure's scatter is taken from (1)."""

LEAST_BLOCKS = 4
"""Fewer leave the scatter unknown (1)."""

DRIFT_BLOCK_S = 5.0
"""Rows are averaged over this long before drift is fitted (s)."""


def figures_of_merit(
    free: Sequence[Prepared], items: Sequence[Pressed], base: BaseFit, fit: MapFit, touch: TouchFit
) -> dict[str, Figure]:
    """Return the figures of merit.

    Parameters
    ----------
    free : sequence of Prepared
        The free-bend recordings.
    items : sequence of Pressed
        All recordings as the map was fitted to them.
    base, fit, touch : BaseFit, MapFit, TouchFit
        The fits.

    Returns
    -------
    dict of str to Figure
        By name; a figure the recordings cannot give is left out.
    """
    pressed = np.concatenate([np.full(p.rows.size, p.touched.any()) for p in items])
    departure = np.concatenate([p.departure[p.rows] for p in items])[pressed]
    force, error = touch.force_n[pressed], touch.error_n[pressed]
    gain = _normal_gain(departure, force)
    return (
        _response(free, departure, force, gain)
        | _errors(free, base, force, error, fit.axes, gain)
        | _static(departure @ gain, error[:, 2], force, fit.axes)
        | _time_response(fit)
        | _drift(free, base, gain)
        | _angle(base)
        | slow_figures(free, items, base, gain)
    )


def _normal_gain(departure: Array, force_n: Array) -> Array:
    """Return the weights (c,) (N) of the channels that give normal force by least squares and ignore shear."""
    weights, *_ = np.linalg.lstsq(departure, force_n[:, 2], rcond=None)
    return np.asarray(weights)


def _count_blocks(values: Array) -> int:
    """Return into how many blocks correlated rows may be cut so that the blocks tell about each other nothing."""
    return int(np.clip(effective_size(values) / 2.0, LEAST_BLOCKS, MOST_BLOCKS))


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2)))


def _finite_rows(change: Array) -> Array:
    return np.asarray(change[np.isfinite(change).all(axis=1)])


def _response(free: Sequence[Prepared], departure: Array, force: Array, gain: Array) -> dict[str, Figure]:
    """Return what a newton does to the channels, and how it stands against the noise of a scan."""

    def noise_of(change: Array) -> float:
        return float(np.sqrt(max(float(gain @ white_noise(change) @ gain), 0.0)))

    def per_newton(d: Array, f: Array) -> float:
        slopes, *_ = np.linalg.lstsq(np.column_stack([f, np.ones(len(f))]), d, rcond=None)
        return float(np.linalg.norm(slopes[2]))

    def span_of(d: Array) -> float:
        return float(np.ptp(d @ gain))

    blocks = _count_blocks(departure @ gain)
    change = free[0].change
    noise, noise_spread = jackknife(noise_of, (change,), MOST_BLOCKS)
    sensitivity, sensitivity_spread = jackknife(per_newton, (departure, force), blocks)
    span, span_spread = jackknife(span_of, (departure,), blocks)
    # in decibels both add: a relative step of 1 % is 0.087 dB
    decibel = 20.0 / math.log(10.0)
    relative = np.array([span_spread.standard / max(span, 1e-300), noise_spread.standard / max(noise, 1e-300)])
    degrees = np.array([span_spread.degrees_of_freedom, noise_spread.degrees_of_freedom])
    return {
        "sensitivity": make_figure(
            sensitivity, sensitivity_spread, "1/N", "length of the channels' change per newton of force_z"
        ),
        "resolution": make_figure(noise, noise_spread, "N", "standard deviation of one scan, as normal force"),
        "snr": make_figure(
            signal_to_noise_db(span, noise),
            combine(relative, np.array([decibel, decibel]), degrees),
            "dB",
            "peak response over rms noise",
        ),
    }


def _errors(
    free: Sequence[Prepared], base: BaseFit, force: Array, errors: Array, axes: int, gain: Array
) -> dict[str, Figure]:
    """Return the held-out errors of map and free bend."""
    error = errors[:, 2]
    left = np.concatenate([_finite_rows(r) for r in base.residuals]) @ gain
    signal = np.concatenate([_finite_rows(p.change) for p in free]) @ gain
    figures = {
        "force_error": make_figure(
            *jackknife(_rms, (error,), _count_blocks(error**2)),
            "N",
            "held-out rms error of the normal force over the press recordings",
        ),
        "bending_error": make_figure(
            *jackknife(_rms, (left,), _count_blocks(left**2)),
            "N",
            "held-out rms error of the free-bend model, as normal force",
        ),
        "bending_signal": make_figure(
            *jackknife(lambda s: float(np.ptp(s)), (signal,), MOST_BLOCKS),
            "N",
            "span of the bending signal, as normal force",
        ),
    }
    contact = np.linalg.norm(force, axis=1) > CONTACT_N
    for axis, name in enumerate("xy" if axes == 3 else ""):
        figures[f"shear_{name}_error"] = make_figure(
            *jackknife(_rms, (errors[contact, axis],), _count_blocks(errors[contact, axis] ** 2)),
            "N",
            f"held-out rms error of force_{name} while pressed; zero would score {_rms(force[contact, axis]):.2g} N",
        )
    if len(left) == len(signal):
        figures["bend_rejection"] = make_figure(
            *jackknife(lambda s, e: signal_to_noise_db(_rms(s), _rms(e)), (signal, left), _count_blocks(left**2)),
            "dB",
            "rms bending signal over rms held-out error of the free-bend model",
        )
    return figures


def _static(apparent: Array, error: Array, force: Array, axes: int) -> dict[str, Figure]:
    """Return the static characteristics of the presses, in per cent of the span."""
    span = float(np.quantile(force[:, 2], 0.9995))
    rate = np.gradient(np.convolve(force[:, 2], np.ones(25) / 25.0, mode="same"))
    blocks = _count_blocks(error)
    percent = 100.0 / span
    figures: dict[str, Figure] = {}

    def add(name: str, statistic: Callable[..., float], arrays: tuple[Array, ...], definition: str) -> None:
        value, spread = jackknife(statistic, arrays, blocks)
        if math.isfinite(value):
            scaled = expand(percent * spread.standard, spread.degrees_of_freedom) if spread.standard >= 0.0 else None
            figures[name] = make_figure(percent * value, scaled, "% of span", definition)

    add(
        "hysteresis",
        find_hysteresis,
        (apparent, force[:, 2], rate),
        "largest mean gap, unloading less loading",
    )
    for name, kind, words in (
        ("non_linearity", independent_deviation, "independent: largest deviation of the mean curve from its best line"),
        ("non_linearity_terminal", terminal_deviation, "terminal-based: the same from the line through both ends"),
        ("non_linearity_zero", zero_based_deviation, "zero-based: the same from the best line through the first point"),
    ):
        add(name, partial(find_non_linearity, kind=kind), (apparent, force[:, 2]), words)
    repeats = find_repeatability(error, force[:, 2])
    if repeats is not None:
        deviation, spread = repeats
        figures["repeatability"] = make_figure(
            percent * deviation,
            expand(percent * spread.standard, spread.degrees_of_freedom),
            "% of span",
            "standard deviation between presses of the held-out error at half load, rising",
        )
    if axes == 3:

        def leak(e: Array, f: Array) -> float:
            design = np.column_stack([f, np.ones(len(f))])
            weights, *_ = np.linalg.lstsq(design, e, rcond=None)
            return 100.0 * float(np.hypot(weights[0], weights[1]))

        figures["cross_talk"] = make_figure(
            *jackknife(leak, (apparent - force[:, 2], force), blocks),
            "%",
            "false normal force per shear force, in the worst direction, read by fixed weights",
        )
    return figures


def _time_response(fit: MapFit) -> dict[str, Figure]:
    """Return the quick time constants of the pad; offered in steps, so each is known to half a step."""
    figures = {}
    for name, words, offered, value in (
        ("rise_time_constant", "loaded", RISE_S, fit.rise_s),
        ("fall_time_constant", "unloaded", FALL_S, fit.fall_s),
    ):
        index = int(np.argmin(np.abs(np.array(offered) - value)))
        gaps = np.diff(offered)[max(index - 1, 0) : index + 1]
        # a rectangular distribution of half-width a has a standard uncertainty of a / sqrt(3): JCGM 100:2008, 4.3.7
        spread = expand(0.5 * float(gaps.max()) / math.sqrt(3.0))
        figures[name] = make_figure(value, spread, "s", f"first-order lag of the response when {words}")
    return figures


def _drift(free: Sequence[Prepared], base: BaseFit, gain: Array) -> dict[str, Figure]:
    """Return how fast the error of the free-bend model drifts, from a straight line through block means."""
    longest = int(np.argmax([p.time_s[-1] - p.time_s[0] for p in free]))
    time_s, error = free[longest].time_s, base.residuals[longest] @ gain
    count = int((time_s[-1] - time_s[0]) / DRIFT_BLOCK_S)
    good = np.isfinite(error)
    if count < LEAST_BLOCKS or good.sum() < LEAST_BLOCKS:
        return {}
    pieces = np.array_split(np.flatnonzero(good), count)
    minutes = np.array([time_s[piece].mean() for piece in pieces]) / 60.0
    line = fit_line(minutes, np.array([error[piece].mean() for piece in pieces]), float(minutes.mean()))
    return {
        "drift": make_figure(
            line.slope,
            expand(line.slope_uncertainty, line.degrees_of_freedom),
            "N/min",
            "slope of the held-out error of the free-bend model over time, as normal force",
        )
    }


def _angle(base: BaseFit) -> dict[str, Figure]:
    if base.angle_deviation_rad is None:
        return {}
    return {
        "bend_angle_error": make_figure(base.angle_deviation_rad, None, "rad", "held-out rms error of the bend angle")
    }
