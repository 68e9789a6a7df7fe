"""Recordings, truths, estimates and events as files: what is read, what is refused, and how the refusal reads."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from soft_tactile_node.errors import RecordingError
from soft_tactile_node.recordings import (
    EstimateTable,
    Recording,
    Truth,
    csv_table,
    load_estimate,
    load_events,
    load_recording,
    load_truth,
    save_estimate,
    save_events,
    save_recording,
    save_truth,
)
from soft_tactile_node.recordings.csv_files import ESTIMATE
from soft_tactile_node.samples import ContactEvent, EventKind

PLAIN = """time_s,pressure_pa,coil_1_h,coil_2_h,temperature_c
0.0,101.5,1.0e-05,1.1e-05,21.5
0.002,,1.00001e-05,nan,21.5
0.0041,99.25,,1.10002e-05,
"""


def write(folder: Path, content: str | bytes, name: str = "log.csv") -> Path:
    """Write a file and return its path."""
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def make_recording(rows: int = 40, channels: int = 4, seed: int = 1) -> Recording:
    """Return a recording with every optional column, gaps and jittered stamps."""
    rng = np.random.default_rng(seed)
    pressure = rng.uniform(0, 6e4, rows)
    pressure[rng.random(rows) < 0.8] = np.nan
    inductance = 1e-5 * (1 + 0.1 * rng.standard_normal((rows, channels)))
    inductance[rng.random((rows, channels)) < 0.1] = np.nan
    return Recording(
        time_s=np.arange(rows) / 500 + rng.uniform(0, 2e-4, rows),
        pressure_pa=pressure,
        inductance_h=inductance,
        temperature_c=20 + rng.random(rows),
        loss_ohm=rng.random((rows, channels)),
        acceleration_m_s2=rng.standard_normal((rows, 3)),
        indent_m=rng.random(rows) * 1e-3,
        force_n=rng.standard_normal((rows, 3)),
        bend_rad=rng.random(rows),
        extra={"remark": tuple('a "quoted", word' if k == 3 else "ok" for k in range(rows))},
    )


def assert_same(one: Recording, other: Recording) -> None:
    """Compare two recordings bit by bit."""
    for name in ("time_s", "pressure_pa", "inductance_h", "temperature_c", "loss_ohm", "acceleration_m_s2"):
        assert_array_equal(getattr(one, name), getattr(other, name))
    for name in ("indent_m", "force_n", "bend_rad"):
        assert_array_equal(getattr(one, name), getattr(other, name))


def test_missing_samples_become_nan(tmp_path: Path) -> None:
    """An empty cell and the word nan both mean a missing sample; everything else is read as written."""
    recording = load_recording(write(tmp_path, PLAIN))
    assert recording.channels == 2
    assert_array_equal(recording.time_s, [0.0, 0.002, 0.0041])
    assert_array_equal(recording.pressure_pa, [101.5, np.nan, 99.25])
    assert_array_equal(recording.inductance_h, [[1.0e-05, 1.1e-05], [1.00001e-05, np.nan], [np.nan, 1.10002e-05]])
    assert_array_equal(recording.temperature_c, [21.5, 21.5, np.nan])
    assert recording.force_n is None
    assert recording.bend_rad is None


def test_columns_may_stand_in_any_order(tmp_path: Path) -> None:
    """Shuffling the columns changes nothing."""
    recording = make_recording()
    path = tmp_path / "a.csv"
    save_recording(recording, path)
    rows = [line.split(",") for line in path.read_text().replace('"a ""quoted"", word"', "x").splitlines()]
    order = np.random.default_rng(5).permutation(len(rows[0]))
    shuffled = write(tmp_path, "\n".join(",".join(row[k] for k in order) for row in rows), "b.csv")
    assert_same(load_recording(shuffled), recording)


def test_temperature_may_be_missing(tmp_path: Path) -> None:
    """Without a temperature column the temperature is unknown, not zero."""
    path = write(tmp_path, "coil_1_h,time_s,pressure_pa\n1e-5,0,0\n1e-5,1,0\n")
    assert_array_equal(load_recording(path).temperature_c, [np.nan, np.nan])


def test_recording_reads_back_to_the_same_bits(tmp_path: Path) -> None:
    """Saving and loading keeps every bit of every number, and the columns nobody knows."""
    recording = make_recording()
    path = tmp_path / "a.csv"
    save_recording(recording, path)
    loaded = load_recording(path)
    assert_same(loaded, recording)
    assert loaded.extra == recording.extra
    assert loaded.source == "a.csv"


def test_clean_and_careful_reading_agree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The quick parser and the cell-by-cell one return the same numbers."""
    path = tmp_path / "a.csv"
    save_recording(make_recording(), path)
    quick = load_recording(path)
    monkeypatch.setattr(csv_table, "_parse_fast", lambda *_: None)
    assert_same(load_recording(path), quick)


