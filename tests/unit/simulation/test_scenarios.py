"""Scenarios: what each promises, columns, seeds, rates, errors."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from soft_tactile_node.errors import RangeError
from soft_tactile_node.simulation import SCENARIOS, Fault, simulate
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.bench_scripts import script_press
from soft_tactile_node.simulation.timeline import Timeline

FREE = ("free-bend", "ramps", "warm-up")


def runs(mask, gap=0):
    """Return (first, past last) of each run of True, gaps of fewer rows closed."""
    edges = np.diff(np.concatenate([[0], mask.astype(int), [0]]))
    found = list(zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True))
    joined = []
    for first, last in found:
        if joined and first - joined[-1][1] < gap:
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    return joined


def test_names_are_those_of_the_documents():
    """The scenarios have exactly the documented names."""
    assert set(SCENARIOS) == {
        "free-bend", "press", "ramps", "pick-bun", "pick-roll", "pick-jar", "light-touch", "hold", "warm-up",
    }  # fmt: skip


@pytest.mark.parametrize("pad", ["iron_disc", "liquid_metal"])
@pytest.mark.parametrize("scenario", SCENARIOS)
def test_every_scenario_starts_with_two_seconds_of_rest(scenario, pad):
    """For 2 s nothing is pressurised, touched or moved; columns are those promised and finite where measured."""
    recording, truth = simulate(scenario, pad=pad, seed=3, duration_s=20.0)
    rest = recording.time_s < 2.0
    assert len(recording) == len(truth) == 10_000
    assert recording.channels == (4 if pad == "iron_disc" else 1)
    assert np.nanmax(np.abs(recording.pressure_pa[rest])) < 1.0e3
    assert not truth.in_contact[rest].any()
    assert np.ptp(truth.bend_rad[rest]) < 2.0e-3
    assert np.all(np.isfinite(recording.inductance_h))
    assert np.all(np.isfinite(recording.temperature_c))
    assert (recording.force_n is not None) == (scenario == "press")
    assert (recording.indent_m is not None) == (scenario == "press")
    assert (recording.bend_rad is not None) == (scenario == "free-bend")
    assert recording.loss_ohm is None
    assert recording.acceleration_m_s2 is None
    if scenario in FREE:
        assert not truth.in_contact.any()
        assert not truth.force_n.any()


def test_same_seed_gives_the_same_bits():
    """Everything follows from the seed; another seed gives another specimen, motion and noise."""
    first, truth = simulate("pick-roll", seed=5, duration_s=15.0)
    again, truth_again = simulate("pick-roll", seed=5, duration_s=15.0)
    other, _ = simulate("pick-roll", seed=6, duration_s=15.0)
    assert_array_equal(first.inductance_h, again.inductance_h)
    assert_array_equal(first.pressure_pa, again.pressure_pa)
    assert_array_equal(truth.force_n, truth_again.force_n)
    assert np.all(np.abs(first.inductance_h[0] - other.inductance_h[0]) > 0.0)


def test_random_state_of_the_process_does_not_matter():
    """The simulator neither reads nor moves numpy's global random state."""
    np.random.seed(1)  # noqa: NPY002 - the global state is what this test is about
    first, _ = simulate("ramps", seed=5, duration_s=5.0)
    state = np.random.get_state()[1].copy()  # noqa: NPY002
    np.random.seed(2)  # noqa: NPY002
    again, _ = simulate("ramps", seed=5, duration_s=5.0)
    assert_array_equal(first.inductance_h, again.inductance_h)
    np.random.seed(1)  # noqa: NPY002
    assert_array_equal(state, np.random.get_state()[1])  # noqa: NPY002


def test_a_specimen_can_be_recorded_several_times():
    """The same specimen seed keeps inductances within drift and temperature; noise and motion differ."""
    first, truth = simulate("ramps", seed=5, specimen_seed=40, duration_s=12.0, temperature_c=22.0)
    second, truth_2 = simulate("ramps", seed=6, specimen_seed=40, duration_s=12.0, temperature_c=22.0)
    stranger, _ = simulate("ramps", seed=6, specimen_seed=41, duration_s=12.0, temperature_c=22.0)
    rest = slice(0, 900)
    mean = [recording.inductance_h[rest].mean(axis=0) for recording in (first, second, stranger)]
    assert np.max(np.abs(mean[1] / mean[0] - 1.0)) < 1.5e-3
    assert np.max(np.abs(mean[2] / mean[0] - 1.0)) > 3.0e-3
    assert np.max(np.abs(truth.bend_rad - truth_2.bend_rad)) > 0.05


