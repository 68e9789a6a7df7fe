"""The bench protocol: whoever follows it gets a calibration with nothing missing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from soft_tactile_node.calibration import calibrate
from soft_tactile_node.errors import RangeError
from soft_tactile_node.protocol.plan import make_plan
from soft_tactile_node.protocol.plan_parts import Limits, PlannedRecording
from soft_tactile_node.protocol.plan_presses import SHEAR_LOAD
from soft_tactile_node.recordings import Recording
from soft_tactile_node.simulation import simulate
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.runs import BENCH_SCRIPTS
from soft_tactile_node.simulation.timeline import Timeline

PRESSURE_PA, FORCE_N, SHEAR_N = 60.0e3, 5.0, 1.5


def follow(planned: PlannedRecording, script: Timeline, rng: np.random.Generator, _: float) -> None:
    """Drive the simulated rig along the path of a planned recording."""
    script.ramp(at.COMMAND_TEMPERATURE, script.last(at.COMMAND_TEMPERATURE) + planned.warming_k, planned.duration_s)
    for last, point in zip(planned.path[:-1], planned.path[1:]):
        if point.normal > 0.0 and last.normal == 0.0:
            x_m, y_m = last.place_m or rng.uniform(-2e-3, 2e-3, 2)
            script.put(at.COMMAND_OFFSET_X, x_m)
            script.put(at.COMMAND_OFFSET_Y, y_m)
            script.put(at.COMMAND_STAGE, 1.0)
        lasts_s = point.time_s - last.time_s
        script.ramp(at.COMMAND_PRESSURE, point.pressure * PRESSURE_PA, lasts_s)
        script.ramp(at.COMMAND_FORCE_X, point.shear_x * SHEAR_N, lasts_s)
        script.ramp(at.COMMAND_FORCE_Y, point.shear_y * SHEAR_N, lasts_s)
        script.move(at.COMMAND_FORCE_Z, point.normal * FORCE_N, lasts_s)
        if point.normal == 0.0:
            script.put(at.COMMAND_STAGE, 0.0)


def record(planned: PlannedRecording, monkeypatch: pytest.MonkeyPatch) -> Recording:
    """Return the recording of a simulated finger whose rig follows the plan."""
    scenario = {"free_bend": "free-bend", "press": "press"}[planned.kind]
    monkeypatch.setitem(BENCH_SCRIPTS, scenario, lambda *arguments: follow(planned, *arguments))
    recording, _ = simulate(scenario, seed=3, rate_hz=200.0, duration_s=planned.duration_s, temperature_c=20.0)
    return recording


def without_optional(planned: PlannedRecording) -> PlannedRecording:
    """Return a recording whose optional steps are left out, as the words about the JSON say it is done."""
    kept, gone_s = [], 0.0
    for step in planned.steps:
        end_s = step.start_s + step.duration_s
        if step.price:
            gone_s += step.duration_s
            continue
        kept += [replace(p, time_s=p.time_s - gone_s) for p in planned.path if step.start_s < p.time_s <= end_s]
    return replace(planned, path=(planned.path[0], *kept), steps=tuple(s for s in planned.steps if not s.price))


def test_long_and_off_centre_presses_are_planned_and_may_be_left_out() -> None:
    """A press of 60 s and presses at four stated places, at rest and at pressure, are optional steps of the presses."""
    press = make_plan(Limits(60e3, 5.0, 1.5)).recordings[-1]
    optional = [step for step in press.steps if step.price]
    assert len(optional) == 3
    steps_s = np.diff([point.time_s for point in press.path])
    held = [press.path[k] for k in np.flatnonzero(np.isclose(steps_s, 60.0)) if press.path[k].normal > 0.0]
    assert [(point.pressure, point.normal, point.place_m) for point in held] == [(0.4, 0.5, None)]
    stated = {(p.place_m, p.pressure) for p in press.path if p.place_m is not None and p.normal == 0.5}
    places = {(3e-3, 0.0), (-3e-3, 0.0), (0.0, 3e-3), (0.0, -3e-3)}
    assert stated == {(place, share) for place in places for share in (0.0, 0.4)}
    # the pad is left before the place changes
    for last, point in zip(press.path, press.path[1:]):
        assert last.place_m == point.place_m or last.normal == point.normal == 0.0
    words = " ".join(step.text for step in optional)
    assert "press to 2.5 N at each of these places, 3 mm from the middle of the pad: +x, +y, -x, -y" in words
    assert "hold 2.5 N with a shear of 0.6 N to +x for 60 s" in words
    short = without_optional(press)
    assert short.duration_s < press.duration_s - 100.0
    assert {point.place_m for point in short.path} == {None}
    assert np.all(np.diff([point.time_s for point in short.path]) >= 0.0)
    assert max(b.time_s - a.time_s for a, b in zip(short.path, short.path[1:])) <= 5.0


@pytest.mark.slow
def test_following_the_plan_leaves_nothing_unidentified(monkeypatch: pytest.MonkeyPatch) -> None:
    """A simulated rig that follows the plan leaves no gap; without the warming only the temperature slope lacks."""
    bend, warming, press = (record(planned, monkeypatch) for planned in make_plan().recordings)
    complete = calibrate([bend, warming], [press])
    assert complete.not_identified == ()
    assert complete.force_map.axes == 3
    assert complete.figures["force_error"].value < 0.02 * FORCE_N
    short = calibrate([bend, warming], [record(without_optional(make_plan().recordings[-1]), monkeypatch)])
    assert short.not_identified == ()
    assert short.figures["force_error"].value < 0.02 * FORCE_N
    (gap,) = calibrate([bend], [press]).not_identified
    assert "temperature slope" in gap
    assert "temperature slope" in make_plan().recordings[1].price


def test_paths_start_and_end_at_rest_and_keep_to_the_limits() -> None:
    """Each path starts with 2 s of rest or more, ends vented and unloaded, and keeps within the limits."""
    for planned in make_plan().recordings:
        path = np.array([[p.time_s, p.pressure, p.normal, p.shear_x, p.shear_y] for p in planned.path])
        assert np.all(np.diff(path[:, 0]) >= 0.0)
        assert np.all(path[path[:, 0] <= 2.0][:, 1:] == 0.0)
        assert planned.path[1].time_s >= 2.0
        assert np.all(path[-1, 1:] == 0.0)
        assert path[:, 1:3].min() == 0.0
        assert np.abs(path[:, 1:]).max() <= 1.0
        # shear without normal force would slide: never more of it than under the load of the shear presses
        assert np.all(np.linalg.norm(path[:, 3:], axis=1) <= path[:, 2] / SHEAR_LOAD + 1e-3)
        assert sum(step.duration_s for step in planned.steps) == pytest.approx(planned.duration_s, abs=1e-6)


def test_pads_without_shear_are_not_sheared() -> None:
    """A pad that shows normal force only is asked for no shear, in the path and in words."""
    press = make_plan(shear=False).recordings[-1]
    assert {(point.shear_x, point.shear_y) for point in press.path} == {(0.0, 0.0)}
    assert "shear" not in " ".join(step.text for step in press.steps)


def test_words_carry_the_limits_or_shares_of_them() -> None:
    """Known limits are written in units, unknown ones as a share."""
    some = Limits(pressure_pa=45e3)
    assert some.pressures(1, 1 / 3) == "45, 15 kPa"
    assert some.forces(0.3) == "30 % of the highest normal force"
    assert Limits(shear_n=1.5).shears(1) == "1.5 N"


@pytest.mark.parametrize("value", [0.0, -1.0, float("nan"), float("inf")])
def test_limits_must_be_positive(value: float) -> None:
    """A limit that is not a positive number is refused by name."""
    with pytest.raises(RangeError, match=r"^force_n must be "):
        Limits(force_n=value)


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("pressure_pa", 60.0, "pressure_pa must be 3000 to 1000000 Pa; got 60 Pa: for 60 kPa give 60000"),
        ("pressure_pa", 0.6, "pressure_pa must be 3000 to 1000000 Pa; got 0.6 Pa: for 0.6 bar give 60000"),
        ("pressure_pa", 60e6, "pressure_pa must be 3000 to 1000000 Pa; got 60000000 Pa"),
        ("force_n", 5000.0, "force_n must be 0.3 to 100 N; got 5000 N: for 5000 mN give 5"),
        ("shear_n", 1500.0, "shear_n must be 0.01 to 100 N; got 1500 N: for 1500 mN give 1.5"),
    ],
)
def test_a_limit_in_another_unit_is_refused_with_what_was_meant(name: str, value: float, said: str) -> None:
    """A limit no finger can have is refused with the unit, and with the unit it was probably given in."""
    with pytest.raises(RangeError) as refused:
        Limits(**{name: value})
    assert str(refused.value) == said