def test_blocks_do_not_change_what_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that is read in many small blocks gives the same rows, and errors keep their row number."""
    path = tmp_path / "a.csv"
    recording = make_recording()
    save_recording(recording, path)
    monkeypatch.setattr(csv_table, "BLOCK_SIZE", 1000)
    assert_same(load_recording(path), recording)
    lines = path.read_text().splitlines()
    lines[30] = lines[30].replace(lines[30].split(",")[0], "soon")
    with pytest.raises(RecordingError, match=r"row 31, column time_s: 'soon' is not a number"):
        load_recording(write(tmp_path, "\n".join(lines), "b.csv"))


def test_digest_is_that_of_the_file(tmp_path: Path) -> None:
    """The recording carries the SHA-256 of the file's bytes, as hashlib computes it."""
    path = write(tmp_path, PLAIN)
    assert load_recording(path).sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_unknown_columns_are_kept_as_text(tmp_path: Path) -> None:
    """Columns with other names are ignored by the numbers and kept for whoever writes the recording again."""
    for ending in ("\n", "\r\n"):
        lines = ["time_s,machine,pressure_pa,coil_1_h,operator", "0,2,0,1e-5,late shift", "1,,0,1e-5,", ""]
        extra = load_recording(write(tmp_path, ending.join(lines))).extra
        assert extra == {"machine": ("2", ""), "operator": ("late shift", "")}


def test_quoted_cells_follow_the_csv_standard(tmp_path: Path) -> None:
    """A quoted cell may hold commas and doubled quotes (IETF RFC 4180, section 2, rules 6 and 7, from memory)."""
    path = write(tmp_path, 'time_s,note,pressure_pa,coil_1_h\r\n0,"b ""bb"", c","1.5",1e-5\r\n')
    recording = load_recording(path)
    assert recording.extra == {"note": ('b "bb", c',)}
    assert recording.pressure_pa[0] == 1.5


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_line_ends_and_byte_order_mark_do_not_matter(tmp_path: Path, ending: str, mark: str) -> None:
    """Files from any system are read alike, with a blank line at the end or without the last line end."""
    reference = load_recording(write(tmp_path, PLAIN))
    for tail in ("", ending, ending * 3):
        path = write(tmp_path, mark + PLAIN.rstrip("\n").replace("\n", ending) + tail, "b.csv")
        loaded = load_recording(path)
        assert_array_equal(loaded.inductance_h, reference.inductance_h)
        assert_array_equal(loaded.pressure_pa, reference.pressure_pa)


def test_stamps_are_kept_as_they_are(tmp_path: Path) -> None:
    """Equal and backward time stamps stay in the recording; judging them is the estimator's business."""
    path = write(tmp_path, "time_s,pressure_pa,coil_1_h\n0,0,1e-5\n0.002,0,1e-5\n0.002,0,1e-5\n0.001,0,1e-5\n")
    assert_array_equal(load_recording(path).time_s, [0, 0.002, 0.002, 0.001])


HEAD = "time_s,pressure_pa,coil_1_h\n"

