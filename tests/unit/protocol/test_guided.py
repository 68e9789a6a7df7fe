"""A guided calibration against a simulated bench: what it asks for, what it records, when it gives up."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from soft_tactile_node.calibration.map_fit import LEAST_SQUEEZES, count_squeezes, make_pressed
from soft_tactile_node.calibration.preparation import prepare
from soft_tactile_node.errors import CalibrationError, RangeError
from soft_tactile_node.merging import PressureMerge
from soft_tactile_node.protocol.bench_log import BenchLog, Track
from soft_tactile_node.protocol.bench_path import bench_path
from soft_tactile_node.protocol.guidance import BenchLimits, Phase, Wanted
from soft_tactile_node.protocol.guided import GuidedCalibration
from soft_tactile_node.protocol.plan_presses import SQUEEZES
from soft_tactile_node.protocol.press_watch import PressWatch
from soft_tactile_node.samples import Scan

MOST_PA = 50e3
FULL_N = 4.0
RATE_HZ = 50.0
ATMOSPHERIC_PA = 96e3


class Rig:
    """A rig that does at once what it is told: pressure and force are those wanted at the last scan."""

    def __init__(self, **limits: object) -> None:
        self.guide = GuidedCalibration(BenchLimits(MOST_PA, FULL_N, **limits), 4)  # type: ignore[arg-type]
        self.zero_n = np.array([0.2, -0.1, 0.5])
        self.pressure: Callable[[Wanted], float] = lambda wanted: wanted.pressure_pa
        self.force: Callable[[Wanted], np.ndarray] = lambda wanted: np.array(wanted.force_n or (0.0, 0.0, 0.0))
        self.temperature: Callable[[Wanted], float] = lambda wanted: 20.0
        self.seen: list[Wanted] = []
        self.time_s = 1000.0

    def step(self) -> Wanted:
        """Live through one scan."""
        last = self.seen[-1] if self.seen else Wanted(0.0, None, (0.0, 0.0), Phase.VENTING, 0.0, "")
        self.time_s += 1.0 / RATE_HZ
        self.guide.add_pressure(self.time_s, ATMOSPHERIC_PA + self.pressure(last))
        self.guide.add_force(self.time_s, self.force(last) + self.zero_n)
        wanted = self.guide.advance(Scan(self.time_s, np.full(4, 1e-6), self.temperature(last)))
        self.seen.append(wanted)
        return wanted

    def run(self, until: Callable[[Wanted], bool] = lambda _: False, limit_s: float = 1500.0) -> Wanted:
        """Live until a wish comes, or to the end."""
        for _ in range(round(limit_s * RATE_HZ)):
            wanted = self.step()
            if self.guide.finished or until(wanted):
                return wanted
        raise AssertionError("no end")


def test_leads_from_rest_through_sweeps_to_presses() -> None:
    """Phases come in order, the pressure stays below the limit, and the fraction only rises."""
    rig = Rig()
    rig.run()
    phases = [key for key, _ in itertools.groupby(wanted.phase for wanted in rig.seen)]
    assert phases == [Phase.VENTING, Phase.FREE_BEND, Phase.VENTING, Phase.PRESS, Phase.VENTING]
    pressures = np.array([wanted.pressure_pa for wanted in rig.seen])
    assert pressures.min() >= 0.0
    assert 0.98 * MOST_PA < pressures.max() < MOST_PA
    assert pressures[-1] == 0.0
    assert np.all(np.diff([wanted.fraction for wanted in rig.seen]) >= -1e-12)
    assert rig.seen[-1].fraction == pytest.approx(1.0, abs=0.02)
    # nothing may press while the finger bends freely, and each press stays within the limit
    assert all(wanted.force_n is None for wanted in rig.seen if wanted.phase != Phase.PRESS)
    assert max(wanted.force_n[2] for wanted in rig.seen if wanted.force_n) == pytest.approx(FULL_N, rel=0.02)


@pytest.mark.parametrize(
    ("limits", "said"),
    [
        ((60.0,), "max_pressure_pa must be 3000 to 1000000 Pa; got 60 Pa: for 60 kPa give 60000"),
        ((60e3, 4000.0), "full_force_n must be 0.3 to 100 N; got 4000 N: for 4000 mN give 4"),
    ],
)
def test_limits_in_another_unit_are_refused(limits: tuple[float, ...], said: str) -> None:
    """Limits that no finger can have are refused before anything moves, with the unit that was probably meant."""
    with pytest.raises(RangeError) as refused:
        BenchLimits(*limits)
    assert str(refused.value) == said


def test_records_what_was_measured() -> None:
    """Recordings begin with rest, count time from zero, carry gauge pressure and the zeroed reference force."""
    rig = Rig()
    rig.run()
    (free,), press = rig.guide.free_bend(), rig.guide.press()
    assert free.force_n is None
    assert press.force_n is not None
    for recording in (free, press):
        assert recording.time_s[0] == 0.0
        assert_allclose(np.diff(recording.time_s), 1.0 / RATE_HZ, rtol=1e-6)
        rest = recording.time_s < 2.0
        assert np.nanmax(np.abs(recording.pressure_pa[rest])) < 1e-6
        assert np.nanmax(recording.pressure_pa) > 0.98 * MOST_PA
    assert np.nanmax(np.abs(press.force_n[press.time_s < 2.0])) < 1e-9, "the zero of the cell is taken off"
    assert np.nanmax(press.force_n[:, 2]) == pytest.approx(FULL_N, rel=0.02)
    assert rig.guide.atmospheric_pa == pytest.approx(ATMOSPHERIC_PA)


def test_a_change_of_temperature_is_waited_for() -> None:
    """With temperature there is a second free-bend recording that goes on until the change is there."""
    rig = Rig(with_temperature=True)
    first = rig.run(lambda wanted: "warm" in wanted.instruction)
    assert first.phase == Phase.FREE_BEND
    start_s = rig.time_s
    rig.temperature = lambda _: 20.0 + 8.5 * min((rig.time_s - start_s) / 600.0, 1.0)
    rig.run()
    _, warming = rig.guide.free_bend()
    assert np.ptp(warming.temperature_c) >= 8.0
    assert warming.time_s[-1] > 500.0
    assert abs(warming.pressure_pa[-1]) < 0.05 * MOST_PA


def test_without_a_temperature_there_is_nothing_to_wait_for() -> None:
    """A change of temperature cannot be followed without readings of it."""
    rig = Rig(with_temperature=True)
    rig.temperature = lambda _: math.nan
    with pytest.raises(CalibrationError, match="needs a temperature in the scans"):
        rig.run()


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda rig: setattr(rig, "pressure", lambda wanted: 0.2 * wanted.pressure_pa), "does not follow"),
        (lambda rig: setattr(rig, "pressure", lambda wanted: 1.3 * wanted.pressure_pa), "the limit 50.0 kPa"),
        (lambda rig: setattr(rig, "force", lambda _: np.array([0.0, 0.0, 0.8])), "the pad was touched with 0."),
        (lambda rig: setattr(rig, "force", lambda _: np.array([0.0, 0.0, 9.0])), "more than 2 times the 4 N"),
    ],
)
def test_gives_up_when_the_sweep_goes_wrong(spoil: Callable[[Rig], None], said: str) -> None:
    """Pressure that does not follow or passes the limit, and touches, end the calibration with the reason."""
    rig = Rig()
    rig.run(lambda wanted: wanted.phase == Phase.FREE_BEND and wanted.pressure_pa > 10e3)
    spoil(rig)
    with pytest.raises(CalibrationError, match=said):
        rig.run()


def test_gives_up_without_pressure_force_or_presses() -> None:
    """Missing pressure readings, a silent force cell and presses that never come are named."""
    rig = Rig()
    rig.run(lambda wanted: wanted.phase == Phase.FREE_BEND)
    rig.time_s += 5.0  # a pause of everything is no missing pressure
    rig.step()
    for step in range(1, 10):
        rig.guide.advance(Scan(rig.time_s + 0.1 * step, np.full(4, 1e-6), 20.0))
    with pytest.raises(CalibrationError, match="no pressure reading for 1 s"):
        rig.guide.advance(Scan(rig.time_s + 1.1, np.full(4, 1e-6), 20.0))
    rig = Rig()
    rig.run(lambda wanted: wanted.phase == Phase.FREE_BEND)
    rig.guide.advance(Scan(rig.time_s + 3.0, np.full(4, 1e-6), 20.0))
    deaf = Rig()
    deaf.zero_n = np.full(3, math.nan)
    with pytest.raises(CalibrationError, match="connect the force cell"):
        deaf.run()
    lazy = Rig(press_timeout_s=3.0)
    lazy.force = lambda _: np.zeros(3)
    with pytest.raises(
        CalibrationError, match=r"no press as asked within 3 s: press to 4 N .* largest force was 0\.00 N"
    ):
        lazy.run()


def test_a_finger_that_stays_under_pressure_is_not_calibrated() -> None:
    """A valve that does not vent between sweep and presses is named."""
    rig = Rig()
    rig.run(lambda wanted: wanted.phase == Phase.FREE_BEND and wanted.pressure_pa > 10e3)
    rig.pressure = lambda wanted: max(wanted.pressure_pa, 5e3)
    with pytest.raises(CalibrationError, match="does not fall below 1 kPa"):
        rig.run()


def test_a_person_may_take_their_time() -> None:
    """A press that comes late and slowly counts as well; the next is asked for only afterwards."""
    rig = Rig()
    rig.run(lambda wanted: wanted.phase == Phase.PRESS and "1 of" in wanted.instruction)
    begin_s = rig.time_s
    rig.force = lambda _: np.zeros(3)
    for _ in range(round(20.0 * RATE_HZ)):
        assert "1 of" in rig.step().instruction
    rig.force = lambda _: np.array([0.0, 0.0, 3.5 * math.sin(min(rig.time_s - begin_s - 20.0, math.pi))])
    rig.run(lambda wanted: "2 of" in wanted.instruction, limit_s=20.0)


@pytest.mark.parametrize("stamps", [[0.0, 0.1, 0.2], [0.05, 0.02, 0.11, 0.111], [], [5.0]])
def test_readings_merge_by_the_rule_of_the_node(stamps: list[float]) -> None:
    """Readings in order of their stamps go to scans exactly as `PressureMerge` hands them out."""
    track, merge = Track(), PressureMerge()
    for stamp in stamps:
        track.add(stamp, (10.0 * stamp,))
    for stamp in sorted(stamps):
        merge.add(stamp, 10.0 * stamp)
    scans = np.array([0.0, 0.03, 0.06, 0.09, 0.05, 0.12, 0.25])
    assert_array_equal(track.merged(scans)[:, 0], [merge.take(moment) for moment in scans])


def test_a_log_drops_what_is_not_in_every_scan() -> None:
    """Loss and acceleration are columns only where each scan has them."""
    log = BenchLog(2)
    values = np.array([1e-6, 2e-6])
    log.add_scan(Scan(5.0, values, 20.0, loss_ohm=values, acceleration_m_s2=np.ones(3)))
    log.add_scan(Scan(5.1, values, math.nan, loss_ohm=values))
    recording = log.recording("x")
    assert recording.acceleration_m_s2 is None
    assert_array_equal(recording.loss_ohm, [values, values])
    assert_allclose(recording.time_s, [0.0, 0.1], atol=1e-9)
    assert log.scans == 2


def test_the_path_is_that_of_the_plan() -> None:
    """All presses of the plan are there, none beyond the limits, and one channel is not sheared."""
    sweeps, presses = bench_path(MOST_PA, FULL_N, 4)
    assert [sweep.name for sweep in sweeps] == ["free_bend"]
    assert all(sweep.pressure_at(0.0) == 0.0 == sweep.pressure_at(sweep.duration_s - 1e-6) for sweep in sweeps)
    assert {round(press.pressure_at(0.0)) for press in presses} >= {0, round(MOST_PA / 3), round(MOST_PA)}
    assert max(press.peak_n for press in presses) == FULL_N
    assert any(press.hold_s == pytest.approx(60.0) for press in presses)
    assert all(press.force_at(0.0)[2] > 0.0 for press in presses), "the torque of no force could not say where to press"
    off_centre = {(one.place_m, round(one.pressure_at(0.0))) for one in presses if max(map(abs, one.place_m)) == 3e-3}
    places = {(3e-3, 0.0), (-3e-3, 0.0), (0.0, 3e-3), (0.0, -3e-3)}
    assert off_centre == {(place, round(pressure_pa)) for place in places for pressure_pa in (0.0, 0.4 * MOST_PA)}
    assert any("press to 2 N (3 mm to -y from the middle), and let go" in press.instruction() for press in presses)
    assert {tuple(np.sign(press.push_n)) for press in presses} >= {(1, 0), (-1, 0), (0, 1), (0, -1), (0, 0)}
    assert all(press.force_at(press.duration_s) is None for press in presses)
    assert all(press.place_m == (0.0, 0.0) for press in presses if np.any(press.push_n))
    _, single = bench_path(MOST_PA, FULL_N, 1)
    assert not any(np.any(press.push_n) for press in single)
    assert "push" not in " ".join(press.instruction() for press in single)


def test_squeezes_are_asked_for_as_the_plan_has_them() -> None:
    """Pressure and force rise together, before the eyes of the fit, and the person is told to hold a stop."""
    squeezes = [press for press in bench_path(MOST_PA, FULL_N, 4)[1] if press.squeezes]
    asked = [(one.pressure_at(0.0) / MOST_PA, one.pressure_pa.max() / MOST_PA, one.peak_n / FULL_N) for one in squeezes]
    assert_allclose(asked, SQUEEZES, rtol=1e-9)
    assert all("hold a stop against the pad: pressure rises and squeezes it" in one.instruction() for one in squeezes)
    rig = Rig()
    told = set()
    rig.run(lambda wanted: told.add(wanted.instruction.partition(": ")[2]) or False)  # type: ignore[func-returns-value]
    assert told >= {one.instruction() for one in squeezes}
    item = prepare(rig.guide.press())
    assert count_squeezes([make_pressed(item, item.change, item.pressure_pa / MOST_PA)]) >= LEAST_SQUEEZES


def test_shear_is_asked_for_and_seen_in_its_direction() -> None:
    """A press sideways in the wrong direction does not count."""
    press = next(press for press in bench_path(MOST_PA, FULL_N, 4)[1] if press.push_n[0] > 0.0 == press.push_n[1])
    assert "towards the tip" in press.instruction()
    for sign, counts in ((1.0, True), (-1.0, False)):
        watch = PressWatch(FULL_N)
        watch.begin(press)
        for step in range(300):
            load = np.array([sign * press.push_n[0], 0.0, press.peak_n]) if step < 150 else np.zeros(3)
            watch.add(0.01 * step, load)
        assert watch.seen == counts
