"""Lab logs of all sorts become the same recording."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import yaml
from numpy.testing import assert_allclose, assert_array_equal

from soft_tactile_node.errors import RecordingError
from soft_tactile_node.importing import LogMap, import_log

# Three rows in SI: what every log below holds.
TIME_S = np.array([0.0, 0.002, 0.0045])
PRESSURE_PA = np.array([0.0, 1500.0, 3000.0])
INDUCTANCE_H = np.array([[10e-6, 12e-6], [10.1e-6, 12.2e-6], [10.3e-6, 12.1e-6]])


def load(folder: Path, log: str | bytes, rules: str, reference: str | None = None) -> LogMap:
    """Write a log (and a second one) and return the checked map."""
    (folder / "log.csv").write_bytes(log.encode() if isinstance(log, str) else log)
    if reference is not None:
        (folder / "force.csv").write_text(reference)
    return LogMap.model_validate(yaml.safe_load(rules))


LOGS = {}
LOGS["SI with commas"] = (
    "t,p,a,b\n0,0,10e-6,12e-6\n0.002,1500,10.1e-6,12.2e-6\n0.0045,3000,10.3e-6,12.1e-6\n",
    "{time: {column: t}, pressure: {column: p, unit: Pa}, coils: [{column: a, unit: H}, {column: b, unit: H}]}",
)
LOGS["semicolons, decimal commas, cp1252, a row of units, absolute pressure"] = (
    "Rig\r\nZeit;Druck;L1 µH;L2 µH\r\n;;µH;µH\r\n5,0;1000;10,0;12,0\r\n7,0;1015;10,1;12,2\r\n9,5;1030;10,3;12,1\r\n",
    """
    file: {rows_before: 1, rows_after: 1, decimal: ',', encoding: cp1252}
    time: {column: Zeit, unit: ms}
    pressure: {column: Druck, unit: mbar, reference: absolute, atmospheric_pa: 100000}
    coils: [{column: 'L1 µH', unit: uH}, {column: 'L2 µH', unit: uH}]
    """,
)
LOGS["no names, tabs, comments, dates, offset and scale"] = (
    """% made by hand
