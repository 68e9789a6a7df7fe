"""The judge and the command: trivial answers get the figures they deserve.

A part of the benchmark runs from end to end.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

HERE = Path(__file__).resolve().parent
if str(HERE) not in sys.path:
    sys.path.append(str(HERE))

import cases  # noqa: E402  (the folder must be on the path first)
import run  # noqa: E402
from baselines.decision import make_table, switch  # noqa: E402
from baselines.signals import low_pass, play, prepare  # noqa: E402
from judge import Answer, judge, limits, poisson_bound, worse_than  # noqa: E402
from second_finger.specimen import IRON_DISC  # noqa: E402
from second_finger.world import make_world  # noqa: E402

SEED = 7


@pytest.fixture(scope="module")
def answers() -> dict[str, list[Answer]]:
    """Three made-up methods on two recordings.

    They are one that knows the truth, one that says zero, one that is late by 0.5 s.
    """
    world = make_world(IRON_DISC, SEED)
    out: dict[str, list[Answer]] = {"truth": [], "zero": [], "late": []}
    for name in ("light_touches", "held_back"):
        recording, truth = cases.make_judged(world, name, SEED)
        late = np.vstack([np.zeros((250, 3)), truth.force_n[:-250]])
        noise = np.random.default_rng(1).normal(0.0, 1e-3, truth.force_n.shape)
        for key, force in (("truth", truth.force_n + noise), ("zero", 0.0 * truth.force_n), ("late", late)):
            table = make_table(key, recording.time_s, force, np.full(3, 1e-3), 0.04)
            out[key].append(Answer(SEED, name, recording, truth, table, []))
    return out


def test_truth_passes_and_zero_fails(answers: dict[str, list[Answer]]):
    """An estimate that knows the truth passes what it can be held against, zero misses all, a late one is late."""
    verdicts = {name: judge(name, given, {}) for name, given in answers.items()}
    passed = {limit.label: limit.passes(verdicts["truth"]) for limit in limits(IRON_DISC)}
    wanted = (
        "normal-force RMSE, all recordings",
        "missed contacts",
        "F1 on light touches",
        "detection latency, median",
        "false alarms per contact-free minute",
        "held elsewhere: normal-force RMSE",
    )
    assert all(passed[label] for label in wanted), passed
    assert not passed["bend rejection"]  # not computed here, and what is not computed does not pass
    zero = verdicts["zero"]
    assert zero["missed"] == zero["contacts"] > 0
    assert_allclose(zero["force_z_rmse_n"], zero["force_z_zero_rmse_n"], rtol=1e-9, atol=0.0)
    assert worse_than(verdicts["truth"], zero) == []
    assert set(worse_than(zero, verdicts["truth"])) >= {"RMSE", "missed", "light F1"}
    assert verdicts["late"]["latency_median_s"] > 0.4


def test_poisson_bound_is_the_rule_of_three():
    """No event in T gives 2.996/T, one 4.744/T (exact Poisson limits, Garwood 1936; the first is the rule of three)."""
    assert_allclose(poisson_bound(0, 60.0) * 60.0, 2.9957, rtol=1e-4, atol=0.0)
    assert_allclose(poisson_bound(1, 60.0) * 60.0, 4.7439, rtol=1e-4, atol=0.0)


def test_reliability_tells_a_boast_from_a_known_doubt(answers: dict[str, list[Answer]]):
    """A probability that is the true share has no error; one that is always certain has that of its misses."""
    given = answers["truth"][0]
    contact = given.truth.in_contact
    share = contact[given.truth.time_s >= given.truth.time_s[0] + 1.0].mean()
    for said, error in ((float(share), 0.0), (1.0, 1.0 - share), (contact.astype(float), 0.0)):
        estimate = replace(given.estimate, contact_probability=np.broadcast_to(said, contact.shape))
        verdict = judge("", [replace(given, estimate=estimate)], {})
        assert_allclose(verdict["probability_error"], error, rtol=0.0, atol=1e-9)


def test_two_thresholds_and_a_minimum_time():
    """A spike shorter than the minimum time is no contact; a contact ends below the lower threshold only."""
    t = np.arange(20) * 2e-3
    force = np.array([0, 0, 1, 0, 0, 1, 1, 1, 1, 0.07, 0.07, 0.07, 0.01, 0, 0, 0, 0, 0, 0, 0], dtype=float)
    state = switch(force, t, 0.1, 0.05, 0.004)
    assert_allclose(np.flatnonzero(state), [7, 8, 9, 10, 11], rtol=0.0, atol=0.0)


def test_baselines_are_causal():
    """Preparing the first rows of a recording gives the first rows of the prepared recording.

    Memory features look back only.
    """
    recording, _ = cases.make_judged(make_world(IRON_DISC, SEED), "light_touches", SEED)
    whole, part = prepare(recording), prepare(recording.select_rows(slice(0, 9000)))
    assert_allclose(part.change, whole.change[:9000], rtol=0.0, atol=0.0)
    assert_allclose(part.pressure, whole.pressure[:9000], rtol=0.0, atol=0.0)
    x = np.sin(np.arange(300) / 20.0)
    assert_allclose(play(x[:100], 0.2), play(x, 0.2)[:100], rtol=0.0, atol=0.0)
    assert_allclose(low_pass(x[:100], 0.1, 0.01), low_pass(x, 0.1, 0.01)[:100], rtol=0.0, atol=0.0)


@pytest.fixture(scope="module")
def part():
    """Verdicts on a part of one development finger's recordings, by model."""
    return {v.name: v for v in run.run_variant(IRON_DISC, run.PART_SEEDS, run.PART_NAMES, run.PART_MODELS)}


@pytest.mark.slow
def test_part_of_the_benchmark(part):
    """One development finger goes through calibration, replay and every figure."""
    assert part[run.OURS]["finite_share_z"] > 0.995
    lines, missed = run.report(IRON_DISC, run.PART_SEEDS, list(part.values()), whole=False)
    judged = [line for line in lines if line.endswith((" PASS |", " FAIL |"))]
    known = [limit for limit in limits(IRON_DISC) if np.isfinite(limit.value(part[run.OURS]))]
    assert len(judged) == len(known) > 10
    assert sum(line.endswith(" FAIL |") for line in judged) == missed
    for model in part:
        assert any(line.startswith(f"| {model} ") for line in lines), model


@pytest.mark.slow
def test_beats_the_static_map_by_half(part):
    """On a finger of other laws the estimator halves the error of a static map and comes near memory regression."""
    ours = part[run.OURS]
    assert ours["force_z_rmse_n"] < 0.5 * part["static polynomial + linear"]["force_z_rmse_n"]
    assert ours["force_z_rmse_n"] < 1.3 * part["memory regression"]["force_z_rmse_n"]
    assert ours["missed_share"] <= 0.1
