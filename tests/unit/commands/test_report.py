"""The calibration report: its sections, its comparison on blocks that were truly held out, and its words."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.recordings import EstimateTable, Recording, load_recording
from soft_tactile_node.reports import calibration_report, held_out
from soft_tactile_node.reports.calibration_plots import plot_force_over_time
from soft_tactile_node.reports.held_out import HeldOut, HeldOutRecording, compare_held_out, measure_errors
from unit.commands.conftest import Bench, Shell

SECTIONS = [
    "Summary",
    "Figures of merit",
    "Beside a static polynomial",
    "Force on held-out blocks",
    "Recorded signals",
    "Split signals",
    "Hysteresis",
    "Recordings",
]


def test_calibrate_writes_a_report(liquid_metal: Bench, shell: Shell, tmp_path: Path) -> None:
    """With --report a page is written that has every section, both files with their digests, and eleven plots."""
    report = tmp_path / "report.html"
    words = ["calibrate", "--free-bend", liquid_metal.free_bend, "--press", liquid_metal.press, "--report", report]
    outcome = shell(*words, "--out", tmp_path / "cal.yaml")
    assert (outcome.code in (0, 3), outcome.err) == (True, "")
    html = report.read_text()
    assert re.findall(r"<h2[^>]*>([^<]*)</h2>", html) == SECTIONS
    for source in load_calibration(tmp_path / "cal.yaml").sources:
        assert source.sha256 in html
        assert source.name in html
    assert html.count("<figcaption>") == 11
    assert "a static polynomial with a linear map is off by" in html


def test_held_out_samples_never_reach_the_fits(liquid_metal: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both fits get every third block of 10 s without coil samples; time, pressure and reference stay."""
    seen: list[Recording] = []

    def stop(free: list[Recording], press: list[Recording], **_: object) -> None:
        seen.extend([*free, *press])
        raise InterruptedError

    monkeypatch.setattr(held_out, "calibrate", stop)
    recordings = [load_recording(liquid_metal.free_bend), load_recording(liquid_metal.press)]
    with pytest.raises(InterruptedError):
        compare_held_out(recordings[:1], recordings[1:])
    for given, whole in zip(seen, recordings, strict=True):
        block = np.floor((whole.time_s - whole.time_s[0]) / 10.0)
        assert np.all(np.isnan(given.inductance_h[block % 3 == 2]))
        assert_array_equal(given.inductance_h[block % 3 != 2], whole.inductance_h[block % 3 != 2])
        assert_array_equal(given.pressure_pa, whole.pressure_pa)
        assert 0.2 < np.mean(block % 3 == 2) < 0.4


def make_item(error_n: float, sigma_n: float, free: bool) -> HeldOutRecording:
    """Return a recording of 400 rows, the second half held out, with a constant error there, a larger one elsewhere."""
    held = np.arange(400) >= 200
    reference = np.zeros((400, 3))
    reference[300:, 2] = 0.0 if free else 1.0
    recording = Recording(np.arange(400.0), np.zeros(400), np.ones((400, 1)), np.zeros(400), force_n=reference)
    table = EstimateTable(
        time_s=recording.time_s,
        force_n=reference + np.where(held, error_n, 99.0)[:, None] * np.array([np.nan, 1.0, 1.0]),
        force_variance_n2=np.full((400, 3), sigma_n**2),
        contact_probability=np.zeros(400),
        in_contact=np.zeros(400, dtype=bool),
        bend_rad=np.zeros(400),
        flags=np.zeros(400, dtype=np.int64),
    )
    worse = replace(table, force_n=reference + 2.0 * error_n)
    return HeldOutRecording(recording, held, table, worse)


def test_errors_are_those_of_the_held_out_rows(liquid_metal: Bench) -> None:
    """Only held-out rows count, per axis, all and touched ones apart; an unobserved axis stays unknown."""
    calibration = load_calibration(liquid_metal.calibration)
    compared = HeldOut((make_item(0.02, 1.0, free=True),), (make_item(0.1, 0.06, free=False),), calibration)
    own, static = measure_errors(compared, baseline=False), measure_errors(compared, baseline=True)
    assert_allclose(own.press_n, [np.nan, 0.1, 0.1], rtol=1e-9, atol=0)
    assert_allclose(own.touched_n, [np.nan, 0.1, 0.1], rtol=1e-9, atol=0)
    assert_allclose(own.free_n, 0.02, rtol=1e-9, atol=0)
    assert own.within_2_sigma == 1.0
    assert_allclose(static.press_n, [0.2, 0.2, 0.2], rtol=1e-9, atol=0)
    assert_allclose(static.free_n, 0.04, rtol=1e-9, atol=0)
    assert static.within_2_sigma == 0.0