2025-03-01T09:30:00.000Z\t1\t5.0\t6000
2025-03-01T09:30:00.002Z\t2.5\t5.05\t6100
2025-03-01T09:30:00.004500Z\t4\t5.15\t6050
""",
    """
    file: {header: false, comment: '%'}
    time: {column: 1, unit: iso8601}
    pressure: {column: 2, unit: kPa, offset: -1}
    coils: [{column: 3, unit: uH, scale: 2}, {column: 4, unit: nH, scale: 2}]
    """,
)
LOGS["a counter that wraps, blanks"] = (
    "us   bar    a    b\n65000 0      10   12\n1464 0.015  10.1 12.2\n3964 0.03   10.3 12.1\n",
    """
    file: {delimiter: space}
    time: {column: us, unit: us, wraps_at: 65536}
    pressure: {column: bar, unit: bar}
    coils: [{column: a, unit: uH}, {column: b, unit: uH}]
    """,
)


@pytest.mark.parametrize("name", LOGS)
def test_logs_of_all_sorts(tmp_path: Path, name: str) -> None:
    """The same three rows, written in four ways, give the same recording."""
    log, rules = LOGS[name]
    written = log.encode("cp1252" if "cp1252" in rules else "utf-8")
    found = import_log(tmp_path / "log.csv", load(tmp_path, written, rules)).recording
    assert_allclose(found.time_s, TIME_S, atol=1e-6)
    assert_allclose(found.pressure_pa, PRESSURE_PA, atol=1e-6)
    assert_allclose(found.inductance_h, INDUCTANCE_H, rtol=1e-12)


def test_everything_else_a_log_may_hold(tmp_path: Path) -> None:
    """Each further quantity in a unit of the lab; cells named as missing are missing."""
    rules = load(
        tmp_path,
        "p,a,T,R,gx,gy,gz,F,deg,mm\n0,10,68,5,0,0,1,100,90,2\n-,OL,-9999,5,0,0,1,0,0,0\n",
        "{file: {missing: ['-', OL, '-9999']}, time: {rate_hz: 100}, pressure: {column: p, unit: kPa},"
        " coils: [{column: a, unit: uH}], temperature: {column: T, unit: degF}, loss: [{column: R, unit: ohm}],"
        " acceleration: {x: {column: gx, unit: g_0}, y: {column: gy, unit: g_0}, z: {column: gz, unit: g_0}},"
        " force: {z: {column: F, unit: gf, scale: -1}}, bend: {column: deg, unit: deg},"
        " indent: {column: mm, unit: mm}}",
    )
    found = import_log(tmp_path / "log.csv", rules).recording
    assert_allclose(found.time_s, [0.0, 0.01])
    assert_allclose(found.temperature_c, [20.0, np.nan], atol=1e-9)
    assert_allclose(found.inductance_h[:, 0], [10e-6, np.nan])
    assert_allclose(found.pressure_pa, [0.0, np.nan])
    assert found.acceleration_m_s2 is not None
    assert found.force_n is not None
    assert found.bend_rad is not None
    assert found.indent_m is not None
    assert_allclose(found.acceleration_m_s2[0], [0.0, 0.0, 9.80665])  # CODATA/CGPM 1901, exact
    assert_allclose(found.force_n[0], [np.nan, np.nan, -0.980665])  # 100 g in standard gravity
    assert_allclose(found.bend_rad[0], np.pi / 2.0)
    assert_allclose(found.indent_m[0], 2e-3)


@pytest.mark.parametrize(
    ("unit", "cell"),
    [("count", 50e6 / 3.3932e6), ("MHz", 3.3932)],
)
def test_counts_and_frequencies_go_through_the_tank(tmp_path: Path, unit: str, cell: float) -> None:
    """A 10 uH coil with 220 pF resonates at 1/(2 pi sqrt(L C)) = 3.3932 MHz (closed form); a count of 0 is missing."""
    rules = load(
        tmp_path, f"p,a\n0,{cell}\n0,0\n",
        f"{{time: {{rate_hz: 100}}, pressure: {{column: p, unit: kPa}}, coils: [{{column: a, unit: {unit}}}],"
        " tank: {reference_hz: 50.0e6, capacitor_f: 220.0e-12}}",
    )  # fmt: skip
    found = import_log(tmp_path / "log.csv", rules).recording
    assert_allclose(found.inductance_h[:, 0], [10e-6, np.nan], rtol=1e-4)


REFERENCE = "reference: {time: {column: s}, force: {z: {column: F, unit: N}}, offset_s: -100.0}"


def test_a_given_offset_is_used(tmp_path: Path) -> None:
    """The second log is put on the first one's rows: interpolated, NaN outside it and in its gaps."""
    rows = "".join(f"{k / 100},0,10\n" for k in range(200))
    stamps = [t for t in np.arange(100.5, 101.3, 0.05) if not 100.81 < t < 101.09]
    rules = load(
        tmp_path, "t,p,a\n" + rows,
        "{time: {column: t}, pressure: {column: p, unit: kPa}, coils: [{column: a, unit: uH}], " + REFERENCE + "}",
        "s,F\n" + "".join(f"{t:.2f},{t - 100.0:.2f}\n" for t in stamps),
    )  # fmt: skip
    found = import_log(tmp_path / "log.csv", rules, tmp_path / "force.csv")
    assert found.clock is not None
    assert found.recording.force_n is not None
    force = found.recording.force_n[:, 2]
    assert_allclose(force[50:81], found.recording.time_s[50:81], atol=1e-9)
    assert np.isnan(force[:50]).all()
    assert np.isnan(force[131:]).all()


