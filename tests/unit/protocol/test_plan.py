"""The bench protocol: whoever follows it gets a calibration with nothing missing."""

from __future__ import annotations

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
            script.put(at.COMMAND_OFFSET_X, rng.uniform(-2e-3, 2e-3))
            script.put(at.COMMAND_OFFSET_Y, rng.uniform(-2e-3, 2e-3))
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


@pytest.mark.slow
def test_following_the_plan_leaves_nothing_unidentified(monkeypatch: pytest.MonkeyPatch) -> None:
    """A simulated rig that follows the plan leaves no gap; without the warming only the temperature slope lacks."""
    bend, warming, press = (record(planned, monkeypatch) for planned in make_plan().recordings)
    complete = calibrate([bend, warming], [press])
    assert complete.not_identified == ()
    assert complete.pad_model.axes == 3
    assert complete.figures["force_error"].value < 0.02 * FORCE_N
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
