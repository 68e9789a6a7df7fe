"""Command scripts without an object: free bending, presses by the bench stage, ramps, warm-up, light touches."""

from __future__ import annotations

import math

import numpy as np

from soft_tactile_node.samples import Array
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.specimen import FULL_SCALE_NORMAL_N, WORKING_PRESSURE_PA
from soft_tactile_node.simulation.timeline import Timeline

REST_S = 2.0

HOLD_S = 60.0
"""Length of the long press, which shows the creep of the pad (s)."""

OFF_CENTRE_M = 2.5e-3
"""About how far from the middle of the pad it is pressed off its centre, along and across, both ways (m)."""

P = at.COMMAND_PRESSURE


def earlier_use(temperature_c: float, fingers: int, rng: np.random.Generator, rate_hz: float) -> Array:
    """Return commands of what happened before a recording: the fingers were tried out, then left alone for a while.

    Parameters
    ----------
    temperature_c : float
        Temperature (degC).
    fingers : int
        Number of fingers (1).
    rng : numpy.random.Generator
        Source of the details.
    rate_hz : float
        Command rows per second (Hz).

    Returns
    -------
    numpy.ndarray, shape (n, columns)
        Commands, each column in its own unit.
    """
    before = Timeline(temperature_c, fingers)
    for _ in range(2):
        top = float(rng.uniform(0.7, 1.0)) * WORKING_PRESSURE_PA
        dwell = float(rng.uniform(0.3, 2.0))
        for target, wait in ((top, dwell), (0.0, 0.5)):
            for finger in range(fingers):
                before.ramp(P + finger, target, 0.8)
            before.wait(0.8 + wait)
    before.wait(float(rng.uniform(12.0, 30.0)))
    return before.sample(np.arange(round(before.now_s * rate_hz)) / rate_hz)


def _sweep_to(script: Timeline, pressure_pa: float, rate_pa_s: float) -> None:
    """Ramp the pressure at a rate."""
    change = abs(pressure_pa - script.last(P))
    script.move(P, pressure_pa, max(change / rate_pa_s, 0.02))


def _random_sweeps(script: Timeline, rng: np.random.Generator, until_s: float) -> None:
    """Wander between random pressures at random rates, with some holds; ends vented."""
    while script.now_s < until_s:
        target = float(rng.uniform(0.0, 1.0)) * WORKING_PRESSURE_PA
        if rng.uniform() < 0.2:
            target = 0.0
        elif rng.uniform() < 0.2:
            target = WORKING_PRESSURE_PA
        _sweep_to(script, target, float(np.exp(rng.uniform(math.log(5.0e3), math.log(150.0e3)))))
        if rng.uniform() < 0.35:
            script.wait(float(rng.uniform(0.3, 4.0)))
    _sweep_to(script, 0.0, 40.0e3)
    script.wait(2.0)


def script_free_bend(script: Timeline, rng: np.random.Generator, duration_s: float) -> None:
    """Write the free-bend protocol: sweeps at several rates, reversals, minor loops, holds, a change of about 10 K.

    Parameters
    ----------
    script : Timeline
        Script to write on, at its start.
    rng : numpy.random.Generator
        Source of the details.
    duration_s : float
        Length to fill (s).
    """
    warm = float(rng.uniform(9.0, 11.0))
    script.wait(0.3 * duration_s)
    script.warm(warm, 0.5 * duration_s)
    script.now_s = REST_S
    top = WORKING_PRESSURE_PA
    for rate in (120.0e3, 30.0e3):
        for _ in range(2):
            _sweep_to(script, top, rate)
            _sweep_to(script, 0.0, rate)
            script.wait(0.4)
    _sweep_to(script, top, 8.0e3)
    _sweep_to(script, 0.0, 8.0e3)
    script.wait(2.0)
    for share in (0.65, 0.30, 0.85, 0.50, 1.0, 0.25, 0.75, 0.45, 0.6, 0.0):
        _sweep_to(script, share * top * float(rng.uniform(0.93, 1.0)), float(rng.uniform(12.0e3, 35.0e3)))
        script.wait(float(rng.uniform(0.0, 0.8)))
    _sweep_to(script, top, 60.0e3)
    script.wait(22.0)
    _sweep_to(script, 0.0, 60.0e3)
    script.wait(12.0)
    for share in (0.25, 0.5, 0.75, 1.0):
        _sweep_to(script, share * top, 100.0e3)
        script.wait(2.5)
        _sweep_to(script, 0.0, 100.0e3)
        script.wait(1.2)
    _sweep_to(script, 0.55 * top, 20.0e3)
    script.wait(12.0)
    _sweep_to(script, 0.30 * top, 20.0e3)
    script.wait(8.0)
    _random_sweeps(script, rng, duration_s - 4.0)