def test_press_recording_covers_the_force_range():
    """Normal force beyond 5 N, both shears of both signs, light touches, unloaded rests."""
    recording, truth = simulate("press", seed=7)
    force = recording.force_n
    assert force[:, 2].max() > 5.0
    for axis in (0, 1):
        assert force[:, axis].max() > 1.2
        assert force[:, axis].min() < -1.2
    touches = runs(truth.in_contact, gap=25)
    peaks = np.array([truth.force_n[a:b, 2].max() for a, b in touches])
    assert np.count_nonzero((peaks >= 0.05) & (peaks <= 0.3)) >= 4
    rests = np.array([(b[0] - a[1]) / 500.0 for a, b in pairwise(touches)])
    assert rests.min() > 0.2
    pressures = [np.nanmedian(recording.pressure_pa[a:b]) for a, b in touches]
    assert min(pressures) < 500.0
    assert max(pressures) > 55.0e3
    assert_allclose(np.std(force - truth.force_n), 4.0e-3, rtol=0.05, atol=0.0)
    assert recording.indent_m.max() > 0.8e-3


@pytest.mark.parametrize("pad", ["iron_disc", "liquid_metal"])
def test_press_recording_holds_for_a_minute(pad: str) -> None:
    """One press of a middling force at a middling pressure is held for 60 s, and the pad is left alone afterwards."""
    recording, truth = simulate("press", pad=pad, seed=7, rate_hz=100.0)
    assert recording.time_s[-1] < 300.0
    touches = runs(truth.in_contact, gap=5)
    a, b = max(touches, key=lambda touch: touch[1] - touch[0])
    held = truth.force_n[a:b, 2] > 0.95 * np.median(truth.force_n[a:b, 2])
    assert np.count_nonzero(held) / 100.0 == pytest.approx(60.0, abs=1.5)
    assert np.median(truth.force_n[a:b, 2]) == pytest.approx(2.5, rel=0.05)
    assert np.nanmedian(recording.pressure_pa[a:b]) == pytest.approx(25e3, abs=1e3)
    assert not truth.in_contact[b : b + 400].any()


def test_press_script_goes_off_the_centre_at_rest_and_under_pressure() -> None:
    """Under pressure and at rest the pad is pressed about 2.5 mm off its centre, along and across, both ways."""
    script = Timeline(22.0)
    script_press(script, np.random.default_rng(7), 230.0)
    rows = script.sample(np.arange(0.0, script.now_s, 0.02))
    x_m, y_m = rows[:, at.COMMAND_OFFSET_X], rows[:, at.COMMAND_OFFSET_Y]
    # presses elsewhere vary along and across at once
    aside = (rows[:, at.COMMAND_FORCE_Z] > 2.0) & ((x_m == 0.0) != (y_m == 0.0))
    found = [set(zip(x_m[k], y_m[k])) for k in (aside & (rows[:, at.COMMAND_PRESSURE] == p) for p in (0.0, 25e3))]
    assert found[0] == found[1]
    assert {(np.sign(x), np.sign(y)) for x, y in found[0]} == {(1, 0), (-1, 0), (0, 1), (0, -1)}
    assert all(1.7e-3 < np.hypot(x, y) < 2.8e-3 for x, y in found[0])
    assert tuple(rows[-1, [at.COMMAND_OFFSET_X, at.COMMAND_OFFSET_Y]]) == (0.0, 0.0)


def test_free_bend_recording_covers_pressure_and_temperature():
    """Up to the working pressure, holds of tens of seconds, reversals, about 10 K; the bend column is the bend."""
    recording, truth = simulate("free-bend", seed=8)
    assert recording.time_s[-1] >= 149.0
    assert np.nanmax(recording.pressure_pa) > 58.0e3
    assert 7.0 < np.ptp(recording.temperature_c) < 13.0
    assert_allclose(np.std(recording.bend_rad - truth.bend_rad), 1.5e-3, rtol=0.05, atol=0.0)
    fresh = recording.pressure_pa[~np.isnan(recording.pressure_pa)]
    steady = runs(np.abs(fresh - 60.0e3) < 1.0e3)
    assert max(b - a for a, b in steady) > 1500
    turning = np.convolve(fresh, np.ones(20) / 20.0, mode="valid")[::20]
    moves = np.sign(np.diff(turning)) * (np.abs(np.diff(turning)) > 500.0)
    signs = moves[moves != 0.0]
    assert np.count_nonzero(np.diff(signs) != 0.0) >= 20


