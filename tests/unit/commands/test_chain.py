"""From simulated recordings to figures through the command line, with tidy files and with untidy ones."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from soft_tactile_node.recordings import load_estimate, load_events, load_recording, load_truth
from soft_tactile_node.scoring import KEYS
from unit.commands.conftest import Bench, Shell

ESTIMATE_COLUMNS = (
    "time_s,force_x_n,force_y_n,force_z_n,force_x_var_n2,force_y_var_n2,force_z_var_n2,contact_probability,in_contact,"
    "bend_rad,flags"
)
EVENT_COLUMNS = "time_s,onset_s,kind,contact_id,force_x_n,force_y_n,force_z_n,contact_probability"
TRUTH_COLUMNS = "time_s,force_x_n,force_y_n,force_z_n,bend_rad,in_contact,slip"


def read_header(path: Path) -> str:
    """Return the first line of a file."""
    with path.open() as stream:
        return stream.readline().rstrip("\n")


def read_cells(path: Path) -> list[list[str]]:
    """Return a CSV file of plain numbers as cells, header first."""
    return [line.split(",") for line in path.read_text().splitlines()]


def write_cells(path: Path, cells: list[list[str]]) -> Path:
    """Write cells as a CSV file."""
    path.write_text("\n".join(",".join(row) for row in cells) + "\n")
    return path


def test_simulated_files_have_the_promised_columns(bench: Bench) -> None:
    """Only press has force columns, only free-bend has a bend column, and names and order are the documented ones."""
    coils = ",".join(f"coil_{k}_h" for k in range(1, 5 if bench.pad == "iron_disc" else 2))
    common = f"time_s,pressure_pa,{coils},temperature_c"
    assert read_header(bench.pick) == common
    assert read_header(bench.ramps) == common
    assert read_header(bench.free_bend) == f"{common},bend_rad"
    assert read_header(bench.press) == f"{common},indent_m,force_x_n,force_y_n,force_z_n"
    assert read_header(bench.truth) == TRUTH_COLUMNS


def test_replay_and_score(bench: Bench, shell: Shell, tmp_path: Path) -> None:
    """A recording goes through replay and score: promised columns, one row a row, figures under their names."""
    estimate, events = tmp_path / "est.csv", tmp_path / "ev.csv"
    words = ["replay", bench.pick, "--calibration", bench.calibration, "--out", estimate, "--events", events]
    outcome = shell(*words)
    assert (outcome.code, outcome.err) == (0, "")
    assert read_header(estimate) == ESTIMATE_COLUMNS
    assert read_header(events) == EVENT_COLUMNS
    assert_array_equal(load_estimate(estimate).time_s, load_recording(bench.pick).time_s)
    outcome = shell("score", estimate, bench.truth, "--events", events, "--json")
    figures = json.loads(outcome.out)
    assert (outcome.code, outcome.err) == ({"PASS": 0, "FAIL": 3}[figures["verdict"]], "")
    assert tuple(figures)[: len(KEYS)] == KEYS
    text = shell("score", estimate, bench.truth)
    assert text.code == outcome.code
    assert text.out.splitlines()[-1].startswith(figures["verdict"])
    assert [line.split()[0] for line in text.out.splitlines()[: len(KEYS)]] == list(KEYS)
    assert "bend_rejection_db" in text.out
    assert "not computed: needs --recording and --press" in text.out


def test_rows_of_the_tare(bench: Bench, shell: Shell, tmp_path: Path) -> None:
    """While the tare is taken force is NaN, nothing is in contact and the flag TARE is set, as long as asked for."""
    estimate = tmp_path / "est.csv"
    assert shell("replay", bench.pick, "--calibration", bench.calibration, "--out", estimate, "--tare-s", 1.5).code == 0
    table = load_estimate(estimate)
    taring = table.time_s < 1.49
    assert np.all(np.isnan(table.force_n[taring]))
    assert not np.any(table.in_contact[taring])
    assert np.all(table.flags[taring] & 1)
    assert not np.any(table.flags[table.time_s > 1.51] & 1)


def test_replay_with_the_calibration_of_another_finger_says_so(iron_disc: Bench, shell: Shell, tmp_path: Path) -> None:
    """The estimate is written, and stderr says which coil rests elsewhere."""
    other = tmp_path / "other.csv"
    assert shell("simulate", "hold", "--seed", 8, "--rate", 100, "--duration", 4, "--out", other).code == 0
    outcome = shell("replay", other, "--calibration", iron_disc.calibration, "--out", tmp_path / "est.csv")
    assert outcome.code == 0
    assert re.fullmatch(
        rf"soft-tactile: {other}: coil \d rests .* % off its calibration: that of another .*\n", outcome.err
    )


def test_several_recordings_at_once(bench: Bench, shell: Shell, tmp_path: Path) -> None:
    """Several recordings are replayed and scored in one go, with the figures of all of them pooled."""
    outputs = [tmp_path / "a.csv", tmp_path / "b.csv"]
    events = [tmp_path / "ea.csv", tmp_path / "eb.csv"]
    recordings = [bench.pick, bench.ramps]
    words = ["replay", *recordings, "--calibration", bench.calibration, "--out", *outputs, "--events", *events]
    outcome = shell(*words)
    assert outcome.code == 0
    assert len(outcome.out.splitlines()) == 2
    pairs = ["--pair", outputs[0], bench.truth, "--pair", outputs[1], bench.calm]
    words = ["score", *pairs, "--events", *events, "--recording", *recordings, "--press", bench.press, "--json"]
    outcome = shell(*words)
    assert outcome.code in (0, 3)
    pooled = json.loads(outcome.out)
    outcome = shell("score", outputs[0], bench.truth, "--pair", outputs[1], bench.calm, "--json")
    assert json.loads(outcome.out)["finite_share_z"] == pooled["finite_share_z"]
    assert len(load_truth(bench.truth)) + len(load_truth(bench.calm)) == sum(len(load_estimate(o)) for o in outputs)
    assert min(event.time_s for event in load_events(events[0])) >= 1.0, "nothing is told during the tare"


def test_replay_never_reads_force_or_bend(bench: Bench, shell: Shell, tmp_path: Path) -> None:
    """Reference columns full of random numbers, or of words, give the same bytes as no reference columns at all."""
    cells = read_cells(bench.pick)
    rng = np.random.default_rng(8)
    names = ["force_x_n", "bend_rad", "force_z_n", "force_y_n"]
    numbers = [row + [repr(float(value)) for value in rng.normal(0, 100, 4)] for row in cells]
    numbers[0] = cells[0] + names
    words = [[*row, "none", "", "-", "?"] for row in cells]
    words[0] = cells[0] + names
    results = set()
    for k, table in enumerate((cells, numbers, words)):
        recording = write_cells(tmp_path / f"rec{k}.csv", table)
        estimate, events = tmp_path / f"est{k}.csv", tmp_path / f"ev{k}.csv"
        arguments = ["--calibration", bench.calibration, "--out", estimate, "--events", events]
        assert shell("replay", recording, *arguments).code == 0
        results.add((estimate.read_bytes(), events.read_bytes()))
    assert len(results) == 1


@pytest.mark.parametrize("rows", [900, 2000, 3333])
def test_replay_is_causal(bench: Bench, shell: Shell, tmp_path: Path, rows: int) -> None:
    """Replaying the first rows of a recording gives the first rows of its estimate, byte for byte, and their events."""
    cells = read_cells(bench.pick)
    short = write_cells(tmp_path / "short.csv", cells[: rows + 1])
    for name, recording in (("whole", bench.pick), ("short", short)):
        arguments = ["--out", tmp_path / f"{name}_est.csv", "--events", tmp_path / f"{name}_ev.csv"]
        assert shell("replay", recording, "--calibration", bench.calibration, *arguments).code == 0
    whole = (tmp_path / "whole_est.csv").read_text().splitlines()
    assert (tmp_path / "short_est.csv").read_text().splitlines() == whole[: rows + 1]
    last_s = float(cells[rows][0])
    events = (tmp_path / "whole_ev.csv").read_text().splitlines()
    before = [line for line in events[1:] if float(line.split(",")[0]) <= last_s]
    assert (tmp_path / "short_ev.csv").read_text().splitlines()[1:] == before


def make_untidy(path: Path, source: Path, *, jitter_s: float) -> list[list[str]]:
    """Write a recording with shuffled columns, no temperature, empty and nan cells and jittered stamps."""
    rng = np.random.default_rng(9)
    cells = read_cells(source)
    drop = cells[0].index("temperature_c")
    order = [k for k in rng.permutation(len(cells[0])) if k != drop]
    for row in cells[1:]:
        row[0] = repr(float(row[0]) + rng.uniform(-jitter_s, jitter_s))
        for k, name in enumerate(cells[0]):
            if name.startswith("coil") and rng.random() < 0.01:
                row[k] = "" if rng.random() < 0.5 else "NaN"
    shuffled = [[row[k] for k in order] + ["a word"] for row in cells]
    shuffled[0][-1] = "operator"
    write_cells(path, shuffled)
    return cells


def test_an_untidy_recording_works(bench: Bench, shell: Shell, tmp_path: Path) -> None:
    """Shuffled columns, no temperature, empty cells, an unknown column and jittered stamps give one row a row.

    The forces stay close to those of the tidy recording: what changed is a percent of the samples and 0.5 ms of time.
    """
    untidy = tmp_path / "untidy.csv"
    make_untidy(untidy, bench.pick, jitter_s=5e-4)
    for name, recording in (("tidy", bench.pick), ("untidy", untidy)):
        outcome = shell("replay", recording, "--calibration", bench.calibration, "--out", tmp_path / f"{name}_est.csv")
        assert (outcome.code, outcome.err) == (0, "")
    tidy, found = load_estimate(tmp_path / "tidy_est.csv"), load_estimate(tmp_path / "untidy_est.csv")
    assert_array_equal(found.time_s, load_recording(untidy).time_s)
    late = tidy.time_s > 1.1
    assert np.mean(np.isfinite(found.force_n[late, 2])) > 0.95
    difference = found.force_n[late, 2] - tidy.force_n[late, 2]
    assert np.sqrt(np.nanmean(difference**2)) < 0.25


def test_untidy_recordings_calibrate(bench: Bench, shell: Shell, tmp_path: Path) -> None:
    """A calibration can be made from untidy recordings too, and says that the temperature slope is unknown."""
    for name in ("free_bend", "press"):
        make_untidy(tmp_path / f"{name}.csv", getattr(bench, name), jitter_s=5e-4)
    words = ["--free-bend", tmp_path / "free_bend.csv", "--press", tmp_path / "press.csv", "--json"]
    outcome = shell("calibrate", *words, "--out", tmp_path / "cal.yaml")
    assert (outcome.code in (0, 3), outcome.err) == (True, "")
    told = json.loads(outcome.out)
    assert told["ranges"]["temperature_c"] is None
    assert any("temperature" in text for text in told["not_identified"])
    assert told["channels"] == (4 if bench.pad == "iron_disc" else 1)


BAD = [
    ("wrong header", lambda cells: [["t", *cells[0][1:]], *cells[1:]], "row 1, column time_s: is missing"),
    ("text", lambda cells: [*cells[:7], [cells[7][0], "high", *cells[7][2:]]], "row 8, column pressure_pa: 'high'"),
    ("truncated", lambda cells: [*cells[:9], cells[9][:2]], "row 10, column coil_1_h: the row ends after 2 of"),
    ("empty", lambda cells: [], "is empty"),
    ("header only", lambda cells: cells[:1], "row 2: no data"),
]


@pytest.mark.parametrize(("change", "message"), [case[1:] for case in BAD], ids=[case[0] for case in BAD])
def test_replay_refuses_a_bad_file(bench: Bench, shell: Shell, tmp_path: Path, change: object, message: str) -> None:
    """A bad recording gives one line with file, row and column, exit code 1, and no output file."""
    cells = change(read_cells(bench.pick))  # type: ignore[operator]
    bad = tmp_path / "bad.csv"
    bad.write_text("\n".join(",".join(row) for row in cells))
    check_refusal(bench, shell, bad, tmp_path, message)


def test_replay_refuses_a_binary_file(bench: Bench, shell: Shell, tmp_path: Path) -> None:
    """A file that is no text is named as such."""
    bad = tmp_path / "bad.csv"
    bad.write_bytes(b"\x89PNG\r\n\x1a\n\x00\x00" + bytes(range(256)))
    check_refusal(bench, shell, bad, tmp_path, "row 1: is not UTF-8 text")


def test_replay_refuses_another_pad(bench: Bench, shell: Shell, tmp_path: Path) -> None:
    """A recording with another number of channels than the calibration is refused."""
    cells = [[*row, row[2]] for row in read_cells(bench.pick)]
    cells[0][-1] = f"coil_{len(cells[0]) - 3}_h"
    write_cells(tmp_path / "bad.csv", cells)
    check_refusal(bench, shell, tmp_path / "bad.csv", tmp_path, "channels; got")


def check_refusal(bench: Bench, shell: Shell, bad: Path, folder: Path, message: str) -> None:
    """Replay a bad file and see it refused in one line."""
    outcome = shell("replay", bad, "--calibration", bench.calibration, "--out", folder / "est.csv")
    assert outcome.code == 1
    assert outcome.out == ""
    assert len(outcome.err.splitlines()) == 1
    assert "bad.csv" in outcome.err
    assert message in outcome.err
    assert not (folder / "est.csv").exists()


def test_an_old_estimate_survives_a_bad_recording(bench: Bench, shell: Shell, tmp_path: Path) -> None:
    """Whatever goes wrong, a file that was there before stays as it was."""
    output = tmp_path / "est.csv"
    output.write_text("precious")
    (tmp_path / "bad.csv").write_text("time_s,pressure_pa\n")
    assert shell("replay", tmp_path / "bad.csv", "--calibration", bench.calibration, "--out", output).code == 1
    assert output.read_text() == "precious"


def test_score_takes_the_full_scale_from_a_calibration(bench: Bench, shell: Shell, tmp_path: Path) -> None:
    """With --calibration percents refer to its ranges, without it to 5 N."""
    columns = ESTIMATE_COLUMNS.split(",")
    truth = load_truth(bench.truth)
    rows = [[repr(float(t)), "0", "0", repr(float(f + 0.5)), "1", "1", "1", "0", "0", "0", "0"]
            for t, f in zip(truth.time_s, truth.force_n[:, 2], strict=True)]  # fmt: skip
    write_cells(tmp_path / "est.csv", [columns, *rows])
    plain = json.loads(shell("score", tmp_path / "est.csv", bench.truth, "--json").out)
    words = ["--calibration", bench.calibration, "--json"]
    scaled = json.loads(shell("score", tmp_path / "est.csv", bench.truth, *words).out)
    assert plain["force_z_rmse_percent_fs"] == pytest.approx(10.0)
    ranges = json.loads(shell("check", bench.calibration, "--json").out)["ranges"]
    assert scaled["force_z_rmse_percent_fs"] == pytest.approx(100 * 0.5 / ranges["force_normal_n"])


def test_score_names_the_bad_truth(shell: Shell, bench: Bench, tmp_path: Path) -> None:
    """A truth that cannot be scored is named in one line."""
    cells = read_cells(bench.truth)
    write_cells(tmp_path / "short.csv", cells[:50])
    outcome = shell("score", bench.truth, tmp_path / "short.csv")
    assert outcome.code == 1
    assert "column force_x_var_n2: is missing" in outcome.err
    write_cells(tmp_path / "est.csv", [ESTIMATE_COLUMNS.split(","), *[[row[0], *["0"] * 10] for row in cells[1:]]])
    outcome = shell("score", tmp_path / "est.csv", tmp_path / "short.csv")
    assert (outcome.code, len(outcome.err.splitlines())) == (1, 1)
    assert "short.csv: truth must be longer than 1 s" in outcome.err
