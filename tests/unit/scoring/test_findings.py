"""What the demo says was found, missed and invented."""

from __future__ import annotations

from dataclasses import replace

import pytest

from soft_tactile_node.recordings import Truth
from soft_tactile_node.scoring.findings import FingerRecord, compare, is_good
from unit.scoring.cases import make_estimate, make_slip_event, make_truth

SPANS = [(0.0, "jar")]


def record(
    *reports_s: float, slip: tuple[float, float] = (4.0, 5.0), contact: bool = True, touch_s: float = 2.0
) -> FingerRecord:
    """Return a finger that holds the jar from 2 to 8 s, with the slip it feels and the slips it reports."""
    truth = make_truth((touch_s, 8.0, 1.0), slips=(slip,))
    reported = [(touch_s, 8.0)] if contact else []
    return FingerRecord(make_estimate(truth, *reported), truth, tuple(make_slip_event(time_s) for time_s in reports_s))


def verdicts(**records: FingerRecord) -> list[str]:
    """Return the verdict over each slip, true or reported, in order of time."""
    return [finding.verdict for finding in compare(records, SPANS) if finding.kind == "slip"]


@pytest.mark.parametrize(
    ("left", "right", "expected"),
    [
        (record(4.02), record(4.05), ["found", "found"]),
        (record(4.02), record(), ["found", "found"]),
        (record(), record(), ["missed", "missed"]),
        (record(4.2), record(), ["missed", "missed"]),
        (record(4.02), record(slip=(6.0, 6.5)), ["found", "missed"]),
        (record(4.02, 7.0), record(), ["found", "found", "invented"]),
    ],
    ids=["both", "one for both", "none", "too late", "another slip", "one too many"],
)
def test_a_slip_counts_once_a_finger_that_feels_it_reports_it(
    left: FingerRecord, right: FingerRecord, expected: list[str]
) -> None:
    """One report within 100 ms is enough for all fingers that feel the same slip; one of another time is not."""
    assert verdicts(left=left, right=right) == expected


def test_an_object_that_is_let_go_slides_without_being_missed() -> None:
    """A slide that ends with a contact that fades is no slip; one that ends 0.1 s before, or under full force, is."""
    fading = replace(record().truth, force_n=record().truth.force_n.copy())
    fading.force_n[(fading.time_s > 7.5) & (fading.time_s < 8.0), 2] = 0.3

    def slid(begin_s: float, end_s: float, truth: Truth) -> list[str]:
        felt = record(slip=(begin_s, end_s))
        return verdicts(left=replace(felt, truth=replace(truth, slip=felt.truth.slip)))

    assert slid(7.4, 8.0, fading) == []
    assert slid(7.4, 7.9, fading) == ["missed"]
    assert slid(7.4, 8.0, record().truth) == ["missed"]


def test_a_finger_that_pushes_an_object_alone_lets_nothing_slip() -> None:
    """A slide before the other finger touches is no slip; the part of it after that is one if it lasts."""
    slide = (2.1, 2.5)

    def slips(second_touch_s: float) -> list[str]:
        return verdicts(left=record(slip=slide), right=record(slip=slide, touch_s=second_touch_s))

    assert slips(2.6) == []
    assert slips(2.46) == []
    assert slips(2.4) == ["missed", "missed"]


def test_a_run_is_good_when_all_is_found_and_every_item_was_touched() -> None:
    """A missed slip, a missed contact and an item that nothing touched each make a run a bad one."""
    assert is_good(compare({"left": record(4.0)}, SPANS), SPANS)
    assert not is_good(compare({"left": record()}, SPANS), SPANS)
    assert not is_good(compare({"left": record(4.0, contact=False)}, SPANS), SPANS)
    assert not is_good(compare({"left": record(4.0)}, [*SPANS, (9.0, "bun")]), [*SPANS, (9.0, "bun")])