def test_light_touches_are_light():
    """Every touch peaks within 0.05 and 0.3 N, and there are many."""
    _, truth = simulate("light-touch", seed=9)
    force = np.linalg.norm(truth.force_n, axis=1)
    peaks = np.array([force[a:b].max() for a, b in runs(force > 0.0, gap=25)])
    assert len(peaks) >= 10
    assert peaks.min() > 0.05
    assert peaks.max() < 0.3


def test_hold_lasts_a_minute():
    """One contact, a minute long, of more than a newton, that relaxes but does not let go."""
    _, truth = simulate("hold", seed=10)
    (touch,) = runs(truth.force_n[:, 2] > 0.05, gap=25)
    assert (touch[1] - touch[0]) / 500.0 > 60.0
    assert truth.force_n[touch[0] + 1500 : touch[1] - 1500, 2].min() > 1.0


@pytest.mark.parametrize("pad", ["iron_disc", "liquid_metal"])
def test_a_third_of_the_picks_is_above_three_newtons(pad):
    """With a cap of 5 N about a third of the contacts peak above 3 N; with a cap of 2 N none does."""
    peaks = []
    for seed in range(4):
        _, truth = simulate("pick-roll", pad=pad, seed=seed, force_cap_n=5.0)
        force = np.linalg.norm(truth.force_n, axis=1)
        peaks += [force[a:b].max() for a, b in runs(force > 0.0, gap=25)]
    share = np.mean(np.array([peak for peak in peaks if peak > 0.2]) > 3.0)
    assert 0.2 < share < 0.5
    _, truth = simulate("pick-roll", pad=pad, seed=1, force_cap_n=2.0)
    assert truth.force_n[:, 2].max() < 2.8


def test_the_jar_slips_and_the_bun_hardly_does():
    """In every jar recording the jar slides for at least 50 ms; buns are held."""
    slips = {}
    for name in ("jar", "bun"):
        flags = [simulate(f"pick-{name}", seed=seed)[1].slip for seed in (1, 2, 3)]
        slips[name] = [sum(b - a >= 25 for a, b in runs(flag, gap=50)) for flag in flags]
    assert min(slips["jar"]) >= 1
    assert sum(slips["bun"]) <= 2


def test_slip_needs_force():
    """Slip is never reported below 0.03 N."""
    _, truth = simulate("pick-jar", seed=4)
    assert truth.slip.any()
    assert np.linalg.norm(truth.force_n[truth.slip], axis=1).min() >= 0.03


def test_picks_unbend_the_finger():
    """While a roll is held, the finger bends less than it does at the same pressure with nothing there."""
    recording, truth = simulate("pick-roll", seed=11)
    strong = truth.force_n[:, 2] > 2.5
    rows = np.flatnonzero(strong)
    pressure = float(np.nanmedian(recording.pressure_pa[rows]))
    free, free_truth = simulate("free-bend", seed=11)
    near = np.abs(free.pressure_pa - pressure) < 1.5e3
    assert truth.bend_rad[rows].mean() < free_truth.bend_rad[near].mean() - 0.1


@pytest.mark.parametrize("rate", [50.0, 2000.0])
def test_any_rate_shows_the_same_finger(rate):
    """Fifty or two thousand scans a second show the same motion within a hundredth of a newton or so."""
    _, fine = simulate("press", seed=12, duration_s=16.0)
    recording, coarse = simulate("press", seed=12, duration_s=16.0, rate_hz=rate)
    assert len(recording) == round(16.0 * rate)
    at = np.interp(coarse.time_s, fine.time_s, fine.force_n[:, 2])
    assert np.sqrt(np.mean((at - coarse.force_n[:, 2]) ** 2)) < 0.05


