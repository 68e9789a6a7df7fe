"""Drift of one finger and its cause, on figures that were put in and on simulated recordings."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from soft_tactile_node.calibration.fit import calibrate
from soft_tactile_node.characterisation.ageing import find_ageing, find_drifts
from soft_tactile_node.recordings import Recording
from soft_tactile_node.reports.characterise_text import drift_sentence, trend_sentences
from soft_tactile_node.simulation import scenarios, simulate
from unit.characterisation.items import figure, make_item, shipped

MAY, AUGUST = date(2026, 5, 1), date(2026, 8, 1)


def test_a_drift_of_gain_calls_for_a_new_calibration() -> None:
    """Ten per cent more sensitivity is named as gain, with both dates and the size."""
    old = make_item("a", day=MAY, finger="left", sensitivity=figure(0.01, 1e-4))
    new = make_item("b", day=AUGUST, finger="left", sensitivity=figure(0.011, 1e-4))
    (ageing,) = find_ageing([new, old])
    text = drift_sentence(ageing)
    assert text.startswith(
        "Calibrate left again: on 2026-08-01 it answers more to the same force (gain) than on 2026-05-01"
    )
    assert "by 10.0 ± " in text


def test_what_stays_is_left_alone() -> None:
    """Without a drift the calibration may stay; on one day there is no ageing at all."""
    old, new = (make_item(name, day=day, finger="left") for name, day in (("a", MAY), ("b", AUGUST)))
    (ageing,) = find_ageing([old, new])
    assert ageing.due is None
    assert "The calibration may stay" in drift_sentence(ageing)
    assert find_ageing([old, replace(new, made_on=MAY)]) == []


def test_a_trend_is_told_per_month() -> None:
    """Hysteresis that rises by 0.5 of a per cent in 30 days is said to."""
    items = [
        make_item(
            f"{k}", day=date(2026, k, 1), finger="left", hysteresis=figure(2.0 + 0.5 * days / 30.0 + 0.01 * (-1) ** k)
        )
        for k, days in ((1, 0), (2, 31), (3, 59), (4, 90))
    ]
    assert "left changes in 30 days: hysteresis by 0.5" in trend_sentences(find_ageing(items))[0]


def test_a_channel_that_rests_elsewhere_is_an_offset() -> None:
    """A tenth of the span at rest is an offset of ten per cent."""
    record = shipped()
    span = record.figures["sensitivity"].value * record.ranges.force_normal_n
    rest = np.array(record.tare_inductance_h)
    rest[1] *= 1.0 - 0.1 * span
    worst = find_drifts(record, record.model_copy(update={"tare_inductance_h": tuple(rest)}))[0]
    assert (worst.cause, round(worst.size, 6)) == ("offset", -10.0)


def record(seed: int, specimen: int, memory: float = 1.0) -> list[Recording]:
    """Return free bend and presses of a specimen whose pad may remember more."""
    with pytest.MonkeyPatch.context() as patch:
        drawn = scenarios.draw_specimen
        patch.setattr(scenarios, "draw_specimen", lambda number, pad: _aged(drawn(number, pad), memory))
        lengths = (("free-bend", 90.0), ("press", 250.0))
        return [
            simulate(name, seed=seed + k, specimen_seed=specimen, rate_hz=50.0, duration_s=length)[0]
            for k, (name, length) in enumerate(lengths)
        ]


def _aged(one, memory: float):  # type: ignore[no-untyped-def]
    """Return a specimen whose pad relaxes so many times as much."""
    slow = {name: memory * getattr(one.finger, name) for name in ("pad_relax_1", "pad_relax_2", "pad_relax_3")}
    return replace(one, finger=one.finger._replace(**slow))


def scaled(recording: Recording, gain: float, offset: float) -> Recording:
    """Return a recording whose channels answer `gain` times as much and rest a share `offset` off."""
    rest = recording.inductance_h[recording.time_s < recording.time_s[0] + 1.0].mean(axis=0)
    change = gain * (recording.inductance_h / rest - 1.0)
    return replace(recording, inductance_h=rest * (1.0 + offset) * (1.0 + change))


@pytest.mark.slow
def test_the_cause_of_a_drift_is_right_in_nine_of_ten_seeds() -> None:
    """Fingers that drifted by ten per cent of the span, each in one way, are told so, the way included."""
    wrong = []
    for seed in range(10):
        cause = ("gain", "offset", "memory")[seed % 3]
        old = calibrate(*([one] for one in record(100 * seed, seed)))
        span = old.figures["sensitivity"].value * old.ranges.force_normal_n
        later = record(100 * seed + 50, seed, 2.6 if cause == "memory" else 1.0)
        offset = 0.1 * span / np.sqrt(old.channels) if cause == "offset" else 0.0
        later = [scaled(one, 1.1 if cause == "gain" else 1.0, offset) for one in later]
        worst = find_drifts(old, calibrate(*([one] for one in later)))[0]
        if worst.cause != cause or not worst.seen:
            wrong.append((seed, cause, worst))
    assert len(wrong) <= 1, wrong