BAD_FILES = [
    ("empty", b"", "log.csv: is empty"),
    ("blank", b"\n\n", "row 1: is blank"),
    ("header only", HEAD.encode(), "row 2: no data below the header"),
    ("other header", b"t,p,l\n0,0,1\n", "row 1, column coil_1_h: is missing"),
    ("no time", b"pressure_pa,coil_1_h\n0,1e-5\n", "row 1, column time_s: is missing"),
    ("no pressure", b"time_s,coil_1_h\n0,1e-5\n", "row 1, column pressure_pa: is missing"),
    ("no header", b"0,0,1e-5\n0.002,0,1e-5\n", "row 1: holds numbers, not names"),
    ("semicolons", b"time_s;pressure_pa;coil_1_h\n0;0;1e-5\n", "row 1, column coil_1_h: is missing"),
    ("gap in coils", b"time_s,pressure_pa,coil_1_h,coil_3_h\n0,0,1,1\n", "column coil_2_h: is missing beside coil_3_h"),
    ("coil zero", b"time_s,pressure_pa,coil_0_h,coil_1_h\n0,0,1,1\n", "number the coils from 1"),
    ("loss without coil", b"time_s,pressure_pa,coil_1_h,coil_2_ohm\n0,0,1,1\n", "column coil_2_ohm: has no coil_2_h"),
    (
        "two of three",
        HEAD.replace("\n", ",force_x_n,force_z_n\n").encode() + b"0,0,1,1,1\n",
        "column force_y_n: is missing",
    ),
    ("twice", b"time_s,pressure_pa,coil_1_h,time_s\n0,0,1,1\n", "row 1, column time_s: the name stands twice"),
    ("nameless", b"time_s,,pressure_pa,coil_1_h\n0,0,1,1\n", "row 1, column 2: the name is empty"),
    ("text", HEAD.encode() + b"0,0,1e-5\n1,high,1e-5\n", "row 3, column pressure_pa: 'high' is not a number"),
    ("underscore", HEAD.encode() + b"0,1_000,1e-5\n", "row 2, column pressure_pa: '1_000' is not a number"),
    ("truncated", HEAD.encode() + b"0,0,1e-5\n1,0\n", "row 3, column coil_1_h: the row ends after 2 of 3 cells"),
    ("too long", HEAD.encode() + b"0,0,1e-5\n1,0,1e-5,7\n", "row 3, column 4: the row has 4 cells under 3 names"),
    ("decimal comma", HEAD.encode() + b"0,0,1e-5\n0,5,0,1e-5\n", "row 3, column 4"),
    ("no time in a row", HEAD.encode() + b"0,0,1e-5\n,0,1e-5\n", "row 3, column time_s: the time is missing"),
    (
        "endless time",
        HEAD.encode() + b"0,0,1e-5\ninf,0,1e-5\n",
        "row 3, column time_s: the time is missing or not finite",
    ),
    ("after a blank line", HEAD.encode() + b"0,0,1e-5\n\nx,0,1e-5\n", "row 4, column time_s: 'x' is not a number"),
    ("binary", b"\x7fELF\x02\x01\x01\x00" + bytes(range(256)), "row 1: holds binary data"),
    ("binary later", HEAD.encode() + b"0,0,1e-5\n\x00\x00,0,1\n", "row 3: holds binary data"),
    ("other encoding", HEAD.encode() + "0,0,1e-5\n1,0,1e-5µ\n".encode("latin-1"), "row 3: is not UTF-8"),
    ("two-byte text", HEAD.encode("utf-16"), "row 1: holds binary data"),
    ("huge cell", HEAD.encode() + b"0,0," + b"9" * 300_000 + b"x\n", "row 2"),
    ("endless header", b"a" * 100_000, "row 1: is longer than 65536 bytes"),
    ("open quote", HEAD.encode() + b'0,"0,1e-5\n', "row 2: cannot be split into cells"),
    (
        "seventeen coils",
        ("time_s,pressure_pa," + ",".join(f"coil_{k}_h" for k in range(1, 18)) + "\n").encode(),
        "coil_17_h",
    ),
]


@pytest.mark.parametrize(("content", "message"), [case[1:] for case in BAD_FILES], ids=[case[0] for case in BAD_FILES])
def test_a_bad_file_is_refused_in_one_line(tmp_path: Path, content: bytes, message: str) -> None:
    """Each kind of bad file is refused with one short line that names file, row, column and what to do."""
    path = write(tmp_path, content)
    with pytest.raises(RecordingError) as caught:
        load_recording(path)
    text = str(caught.value)
    assert text.startswith(str(path))
    assert message in text
    assert "\n" not in text
    assert ";" in text
    assert len(text) < 400 + len(str(path))