@pytest.mark.parametrize("pad", ["iron_disc", "liquid_metal"])
def test_noise_resolves_two_hundredths_of_a_newton(pad):
    """The noise of one scan of all channels together is worth less than 0.02 N.

    Sensitivity from a light press of the same specimen.
    """
    recording, truth = simulate("press", pad=pad, seed=13, duration_s=12.0)
    total = recording.inductance_h.sum(axis=1)
    rest = total[:900]
    noise = np.std(np.diff(rest)) / np.sqrt(2.0)
    pressed = np.argmax(truth.force_n[:, 2])
    slope = abs(total[pressed - 2 : pressed + 3].mean() - rest.mean()) / truth.force_n[pressed, 2]
    assert noise / slope < 0.02


def test_options_add_columns():
    """Loss and base motion appear when asked for: specific force at rest is minus gravity in the root frame."""
    recording, _ = simulate("ramps", seed=1, duration_s=5.0, with_loss=True, with_motion=True)
    assert recording.loss_ohm.shape == recording.inductance_h.shape
    assert np.all((recording.loss_ohm > 0.9) & (recording.loss_ohm < 1.3))
    felt = recording.acceleration_m_s2.mean(axis=0)
    assert_allclose(np.linalg.norm(felt), 9.80665, rtol=2.0e-3, atol=0.0)
    assert felt[0] < -8.0


def test_faults_reach_the_columns():
    """Each fault of coils or pressure spoils its column while it lasts and nothing else."""
    good, _ = simulate("ramps", seed=2, duration_s=10.0)
    during = (good.time_s >= 4.0) & (good.time_s < 6.0)
    faults = [Fault("open", 4.0, 6.0, channel=1), Fault("stuck", 4.0, 6.0, channel=2), Fault("pressure_lost", 4.0, 6.0)]
    bad, _ = simulate("ramps", seed=2, duration_s=10.0, faults=faults)
    assert np.isnan(bad.inductance_h[during, 1]).all()
    assert np.ptp(bad.inductance_h[during, 2]) == 0.0
    assert np.isnan(bad.pressure_pa[during]).all()
    assert_array_equal(bad.inductance_h[~during], good.inductance_h[~during])
    assert_array_equal(bad.inductance_h[:, [0, 3]], good.inductance_h[:, [0, 3]])


def test_base_turned_moves_the_finger():
    """A palm turned on its side shows in bend and signal without any contact."""
    good = simulate("warm-up", seed=3, duration_s=9.0)[1]
    turned = simulate("warm-up", seed=3, duration_s=9.0, faults=[Fault("base_turned", 3.0)])[1]
    assert_array_equal(turned.bend_rad[:1500], good.bend_rad[:1500])
    assert np.abs(turned.bend_rad - good.bend_rad)[2500:4000].mean() > 3.0e-3
    assert not turned.in_contact.any()


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        ({"scenario": "pick-apple"}, "scenario must be one of free-bend, press"),
        ({"pad": "ferrite"}, "pad must be one of iron_disc, liquid_metal; got 'ferrite'"),
        ({"seed": -1}, "seed must be >= 0; got -1"),
        ({"rate_hz": 5.0}, "rate_hz must be >= 20 and <= 5000; got 5"),
        ({"rate_hz": float("nan")}, "rate_hz must be"),
        ({"duration_s": 1.0}, "duration_s must be >= 3 and <= 36000; got 1"),
        ({"force_cap_n": 9.0}, "force_cap_n must be >= 0.3 and <= 6; got 9"),
        ({"temperature_c": 90.0}, "temperature_c must be >= 0 and <= 60; got 90"),
        ({"specimen_seed": -4}, "specimen seed must be >= 0; got -4"),
    ],
)
def test_bad_arguments_are_named(arguments, text):
    """A wrong argument is refused with its name, the rule and what came."""
    call = {"scenario": "pick-bun", "duration_s": 4.0, **arguments}
    with pytest.raises(RangeError) as caught:
        simulate(**call)
    assert text in str(caught.value)


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (("melted", 1.0), "kind must be one of open, stuck"),
        (("open", 2.0, 2.0), "end_s must be > start_s = 2; got 2"),
    ],
)
def test_bad_faults_are_named(arguments, text):
    """An unknown kind or reversed times are refused."""
    with pytest.raises(RangeError) as caught:
        Fault(*arguments)
    assert text in str(caught.value)