def _press(
    script: Timeline,
    force_n: tuple[float, float, float],
    rise_s: float,
    hold_s: float,
    fall_s: float,
    rest_s: float,
) -> None:
    """Press up, shear, hold, unload to zero, lift off, rest."""
    fx, fy, fz = force_n
    script.put(at.COMMAND_STAGE, 1.0)
    script.move(at.COMMAND_FORCE_Z, fz, rise_s)
    if fx or fy:
        script.wait(0.2)
        script.ramp(at.COMMAND_FORCE_X, fx, 0.6)
        script.move(at.COMMAND_FORCE_Y, fy, 0.6)
    script.wait(hold_s)
    if fx or fy:
        script.ramp(at.COMMAND_FORCE_X, 0.0, 0.5)
        script.move(at.COMMAND_FORCE_Y, 0.0, 0.5)
    script.move(at.COMMAND_FORCE_Z, 0.0, fall_s)
    script.put(at.COMMAND_STAGE, 0.0)
    script.wait(rest_s)


def _draw_places(rng: np.random.Generator) -> list[tuple[float, float]]:
    """Draw four places off the centre of the pad (m): a stage meets them roughly."""
    return [
        (x * OFF_CENTRE_M * float(rng.uniform(0.7, 1.1)), y * OFF_CENTRE_M * float(rng.uniform(0.7, 1.1)))
        for x, y in ((1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0))
    ]


def _press_at(script: Timeline, places_m: list[tuple[float, float]], peak_n: float) -> None:
    """Press at one place after the other and return to the middle of the pad."""
    for x_m, y_m in places_m:
        script.aim(x_m, y_m)
        _press(script, (0.0, 0.0, peak_n), 0.5, 0.2, 0.5, 0.5)
    script.aim(0.0, 0.0)


def _squeeze(script: Timeline, touch_pa: float, top_pa: float, peak_n: float, rise_s: float) -> None:
    """Close on a stop: touch lightly at one pressure, let pressure and force rise together, hold, and open again."""
    _sweep_to(script, touch_pa, 30.0e3)
    script.wait(0.5)
    script.put(at.COMMAND_STAGE, 1.0)
    script.put(at.COMMAND_FORCE_Z, 0.02)
    script.wait(0.4)
    script.ramp(at.COMMAND_FORCE_Z, peak_n, rise_s)
    script.move(at.COMMAND_PRESSURE, top_pa, rise_s)
    script.wait(1.5)
    script.ramp(at.COMMAND_FORCE_Z, 0.02, 0.4)
    script.move(at.COMMAND_PRESSURE, touch_pa, 0.4)
    script.put(at.COMMAND_FORCE_Z, 0.0)
    script.put(at.COMMAND_STAGE, 0.0)
    script.wait(0.8)


def _light_touch(script: Timeline, peak_n: float, rise_s: float, hold_s: float) -> None:
    """Touch lightly and lift off."""
    script.put(at.COMMAND_STAGE, 1.0)
    script.put(at.COMMAND_FORCE_Z, 0.005)
    script.wait(0.3)
    script.move(at.COMMAND_FORCE_Z, peak_n, rise_s)
    script.wait(hold_s)
    script.move(at.COMMAND_FORCE_Z, 0.0, rise_s)
    script.put(at.COMMAND_STAGE, 0.0)


