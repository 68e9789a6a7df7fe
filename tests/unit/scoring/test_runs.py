"""Runs of rows and stretches of time."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from soft_tactile_node.scoring.runs import close_gaps, find_runs, intersect_stretches, invert_stretches, is_inside


def test_runs_are_found_at_both_ends() -> None:
    """Runs that touch the first or the last row are runs like any other."""
    starts, stops = find_runs([True, True, False, True, False, False, True])
    assert_array_equal(starts, [0, 3, 6])
    assert_array_equal(stops, [2, 4, 7])
    assert len(find_runs([False, False])[0]) == 0


def test_gaps_are_closed_by_their_time() -> None:
    """A gap is closed by how long it lasts, not by how many rows it has."""
    edges_s = np.array([0.0, 1.0, 2.0, 2.1, 2.2, 2.3, 9.0])
    starts, stops = find_runs([True, False, True, False, False, True])
    joined = close_gaps(starts, stops, edges_s, 0.5)
    assert_array_equal(joined, ([0, 2], [1, 6]))


def test_overlapping_stretches_are_one() -> None:
    """A stretch within another does not free what the longer one covers."""
    stretches = np.array([(1.0, 5.0), (2.0, 3.0), (7.0, 12.0)])
    assert_allclose(invert_stretches(stretches, 0.0, 10.0), [(0, 1), (5, 7)], rtol=0, atol=0)
    assert_allclose(invert_stretches(np.empty((0, 2)), 0.0, 1.0), [(0, 1)], rtol=0, atol=0)


@given(
    st.lists(st.booleans(), min_size=1, max_size=40),
    st.lists(st.booleans(), min_size=1, max_size=40),
)
def test_stretches_agree_with_counting_rows(one: list[bool], other: list[bool]) -> None:
    """On a grid of one second, intersecting and inverting stretches is what and and not are for rows."""
    n = min(len(one), len(other))
    first, second = np.array(one[:n]), np.array(other[:n])
    stretches = [np.column_stack(find_runs(mask)).astype(float) for mask in (first, second)]
    time_s = np.arange(n, dtype=float)
    assert_array_equal(is_inside(time_s, intersect_stretches(*stretches)), first & second)
    assert_array_equal(is_inside(time_s, invert_stretches(stretches[0], 0.0, float(n))), ~first)
