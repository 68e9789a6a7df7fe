"""Bad calibration data is refused with the reason, or what it lacks is said in words."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from soft_tactile_node.calibration import calibrate
from soft_tactile_node.calibration.preparation import prepare
from soft_tactile_node.calibration.refusals import check_free_bend, check_press
from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.recordings import Recording
from soft_tactile_node.simulation import runs, simulate
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.timeline import Timeline

PADS = ("iron_disc", "liquid_metal")


@pytest.fixture(scope="module", params=PADS)
def bench(request: pytest.FixtureRequest) -> tuple[Recording, Recording]:
    """Return a good free-bend and a good press recording of a simulated finger."""
    free, _ = simulate("free-bend", pad=request.param, seed=2, rate_hz=200.0, duration_s=70.0)
    press, _ = simulate("press", pad=request.param, seed=2, rate_hz=200.0, duration_s=100.0)
    return free, press


def check(free: Recording, press: Recording) -> None:
    """Run the checks that need no fit."""
    check_free_bend([free], [prepare(free)])
    check_press([press], [prepare(press)], [prepare(free)])


def test_good_recordings_pass(bench: tuple[Recording, Recording]) -> None:
    """What is good is not refused."""
    check(*bench)


def with_coil(recording: Recording, change: Callable[[np.ndarray], np.ndarray]) -> Recording:
    """Return a recording whose last channel is changed."""
    inductance = recording.inductance_h.copy()
    inductance[:, -1] = change(inductance[:, -1])
    return replace(recording, inductance_h=inductance)


def clip(values: np.ndarray) -> np.ndarray:
    """Cut off the outermost tenth."""
    return np.clip(values, np.quantile(values, 0.1), np.quantile(values, 0.9))


def drift(values: np.ndarray) -> np.ndarray:
    """Drift by the channel's own span."""
    return values + np.linspace(0.0, np.ptp(values), values.size)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (clip, "clipped"),
        (drift, "drifts by"),
        (lambda values: np.full_like(values, values[0]), "stuck"),
        (lambda values: np.where(np.arange(values.size) % 5 > 1, np.nan, values), "60 % of the samples are missing"),
    ],
)
@pytest.mark.parametrize("which", [0, 1])
def test_bad_channels_are_refused_by_name(
    bench: tuple[Recording, Recording], change: Callable[[np.ndarray], np.ndarray], reason: str, which: int
) -> None:
    """A channel that is clipped, drifts, sticks or is mostly missing is named, in either kind of recording."""
    given = list(bench)
    given[which] = with_coil(given[which], change)
    channel = given[which].channels
    with pytest.raises(CalibrationError, match=rf"column coil_{channel}_h: .*{reason}"):
        check(*given)


def test_too_short(bench: tuple[Recording, Recording]) -> None:
    """Less than half a minute of either kind is refused with its length."""
    free, press = bench
    with pytest.raises(CalibrationError, match=r"free-bend recordings must last at least 30 s in all; got 20 s"):
        check(free.select_rows(slice(0, 4000)), press)
    with pytest.raises(CalibrationError, match=r"press recordings must last at least 30 s in all; got 20 s"):
        check(free, press.select_rows(slice(0, 4000)))


def test_one_pressure_only(bench: tuple[Recording, Recording]) -> None:
    """Free bending at one pressure tells nothing about bending; presses at low pressure only are mentioned."""
    free, press = bench
    with pytest.raises(CalibrationError, match=r"free-bend pressures must span at least 3 kPa; got 0\.\d kPa"):
        check(replace(free, pressure_pa=np.clip(free.pressure_pa, -500.0, 400.0)), press)


@pytest.mark.parametrize("late_s", [-0.4, 0.25, 1.0])
def test_force_on_another_clock(bench: tuple[Recording, Recording], late_s: float) -> None:
    """A force reference that is a fraction of a second off is refused, with the offset."""
    free, press = bench
    assert press.force_n is not None
    rows = round(late_s * 200.0)
    with pytest.raises(CalibrationError, match=r"the force reference is [+-]\d\.\d\d s off the coils"):
        check(free, replace(press, force_n=np.roll(press.force_n, rows, axis=0)))


