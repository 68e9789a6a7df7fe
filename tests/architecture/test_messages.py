"""The interfaces say what their fields mean and agree with the samples the core works on."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import pytest

from architecture.project import MESSAGES, PACKAGE
from soft_tactile_node.samples import MAX_CHANNELS, Estimate, EventKind, Flag, State, declared

INTERFACES = sorted(path for path in MESSAGES.rglob("*") if path.suffix in {".msg", ".srv", ".action"})
LINE = re.compile(
    r"^(?P<type>[\w/\[\]<=]+)\s+(?P<name>\w+)\s*(?:=\s*(?P<value>\"[^\"]*\"|[^\s#]+))?\s*(?:#\s*(?P<comment>.*))?$"
)
UNIT = re.compile(r"\((?:gauge )?(?:Pa|N|N m|m|s|H|rad|ohm|degC|1|m/N)(?:\^2)?(?:[,/ ][^)]*)?\)")
MUST_EXIST = {
    "CoilReadings.msg", "PadEstimate.msg", "ChannelParts.msg", "ContactEvent.msg", "GraspState.msg", "PadTruth.msg",
    "PressureCommand.msg", "ValveStatus.msg",
    "LoadCalibration.srv", "Calibrate.action", "HoldForce.action",
}  # fmt: skip


@dataclass
class Entry:
    """A field or a constant of an interface."""

    type: str
    name: str
    value: str | None
    comment: str


def _entries(path: Path) -> list[Entry]:
    found: list[Entry] = []
    for line in path.read_text().splitlines():
        stripped = line.strip()
        if stripped.startswith("#"):
            if line.startswith(" ") and found:  # a comment that goes on from the line above
                found[-1].comment += " " + stripped.lstrip("# ")
        elif stripped and stripped != "---":
            match = LINE.match(stripped)
            assert match, f"{path.name}: {line}"
            found.append(Entry(match["type"], match["name"], match["value"], match["comment"] or ""))
    return found


def _constants(interface: str) -> dict[str, str]:
    path = next(MESSAGES.rglob(interface))
    return {entry.name: entry.value.strip('"') for entry in _entries(path) if entry.value is not None}


def test_copies_in_the_package_are_equal() -> None:
    """Recordings are read without ROS 2 by the very definitions that are built."""
    copies = {path.name: path.read_text() for path in (PACKAGE / "recordings" / "interfaces").glob("*.msg")}
    assert copies == {path.name: path.read_text() for path in (MESSAGES / "msg").glob("*.msg")}


def test_every_interface_exists_and_is_built() -> None:
    """The build lists exactly the interface files that exist."""
    listed = set(re.findall(r'"((?:msg|srv|action)/\w+\.\w+)"', (MESSAGES / "CMakeLists.txt").read_text()))
    assert listed == {path.relative_to(MESSAGES).as_posix() for path in INTERFACES}
    assert {path.name for path in INTERFACES} >= MUST_EXIST


@pytest.mark.parametrize("path", INTERFACES, ids=lambda path: path.name)
def test_fields_say_what_they_mean(path: Path) -> None:
    """Each field but the header has a comment; numbers state their unit and what NaN means if they can be NaN."""
    wrong = []
    for entry in _entries(path):
        if entry.type == "std_msgs/Header":
            continue
        if not entry.comment:
            wrong.append(f"{entry.name}: no comment")
        physical = entry.value is None and re.match(r"float|geometry_msgs", entry.type)
        if physical and not UNIT.search(entry.comment) and "in figure_units" not in entry.comment:
            wrong.append(f"{entry.name}: no unit in {entry.comment!r}")
        says_nan = re.search(r"NaN|above 0|0 to 1$|0 means", entry.comment)
        if physical and not says_nan and (path.stem, entry.name) not in NEVER_NAN:
            wrong.append(f"{entry.name}: does not say what NaN means")
    assert wrong == []


# Fields that are always numbers: computed from the goal by the node itself.
NEVER_NAN = {("HoldForce", "target_normal_force"), ("CoilReadings", "offset"), ("ValveStatus", "pressure")}


def test_flags_are_the_bits_of_the_samples() -> None:
    """Each flag of the estimate has the same name and bit in the message and in the core."""
    constants = {name: int(value) for name, value in _constants("PadEstimate.msg").items() if "STATE_" not in name}
    assert constants == {flag.name: flag.value for flag in Flag}


def test_states_are_those_of_the_samples() -> None:
    """Each state of the estimator has the same name and number in the message and in the core."""
    constants = {name: int(value) for name, value in _constants("PadEstimate.msg").items() if "STATE_" in name}
    assert constants == {f"STATE_{state.name}": state.value for state in State}


def test_what_is_estimated_is_published() -> None:
    """Each number of the message is a field of the estimate without its unit, of the same kind and in the same unit."""
    published = {entry.name: entry for entry in _entries(MESSAGES / "msg" / "PadEstimate.msg") if entry.value is None}
    for other in ("header", "wrench", "covariance", "observed", "calibration"):
        del published[other]
    fields = {item.message_name: item for item in declared(Estimate) if not item.shape}
    assert published.keys() <= fields.keys()
    for name, entry in published.items():
        kind = next(kind for kind in (bool, int, float) if isinstance(fields[name].blank, kind))
        assert entry.type.lstrip("u").startswith(kind.__name__), name
        assert not fields[name].unit or re.search(rf"\((gauge )?{re.escape(fields[name].unit)}\)", entry.comment), name


def test_event_kinds_are_those_of_the_samples() -> None:
    """Each kind of event has the same name and number in the message and in the core."""
    constants = {name: int(value) for name, value in _constants("ContactEvent.msg").items()}
    assert constants == {kind.name: kind.number for kind in EventKind}


def test_channel_limit_is_that_of_the_samples() -> None:
    """The message allows as many channels as the core."""
    assert _constants("CoilReadings.msg") == {"MAX_CHANNELS": str(MAX_CHANNELS)}


@pytest.mark.ros
def test_the_built_interfaces_are_those_of_the_sources() -> None:
    """The installed interfaces have the fields and constants of the files beside these tests."""
    messages = pytest.importorskip("soft_tactile_msgs.msg", reason="soft_tactile_msgs is not installed")
    for path in INTERFACES:
        if path.suffix != ".msg":
            continue
        built = getattr(messages, path.stem)
        entries = _entries(path)
        assert list(built.get_fields_and_field_types()) == [entry.name for entry in entries if entry.value is None]
        for entry in entries:
            if entry.value is not None:
                assert str(getattr(built, entry.name)) == entry.value.strip('"'), entry.name