def test_an_endless_row_is_refused_before_it_fills_the_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A row longer than a block ends the reading with its row number."""
    monkeypatch.setattr(csv_table, "BLOCK_SIZE", 1000)
    path = write(tmp_path, HEAD + "0,0,1e-5\n" * 500 + "1" * 5000)
    with pytest.raises(RecordingError, match="row 502: is longer than 1000 bytes"):
        load_recording(path)


def test_missing_file_and_folder_are_refused(tmp_path: Path) -> None:
    """A file that is not there, or is a folder, is named in one line."""
    with pytest.raises(RecordingError, match=r"nowhere.csv: cannot be read \(No such file"):
        load_recording(tmp_path / "nowhere.csv")
    with pytest.raises(RecordingError, match=r"is a folder without .mcap files"):
        load_recording(tmp_path)


def test_truth_reads_back_to_the_same_bits(tmp_path: Path) -> None:
    """Saving and loading a truth keeps every value."""
    rng = np.random.default_rng(2)
    truth = Truth(rng.random(9), rng.random((9, 3)), rng.random(9), rng.random(9) < 0.5, rng.random(9) < 0.5)
    save_truth(truth, tmp_path / "t.csv")
    loaded = load_truth(tmp_path / "t.csv")
    for name in ("time_s", "force_n", "bend_rad", "in_contact", "slip"):
        assert_array_equal(getattr(loaded, name), getattr(truth, name))


def test_estimate_reads_back_to_the_same_bits(tmp_path: Path) -> None:
    """Saving and loading an estimate keeps every value, unobserved forces as nan and flags as whole numbers."""
    rng = np.random.default_rng(3)
    force = rng.random((9, 3))
    force[:, 0] = np.nan
    table = EstimateTable(
        rng.random(9), force, rng.random((9, 3)), rng.random(9), rng.random(9) < 0.5, rng.random(9), np.arange(9) * 1000
    )
    save_estimate(table, tmp_path / "e.csv")
    loaded = load_estimate(tmp_path / "e.csv")
    for name in ("time_s", "force_n", "force_variance_n2", "contact_probability", "in_contact", "bend_rad", "flags"):
        assert_array_equal(getattr(loaded, name), getattr(table, name))
    assert loaded.flags.dtype == np.int64
    assert (tmp_path / "e.csv").read_text().splitlines()[1].split(",")[1] == "nan"


def test_events_read_back_the_same(tmp_path: Path) -> None:
    """Saving and loading events keeps times, kinds, numbers and forces; no events are no error."""
    events = [
        ContactEvent(2.5, 2.49, EventKind.CONTACT, 1, np.array([0.1, np.nan, 1 / 3]), 0.99),
        ContactEvent(4.0, float("nan"), EventKind.SLIP, 1, np.array([0.1, 0.2, 0.3]), 1.0),
    ]
    save_events(events, tmp_path / "v.csv")
    loaded = load_events(tmp_path / "v.csv")
    assert [(e.time_s, e.kind, e.contact_id, e.contact_probability) for e in loaded] == [
        (2.5, EventKind.CONTACT, 1, 0.99),
        (4.0, EventKind.SLIP, 1, 1.0),
    ]
    assert_array_equal([e.onset_s for e in loaded], [2.49, np.nan])
    assert_array_equal([e.force_n for e in loaded], [[0.1, np.nan, 1 / 3], [0.1, 0.2, 0.3]])
    save_events([], tmp_path / "none.csv")
    assert load_events(tmp_path / "none.csv") == []


def test_an_older_estimate_may_lack_a_number_but_no_force_or_flag(tmp_path: Path) -> None:
    """A column that an earlier version did not write reads as not known where NaN says so, else the file is refused."""
    lacking = [name for name in ESTIMATE if name != "bend_rad"]
    row = ",".join("1" for _ in lacking)
    loaded = load_estimate(write(tmp_path, f"{','.join(lacking)}\n{row}\n"))
    assert_array_equal(loaded.bend_rad, [np.nan])
    assert_array_equal(loaded.force_n, [[1.0, 1.0, 1.0]])
    for name in lacking:
        head = ",".join(one for one in ESTIMATE if one != name)
        with pytest.raises(RecordingError, match=f"row 1, column {name}: is missing"):
            load_estimate(write(tmp_path, f"{head}\n{row}\n"))


@pytest.mark.parametrize(
    ("column", "value", "message"),
    [
        ("in_contact", "0.5", "row 2, column in_contact: must be 0 or 1; got 0.5"),
        ("in_contact", "", "row 2, column in_contact: must be 0 or 1; got nan"),
        ("flags", "-1", "row 2, column flags: must be a whole number from 0; got -1"),
        ("flags", "1.5", "row 2, column flags: must be a whole number from 0; got 1.5"),
    ],
)
def test_a_bad_estimate_is_refused(tmp_path: Path, column: str, value: str, message: str) -> None:
    """Contact is 0 or 1 and flags are whole numbers, or the file is refused with the place."""
    row = ",".join(value if name == column else "0" for name in ESTIMATE)
    path = write(tmp_path, ",".join(ESTIMATE) + "\n" + row + "\n")
    with pytest.raises(RecordingError) as caught:
        load_estimate(path)
    assert message in str(caught.value)


def test_an_unknown_kind_of_event_is_refused(tmp_path: Path) -> None:
    """An event of an unknown kind is named with its row."""
    save_events([ContactEvent(2.5, 2.49, EventKind.CONTACT, 1, np.zeros(3), 0.99)], tmp_path / "v.csv")
    path = write(tmp_path, (tmp_path / "v.csv").read_text().replace("contact,1", "bump,1"), "w.csv")
    with pytest.raises(RecordingError, match=r"row 2, column kind: must be one of contact, .*; got 'bump'"):
        load_events(path)