def script_press(script: Timeline, rng: np.random.Generator, duration_s: float) -> None:
    """Write the press protocol: run-in, presses and shear at five pressures, squeezes, off-centre, a long hold.

    Off the centre it presses at the same places under pressure and at rest; the hold has middling pressure and
    force.

    Parameters
    ----------
    script, rng, duration_s
        As in `script_free_bend`.
    """
    full = FULL_SCALE_NORMAL_N
    script.warm(float(rng.uniform(-1.5, 1.5)), duration_s)
    script.wait(REST_S)
    for _ in range(4):
        _press(script, (0.0, 0.0, 0.9 * full), 0.5, 0.2, 0.5, 0.5)
    script.wait(1.5)
    for pressure in (0.0, 48.0e3, 20.0e3, 60.0e3, 35.0e3):
        _sweep_to(script, pressure, 40.0e3)
        script.wait(1.5)
        for peak, rise in ((1.04 * full, 1.0), (0.3 * full, 0.25), (0.6 * full, 1.5)):
            jitter = float(rng.uniform(0.97, 1.03))
            # a bench presses where the tip happens to land; grasps will not be centred either
            script.aim(float(rng.uniform(-2.0e-3, 2.0e-3)), float(rng.uniform(-2.0e-3, 2.0e-3)))
            _press(script, (0.0, 0.0, peak * jitter), rise, 0.4, rise, 0.8)
        script.aim(0.0, 0.0)
        for x, y in ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)):
            share = float(rng.uniform(0.35, 0.6))
            _press(script, (2.5 * share * x, 2.5 * share * y, share * full), 0.4, 0.2, 0.4, 0.5)
        for _ in range(2):
            _light_touch(script, float(rng.uniform(0.06, 0.3)), 0.3, 0.3)
            script.wait(0.5)
    for touch_pa, top_pa, peak in (
        (20.0e3, 45.0e3, 0.7),
        (30.0e3, 60.0e3, 0.9),
        (35.0e3, 45.0e3, 0.25),
        (25.0e3, 55.0e3, 0.5),
        (20.0e3, 28.0e3, 0.1),
        (35.0e3, 43.0e3, 0.1),
    ):
        _squeeze(script, touch_pa, top_pa, peak * full, 2.0)
    _sweep_to(script, 25.0e3, 30.0e3)
    script.wait(1.5)
    places_m = _draw_places(rng)
    _press_at(script, places_m, 0.55 * full)
    _press(script, (0.6, 0.0, 0.5 * full), 0.5, HOLD_S, 0.5, 5.0)
    _sweep_to(script, 0.0, 30.0e3)
    script.wait(1.0)
    _press_at(script, places_m, 0.55 * full)
    while script.now_s < duration_s - 6.0:
        _sweep_to(script, float(rng.choice([0.0, 15.0e3, 30.0e3, 50.0e3])), 40.0e3)
        script.wait(1.0)
        peak = float(rng.uniform(0.1, 1.0)) * full
        shear = min(2.0, 0.5 * peak) * float(rng.uniform(-1.0, 1.0))
        angle = float(rng.uniform(0.0, 2.0 * math.pi))
        force = (shear * math.cos(angle), shear * math.sin(angle), peak)
        _press(script, force, float(rng.uniform(0.2, 1.5)), 0.4, float(rng.uniform(0.2, 1.5)), 0.8)
    script.put(at.COMMAND_STAGE, 0.0)
    _sweep_to(script, 0.0, 30.0e3)
    script.wait(2.0)


def script_ramps(script: Timeline, rng: np.random.Generator, duration_s: float) -> None:
    """Write contact-free pressure ramps.

    Parameters
    ----------
    script, rng, duration_s
        As in `script_free_bend`.
    """
    script.warm(float(rng.uniform(-2.0, 2.0)), duration_s)
    script.wait(REST_S)
    _random_sweeps(script, rng, duration_s - 4.0)


def script_warm_up(script: Timeline, rng: np.random.Generator, duration_s: float) -> None:
    """Write a warm-up without contact: some 8 K, mostly vented, with a few slow closings.

    Parameters
    ----------
    script, rng, duration_s
        As in `script_free_bend`.
    """
    script.wait(REST_S)
    script.warm(float(rng.uniform(7.0, 9.0)), 0.8 * duration_s)
    while script.now_s < duration_s - 12.0:
        script.wait(float(rng.uniform(8.0, 14.0)))
        _sweep_to(script, float(rng.uniform(0.3, 0.9)) * WORKING_PRESSURE_PA, 20.0e3)
        script.wait(float(rng.uniform(2.0, 8.0)))
        _sweep_to(script, 0.0, 20.0e3)


def script_light_touch(script: Timeline, rng: np.random.Generator, duration_s: float) -> None:
    """Write light touches of 0.05 to 0.3 N on the pad at several pressures.

    Parameters
    ----------
    script, rng, duration_s
        As in `script_free_bend`.
    """
    script.warm(float(rng.uniform(-0.5, 0.5)), duration_s)
    script.wait(REST_S)
    while script.now_s < duration_s - 4.0:
        _sweep_to(script, float(rng.uniform(0.0, 0.9)) * WORKING_PRESSURE_PA, float(rng.uniform(15.0e3, 60.0e3)))
        script.wait(float(rng.uniform(0.6, 1.5)))
        for _ in range(int(rng.integers(1, 4))):
            script.aim(float(rng.uniform(-1.5e-3, 1.5e-3)), float(rng.uniform(-1.5e-3, 1.5e-3)))
            rise, hold = float(rng.uniform(0.1, 0.5)), float(rng.uniform(0.1, 0.8))
            _light_touch(script, float(rng.uniform(0.06, 0.295)), rise, hold)
            script.wait(float(rng.uniform(0.6, 1.6)))
    _sweep_to(script, 0.0, 40.0e3)
    script.wait(2.0)
