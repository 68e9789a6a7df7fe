"""A calibration carried over to a re-seated soft part, and refused where that is not enough."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.calibration import Calibration, calibrate
from soft_tactile_node.calibration.reseat import apply_answers, reseat
from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.estimation.pipeline import Estimator
from soft_tactile_node.recordings import Recording
from soft_tactile_node.simulation import simulate
from soft_tactile_node.simulation.iron_disc_pad import CAPACITANCE_F, PAD, IronDiscParameters
from soft_tactile_node.simulation.pad_design import FrontEnd
from soft_tactile_node.simulation.specimen import FingerParameters

PART = {"iron_disc": ((1.08, 0.93, 1.05, 0.9), (0.03, -0.02, 0.01, 0.025)), "liquid_metal": ((1.3,), (0.03,))}
TODAY = date(2026, 1, 1)


class ShiftedDisc:
    """The invented pad whose soft part lies half a millimetre beside its place."""

    name = "iron_disc"
    front_end = FrontEnd(CAPACITANCE_F, PAD.readout.clock_hz, PAD.readout.jitter, 1.1, 1.1)
    load_tables = staticmethod(PAD.load_tables)

    def fit_finger(self, drawn: FingerParameters) -> FingerParameters:
        """Return the finger as it is."""
        return drawn

    def fit_pad(self, drawn: IronDiscParameters) -> IronDiscParameters:
        """Return the pad with its disc moved towards the tip and sideways."""
        return drawn._replace(disc_x_m=drawn.disc_x_m + 0.35e-3, disc_y_m=drawn.disc_y_m - 0.35e-3)


SHIFTED = ShiftedDisc()


@cache
def record(
    scenario: str, pad: str | ShiftedDisc, specimen: int = 3, duration_s: float | None = None, seed: int = 33
) -> Recording:
    """Return a recording of a simulated finger."""
    return simulate(scenario, pad=pad, seed=seed, rate_hz=200.0, specimen_seed=specimen, duration_s=duration_s)[0]


@cache
def finger(pad: str) -> Calibration:
    """Return the calibration of the finger with its first part."""
    return calibrate([record("free-bend", pad)], [record("press", pad, seed=34)])


def short_press(pad: str, specimen: int = 3) -> Recording:
    """Return a minute with half of it pressed."""
    return record("press", pad, specimen, 60.0, 99)


def with_part(recording: Recording, pad: str) -> Recording:
    """Return a recording as it would be with another soft part: other rest, other answers."""
    answers, offsets = (np.array(values) for values in PART[pad])
    rest = recording.inductance_h[:200].mean(axis=0)
    change = answers * (recording.inductance_h / rest - 1.0)
    return replace(recording, inductance_h=rest * (1.0 + offsets) * (1.0 + change))


def press_errors_n(calibration: Calibration, recording: Recording) -> np.ndarray:
    """Return the rms error of each axis of the force (N)."""
    assert recording.force_n is not None
    table, _ = Estimator(calibration).replay(recording)
    return np.asarray(np.sqrt(np.nanmean((table.force_n - recording.force_n) ** 2, axis=0)))


@pytest.mark.parametrize("pad", ["iron_disc", "liquid_metal"])
def test_answers_are_exact(pad: str) -> None:
    """Changes times the answers give the same force, variance and contact, the force times the gain."""
    answers = np.array(PART[pad][0])
    plain, _ = Estimator(finger(pad)).replay(short_press(pad))
    other, _ = Estimator(apply_answers(finger(pad), np.eye(3), answers)).replay(
        with_part_at_rest(short_press(pad), answers)
    )
    same = plain.in_contact == other.in_contact
    assert same.mean() > 0.999
    both = same & np.isfinite(plain.force_n[:, 2])
    assert_allclose(other.force_n[both], plain.force_n[both], rtol=0, atol=2e-3)
    assert_allclose(
        np.sqrt(other.force_variance_n2[both]), np.sqrt(plain.force_variance_n2[both]), rtol=0.02, atol=1e-3
    )
    doubled = apply_answers(finger(pad), 2.0 * np.eye(3), np.ones(answers.size))
    assert_allclose(np.array(doubled.force_map.weights), 2.0 * np.array(finger(pad).force_map.weights), rtol=1e-6)


def with_part_at_rest(recording: Recording, answers: np.ndarray) -> Recording:
    """Return a recording whose channels answer more and rest where they did."""
    rest = recording.inductance_h[:200].mean(axis=0)
    return replace(recording, inductance_h=rest * (1.0 + answers * (recording.inductance_h / rest - 1.0)))


@pytest.mark.slow
def test_a_reseated_part_is_nearly_as_good_as_calibrated_in_full() -> None:
    """With other answers, another rest and 0.5 mm beside its place: error within 1.5 times a full calibration's."""
    pad = "iron_disc"
    short, test = (with_part(record("press", SHIFTED, 3, 60.0, seed), pad) for seed in (99, 77))
    reseated = reseat(finger(pad), short, TODAY)
    full = calibrate(
        [with_part(record("free-bend", SHIFTED), pad)], [with_part(record("press", SHIFTED, seed=34), pad)]
    )
    tared = finger(pad).model_copy(update={"tare_inductance_h": reseated.tare_inductance_h})
    assert np.all(press_errors_n(reseated, test) < 1.5 * press_errors_n(full, test))
    assert np.any(press_errors_n(tared, test) > 1.5 * press_errors_n(full, test))
    old, new = finger(pad), reseated
    assert [s.kind for s in new.sources] == [*(s.kind for s in old.sources), "press"]
    assert new.made_on == TODAY
    assert np.all(np.array(new.force_map.normal_variance) >= 0.0)
    assert any(gap.startswith("re-seated from a short press") for gap in new.not_identified)
    assert "held out while the soft part was re-seated" in new.figures["force_error"].definition
    assert_allclose(new.tare_inductance_h, short.inductance_h[:200].mean(axis=0), rtol=1e-4)


def test_a_part_with_one_coil_that_answers_otherwise_needs_a_full_calibration() -> None:
    """Where the held-out presses say that gains do not carry it over, reseat refuses with both errors."""
    with pytest.raises(CalibrationError, match=r"held-out force error is \d\.\d+ N, more than .*calibrate in full"):
        reseat(finger("liquid_metal"), with_part(short_press("liquid_metal"), "liquid_metal"), TODAY)


def test_another_pad_needs_a_full_calibration() -> None:
    """Presses of another specimen are refused with the error and what it may be."""
    with pytest.raises(CalibrationError, match=r"held-out force error is \d\.\d+ N, more than .*calibrate in full"):
        reseat(finger("iron_disc"), short_press("iron_disc", 8), TODAY)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda r: r.select_rows(slice(0, 2400)), r"presses up to .*re-seating needs 6 or more"),
        (lambda r: replace(r, force_n=0.2 * r.force_n), r"re-seating needs 6 or more, some up to 2\.\d N"),
        (lambda r: replace(r, force_n=None), r"must have the reference force"),
        (lambda r: replace(r, inductance_h=r.inductance_h * 1.3), r"a channel rests 30 % off the calibration"),
        (lambda r: replace(r, inductance_h=r.inductance_h[:, :1]), r"must have 4 channels"),
    ],
)
def test_presses_that_cover_too_little_are_refused(change: object, reason: str) -> None:
    """Too few, too weak, without reference, of another pad: refused with the reason."""
    assert callable(change)
    with pytest.raises(CalibrationError, match=reason):
        reseat(finger("iron_disc"), change(short_press("iron_disc")), TODAY)
