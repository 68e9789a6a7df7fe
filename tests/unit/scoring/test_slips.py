"""Slips found and invented."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.samples import ContactEvent, EventKind
from soft_tactile_node.scoring import score
from unit.scoring.cases import make_estimate, make_slip_event, make_truth


def score_slips(slips: tuple[tuple[float, float], ...], *times_s: float) -> dict[str, float | int | None]:
    """Score slip events at the given times against true slips, in a contact from 2 to 8 s."""
    truth = make_truth((2.0, 8.0, 1.0), slips=slips)
    return score([(make_estimate(truth, (2.0, 8.0)), truth)], [[make_slip_event(time_s) for time_s in times_s]]).figures


@pytest.mark.parametrize(
    ("slips", "count"),
    [
        (((4.0, 4.048),), 0),
        (((4.0, 4.05),), 1),
        (((4.0, 4.03), (4.1, 4.13)), 1),
        (((4.0, 4.03), (4.13, 4.16)), 0),
        (((4.0, 4.1), (4.198, 4.3)), 1),
        (((4.0, 4.1), (4.2, 4.3)), 2),
        (((0.2, 0.6),), 0),
    ],
)
def test_true_slips_are_runs_of_fifty_milliseconds(slips: tuple[tuple[float, float], ...], count: int) -> None:
    """Pauses under 100 ms are closed first, then runs of 50 ms or longer count; the first second is left out."""
    assert score_slips(slips)["slips"] == count


@pytest.mark.parametrize(("time_s", "found"), [(3.898, 0), (3.9, 1), (4.0, 1), (4.1, 1), (4.102, 0)])
def test_a_slip_is_found_near_its_start(time_s: float, found: int) -> None:
    """An event within 100 ms of the start finds the slip."""
    assert score_slips(((4.0, 5.0),), time_s)["slips_found"] == found


@pytest.mark.parametrize(("time_s", "false"), [(3.898, 1), (3.9, 0), (4.6, 0), (5.25, 0), (5.252, 1), (7.0, 1)])
def test_a_slip_event_away_from_slips_is_false(time_s: float, false: int) -> None:
    """An event from 0.1 s before a slip to 0.25 s after it is no false one; others count per minute of contact."""
    rate = score_slips(((4.0, 5.0),), time_s)["false_slips_per_min"]
    assert_allclose(rate, false / (6.0 / 60.0), rtol=1e-9, atol=0)


def test_two_events_find_one_slip_once() -> None:
    """A slip counts once however often it is reported."""
    figures = score_slips(((4.0, 5.0), (6.0, 7.0)), 4.0, 4.05)
    assert (figures["slips"], figures["slips_found"]) == (2, 1)


def test_other_events_are_no_slips() -> None:
    """A contact event at the right time finds no slip and is no false one; events of the first second are left out."""
    truth = make_truth((2.0, 8.0, 1.0), slips=((4.0, 5.0),))
    events = [ContactEvent(4.0, 4.0, EventKind.CONTACT, 1, np.zeros(3), 1.0), make_slip_event(0.5)]
    figures = score([(make_estimate(truth, (2.0, 8.0)), truth)], [events]).figures
    assert (figures["slips_found"], figures["false_slips_per_min"]) == (0, 0.0)


def test_without_events_the_figures_are_empty() -> None:
    """Slips can be counted from the truth alone, what was found cannot."""
    truth = make_truth((2.0, 8.0, 1.0), slips=((4.0, 5.0),))
    figures = score([(make_estimate(truth, (2.0, 8.0)), truth)]).figures
    assert (figures["slips"], figures["slips_found"], figures["false_slips_per_min"]) == (1, None, None)