def test_shear_is_plotted_with_its_error_in_words() -> None:
    """Each axis has a plot of its own, and its caption tells the error on rows that were held out."""
    entry = plot_force_over_time(make_item(0.1, 0.06, free=False), axis=1)
    assert entry.plot.yaxis[0].axis_label == "force y (N)"
    assert "the estimate is off by 0.1 N rms" in entry.caption


def test_the_summary_does_not_praise_what_is_no_better(liquid_metal: Bench) -> None:
    """Where the estimator is no better than the static polynomial the summary says so."""
    calibration = load_calibration(liquid_metal.calibration)
    health = calibration_report.describe_calibration(calibration, calibration.made_on)
    compared = HeldOut((make_item(0.02, 1.0, free=True),), (make_item(0.1, 0.06, free=False),), calibration)
    own, static = measure_errors(compared, baseline=False), measure_errors(compared, baseline=True)
    good = " ".join(calibration_report._summarise(health, (own, static)))
    bad = " ".join(calibration_report._summarise(health, (static, own)))
    assert "off by 0.100 N rms; a static polynomial with a linear map is off by 0.200 N" in good
    assert "Caution" not in good
    assert "Caution: that is no better than the static polynomial" in bad


def test_a_report_without_enough_to_hold_out(liquid_metal: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """If what is left after holding out cannot be calibrated, the report says why and shows the rest."""
    free, press = load_recording(liquid_metal.free_bend), load_recording(liquid_metal.press)
    monkeypatch.setattr(held_out, "BLOCK_S", 1e-3)
    monkeypatch.setattr(held_out, "EVERY", 1)
    page = calibration_report.build_calibration_page(load_calibration(liquid_metal.calibration), [free], [press])
    html = page.render()
    assert "No block could be held out for a comparison" in html
    assert "Force on held-out blocks" not in html
    assert "Split signals" in html


def test_a_report_whose_held_out_fit_gives_no_force(liquid_metal: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """If the fit of what is left gives no force at all, the report says so instead of failing."""
    blind = make_item(float("nan"), 1.0, free=False)
    monkeypatch.setattr(held_out, "calibrate", lambda *_, **__: load_calibration(liquid_metal.calibration))
    monkeypatch.setattr(held_out, "_run_both", lambda *_: blind)
    free, press = load_recording(liquid_metal.free_bend), load_recording(liquid_metal.press)
    page = calibration_report.build_calibration_page(load_calibration(liquid_metal.calibration), [free], [press])
    assert "for a comparison: the fit without every third block gives no force" in page.render()


def test_the_report_of_a_replay_says_what_score_says(bench: Bench, shell: Shell, tmp_path: Path) -> None:
    """With the truth, verdict and exit code are those of `score`, first on the page; without it nothing is judged."""
    estimate, events, report = tmp_path / "est.csv", tmp_path / "ev.csv", tmp_path / "r.html"
    words = ["replay", bench.pick, "--calibration", bench.calibration, "--out", estimate, "--events", events]
    judged = shell(*words, "--report", report, "--truth", bench.truth)
    scored = shell("score", estimate, bench.truth, "--events", events, "--calibration", bench.calibration)
    verdict = scored.out.splitlines()[-1]
    assert (judged.code, judged.err) == (scored.code, "")
    assert judged.out.splitlines()[1:] == scored.out.splitlines()[-len(judged.out.splitlines()) + 1 :]
    first = re.search(r"<li>(.*?)</li>", report.read_text().partition('id="summary-heading"')[2])
    assert first
    assert first[1].replace("\N{NO-BREAK SPACE}", " ") == f"{verdict}."
    blind = shell(*words, "--report", report)
    assert (blind.code, blind.err) == (0, "")
    summary = report.read_text().partition('id="summary-heading"')[2].partition("</ul>")[0]
    assert "No truth was given" in summary
    assert not re.search("PASS|FAIL", summary)


def test_a_report_for_each_recording(bench: Bench, shell: Shell, tmp_path: Path) -> None:
    """Reports and truths come one a recording; a truth of another recording is refused in one line."""
    words = [
        "replay",
        bench.pick,
        bench.ramps,
        "--calibration",
        bench.calibration,
        "--out",
        tmp_path / "a",
        tmp_path / "b",
    ]
    outcome = shell(*words, "--report", tmp_path / "r.html")
    assert outcome.code == 2
    assert "--report must be given once for each recording: 2; got 1" in outcome.err
    (tmp_path / "no.csv").write_text("time_s,force_x_n,force_y_n,force_z_n,bend_rad,in_contact,slip\n0,0,0,0,0,0,0\n")
    words = ["replay", bench.pick, "--calibration", bench.calibration, "--out", tmp_path / "a"]
    outcome = shell(*words, "--truth", tmp_path / "no.csv")
    assert (outcome.code, len(outcome.err.splitlines())) == (1, 1)
    assert "no.csv" in outcome.err