@pytest.mark.parametrize(
    ("log", "changes", "message"),
    [
        ("t,p,a\n0,0,x\n", {}, r"row 2, column a: 'x' is not a number"),
        ("t,p,a\n0,0,1_0\n", {}, r"row 2, column a: '1_0' is not a number"),
        ("t,p,a\n0,0,10\n1,0\n", {}, r"row 3, column a: the row ends after 2 cells"),
        ("t,p,b\n0,0,10\n", {}, r"has no column 'a' \(found: t, p, b\)"),
        ("# bench 2, no 7\nt,p,a\n0,0,10\n", {}, r"first row is a comment \(# bench 2, no 7\): set file.comment: '#'"),
        ("t,p,a,a\n0,0,10,1\n", {}, r"has 2 columns named 'a'"),
        ("t,p,a\n", {}, r"has no rows below its names"),
        ("", {}, r"is empty"),
        ("t,p,a\n,0,10\n", {}, r"row 2, column t: the time is missing"),
        ("t,p,a\n0,0,\xb5\n".encode("latin-1"), {}, r"row 2: is not utf-8 text; set file.encoding"),
        (b"t,p,a\n0,0,\0\n", {}, r"row 2: holds binary data"),
        ('t,p,a\n0,"0,10\n', {}, r"row 2: cannot be split into cells"),
        ("t,p,a\n0,0,10\n", {"p, unit: kPa": "p, unit: kPa, reference: absolute"}, r"0 Pa at rest looks like gauge"),
        ("t,p,a\n0,0,10\n", {"column: t": "column: t, unit: iso8601"}, r"row 2, column t: '0' is not a time"),
        ("t,p,a\n9,0,10\n", {"column: t": "column: t, wraps_at: 5"}, r"must lie between 0 and time.wraps_at = 5"),
    ],
)
def test_broken_logs_are_refused_with_their_place(
    tmp_path: Path, log: str | bytes, changes: dict[str, str], message: str
) -> None:
    """The first thing that is wrong is named with file, row and column."""
    rules = "{time: {column: t}, pressure: {column: p, unit: kPa}, coils: [{column: a, unit: uH}]}"
    for old, new in changes.items():
        assert old in rules
        rules = rules.replace(old, new)
    with pytest.raises(RecordingError, match=message) as caught:
        import_log(tmp_path / "log.csv", load(tmp_path, log, rules))
    assert str(caught.value).startswith(str(tmp_path / "log.csv"))


def test_what_looks_odd_is_remarked(tmp_path: Path) -> None:
    """A wrong unit, pressure at the start, backward time and a pulling force are said, not guessed away."""
    rules = load(
        tmp_path, "t,p,a,F\n0,20,10,0\n2,20,10,-3\n1,20,10,0\n",
        "{time: {column: t}, pressure: {column: p, unit: kPa}, coils: [{column: a, unit: H}],"
        " force: {z: {column: F, unit: N}}}",
    )  # fmt: skip
    remarks = " ".join(import_log(tmp_path / "log.csv", rules).remarks)
    for words in ("10 H, unusual", "20.0 kPa at the start", "runs backwards at 1 rows", "set scale: -1"):
        assert words in remarks


def test_map_and_files_must_match(tmp_path: Path) -> None:
    """A second log without its part of the map, or the other way round, is refused."""
    log, rules = LOGS["SI with commas"]
    checked = load(tmp_path, log, rules, "s,F\n0,0\n")
    with pytest.raises(RecordingError, match=r"a second log is given, and the map has no part `reference`"):
        import_log(tmp_path / "log.csv", checked, tmp_path / "force.csv")
    checked = load(tmp_path, log, rules[:-1] + ", " + REFERENCE + "}")
    with pytest.raises(RecordingError, match=r"no second log is given"):
        import_log(tmp_path / "log.csv", checked)


def test_the_log_is_not_changed_by_reading_it_twice(tmp_path: Path) -> None:
    """Importing is a function of its files: twice the same, with the file's fingerprint."""
    log, rules = LOGS["SI with commas"]
    checked = load(tmp_path, log, rules)
    first, second = (import_log(tmp_path / "log.csv", checked).recording for _ in range(2))
    assert_array_equal(first.inductance_h, second.inductance_h)
    assert first.sha256 == second.sha256
    assert len(first.sha256) == 64
