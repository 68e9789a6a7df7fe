"""What a finger's process writes, and what of it reaches the screen."""

from __future__ import annotations

from multiprocessing import get_context

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from soft_tactile_node.page import ring as ring_module
from soft_tactile_node.page.ring import Ring, signal_count
from soft_tactile_node.page.thinning import COLUMNS, Thinner
from soft_tactile_node.samples import Array

CHANNELS = 2
SPAN_S = 6.0


@pytest.fixture
def ring() -> Ring:
    """Return an empty ring."""
    return Ring(get_context("spawn"))


def rows_of(count: int) -> Array:
    """Return random rows; what a single-precision ring holds of them."""
    rng = np.random.default_rng(7)
    rows = rng.standard_normal((count, signal_count(CHANNELS))).astype(np.float32)
    rows[::5, 3] = np.nan
    rows[100:200, 4] = np.nan
    return rows.astype(np.float64)


def write(ring: Ring, rows: Array, first: int = 0, rate_hz: float = 500.0) -> None:
    """Write rows at a rate."""
    for k, row in enumerate(rows):
        ring.add((first + k) / rate_hz, CHANNELS, row.tolist())


def unpack(data: bytes) -> tuple[Array, Array, Array]:
    """Return head, column numbers and pairs of a frame."""
    head = np.frombuffer(data, "<u4", 4)
    count, signals = int(head[2]), int(head[3])
    numbers = np.frombuffer(data, "<i4", count, 16)
    return head, numbers, np.frombuffer(data, "<f4", -1, 16 + 4 * count).reshape(count, signals, 2)


def test_columns_hold_the_extremes_of_their_scans(ring: Ring) -> None:
    """Each column of pixels carries smallest and largest value of its scans; NaN only where nothing is known."""
    rows = rows_of(2000)
    write(ring, rows)
    head, numbers, pairs = unpack(Thinner(3, ring, SPAN_S).take())
    assert_array_equal(head, [3, CHANNELS, numbers.size, signal_count(CHANNELS)])
    column = np.floor(np.arange(2000) / 500.0 / (SPAN_S / COLUMNS)).astype(int)
    assert_array_equal(numbers, np.unique(column))
    for number, pair in zip(numbers, pairs, strict=True):
        inside = rows[column == number]
        for signal, seen in zip(inside.T, pair, strict=True):
            known = signal[~np.isnan(signal)]
            assert_array_equal(seen, [known.min(), known.max()] if known.size else [np.nan, np.nan])


def test_only_what_is_new_is_sent_again(ring: Ring) -> None:
    """A second call sends the column that has grown and the new ones; nothing new, nothing sent but that column."""
    rows = rows_of(1010)
    write(ring, rows[:1003])
    thinner = Thinner(0, ring, SPAN_S)
    _, before, _ = unpack(thinner.take())
    write(ring, rows[1003:], first=1003)
    _, after, pairs = unpack(thinner.take())
    assert after[0] == before[-1]
    assert after.size == 2
    last = rows[np.floor(np.arange(1010) / 500.0 / (SPAN_S / COLUMNS)).astype(int) == after[0]]
    assert_array_equal(pairs[0], np.stack([np.nanmin(last, axis=0), np.nanmax(last, axis=0)], axis=-1))


def test_a_browser_gets_no_more_than_its_span(ring: Ring) -> None:
    """Whoever comes late gets what the chart shows, not what was before."""
    write(ring, rows_of(8000))
    _, numbers, _ = unpack(Thinner(0, ring, SPAN_S).take())
    assert COLUMNS - 1 <= numbers.size <= COLUMNS + 1


def test_a_full_ring_goes_on(ring: Ring, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows that have been written over are not handed out; a reader who slept goes on with the oldest there is."""
    monkeypatch.setattr(ring_module, "ROWS", 4096)
    small = Ring(get_context("spawn"))
    rows = rows_of(5000)
    write(small, rows)
    first, time_s, kept = small.read(10)
    assert first == 5000 - 4096 + ring_module.SAFETY_ROWS
    assert_array_equal(kept, rows[first:].astype(np.float32))
    assert time_s[-1] == small.last_s == 4999 / 500.0