def write_squeezes(script: Timeline, _rng: np.random.Generator, _duration_s: float) -> None:
    """Close on a stop eight times: pressure and force rise and fall together."""
    script.wait(2.0)
    for peak_n in (1.0, 2.0, 3.0, 4.0, 1.5, 2.5, 3.5, 4.5):
        script.move(at.COMMAND_PRESSURE, 25e3, 1.0)
        script.put(at.COMMAND_STAGE, 1.0)
        script.put(at.COMMAND_FORCE_Z, 0.02)
        script.wait(0.4)
        for force_n, pressure_pa in ((peak_n, 50e3), (0.02, 25e3)):
            script.ramp(at.COMMAND_FORCE_Z, force_n, 1.5)
            script.move(at.COMMAND_PRESSURE, pressure_pa, 1.5)
            script.wait(1.0)
        script.put(at.COMMAND_FORCE_Z, 0.0)
        script.put(at.COMMAND_STAGE, 0.0)
        script.move(at.COMMAND_PRESSURE, 0.0, 1.0)
        script.wait(1.0)


def test_squeezes_alone_tell_nothing_of_the_clock(
    bench: tuple[Recording, Recording], request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the force comes with the pressure throughout, its clock cannot be told from the coils: not refused."""
    monkeypatch.setitem(runs.BENCH_SCRIPTS, "press", write_squeezes)
    free, press = bench
    pad = request.node.callspec.params["bench"]
    squeezes, _ = simulate("press", pad=pad, seed=2, rate_hz=200.0, duration_s=70.0)
    check_press([press, squeezes], [prepare(press), prepare(squeezes)], [prepare(free)])


def test_force_that_is_missing_or_pulls(bench: tuple[Recording, Recording]) -> None:
    """Without reference force, or with one of the wrong sign, the presses are refused."""
    free, press = bench
    assert press.force_n is not None
    with pytest.raises(CalibrationError, match=r"must have the reference force"):
        check(free, replace(press, force_n=None))
    with pytest.raises(CalibrationError, match=r"presses must reach 0.3 N.*check the sign"):
        check(free, replace(press, force_n=-press.force_n))


@pytest.mark.slow
def test_contact_in_the_free_bend_recording(bench: tuple[Recording, Recording]) -> None:
    """A touch of two seconds in the free-bend recording is refused with its time."""
    free, press = bench
    assert press.force_n is not None
    # what a firm press adds to the channels, laid over the free bending
    tared = press.inductance_h / press.inductance_h[:100].mean(axis=0)
    middle = int(np.argmax(press.force_n[:, 2]))
    bent = (
        np.convolve(np.nan_to_num(free.pressure_pa) > 20e3, np.ones(400), "valid")
        > 0.99 * np.isfinite(free.pressure_pa).mean() * 400
    )
    start = int(np.flatnonzero(bent)[0])
    window = slice(start, start + 400)
    added = np.hanning(400)[:, None] * (tared[middle] - tared[max(middle - 400, 0)])
    touched = free.inductance_h.copy()
    touched[window] *= 1.0 + added
    with pytest.raises(CalibrationError, match=r"something touched the finger near ") as caught:
        calibrate([replace(free, inductance_h=touched)], [press])
    told_s = float(re.findall(r"near ([\d.]+) s", str(caught.value))[0])
    assert free.time_s[window][0] <= told_s <= free.time_s[window][-1]


@pytest.mark.slow
def test_no_unloading_branch_is_said(bench: tuple[Recording, Recording]) -> None:
    """A calibration whose recordings never unload slowly says that the pad's hysteresis is unknown."""
    free, press = bench
    assert press.force_n is not None
    # loading takes seconds, release one scan: cut the unloading branches out
    force = press.force_n[:, 2]
    smooth = np.convolve(force, np.ones(9) / 9, "same")
    unloading = np.gradient(smooth) < -0.004
    kept = ~unloading
    kept[:600] = True
    rows = np.flatnonzero(kept)
    cut = Recording(
        time_s=press.time_s[0] + np.arange(rows.size) / 200.0,
        pressure_pa=press.pressure_pa[rows],
        inductance_h=press.inductance_h[rows],
        temperature_c=press.temperature_c[rows],
        force_n=press.force_n[rows],
        source="cut",
    )
    assert (
        "no unloading branch in the press recordings: pad hysteresis unknown" in calibrate([free], [cut]).not_identified
    )
    assert not any("unloading" in gap for gap in calibrate([free], [press]).not_identified)
