from __future__ import annotations

import numpy as np
import pytest

from soft_tactile_node.sources.deframing import LONGEST_RUN, Deframer
from soft_tactile_node.sources.frames import encode_frame
from unit.sources.made import frame

FRAMES = [frame(scan) for scan in range(300)]
DATA = b"".join(encode_frame(one) for one in FRAMES)
LENGTH = len(encode_frame(FRAMES[0]))


@pytest.mark.parametrize("size", [1, 2, LENGTH - 1, LENGTH, LENGTH + 1, 4096])
def test_pieces_of_any_size_give_the_same_frames(size: int) -> None:
    """However the system cuts the stream, every frame comes out once and in order."""
    deframer = Deframer()
    found = [one for start in range(0, len(DATA), size) for one in deframer.feed(DATA[start : start + size])]
    assert found == FRAMES
    assert deframer.bad_frames == 0


def test_a_stream_joined_in_the_middle_is_no_error() -> None:
    """The end of a frame that began before we listened is not counted as damaged; the next one is read."""
    deframer = Deframer()
    assert deframer.feed(DATA[10:]) == FRAMES[1:]
    assert deframer.bad_frames == 0


def test_a_frame_cut_short_is_counted() -> None:
    """A frame that lost a byte on the way is one bad frame, and its neighbours are kept."""
    deframer = Deframer()
    place = 5 * LENGTH + 7
    assert deframer.feed(DATA[:place] + DATA[place + 1 :]) == FRAMES[:5] + FRAMES[6:]
    assert deframer.bad_frames == 1


def spoil(data: bytes, share: float, seed: int) -> tuple[bytes, set[int]]:
    """Return bytes of which a share is changed, and the numbers of the frames whose own bytes are all as sent."""
    rng = np.random.default_rng(seed)
    raw = np.frombuffer(data, dtype=np.uint8).copy()
    hit = rng.random(len(raw)) < share
    raw[hit] ^= rng.integers(1, 256, size=int(hit.sum()), dtype=np.uint8)
    whole = ~hit.reshape(-1, LENGTH)[:, :-1].any(axis=1)  # all but the delimiter
    return raw.tobytes(), set(np.flatnonzero(whole).tolist())


@pytest.mark.parametrize("seed", range(5))
def test_one_per_cent_of_damaged_bytes(seed: int) -> None:
    """Every frame whose bytes arrive as sent is kept, even beside a damaged delimiter, and no wrong one is taken."""
    frames = [frame(scan) for scan in range(5000)]
    sent = dict(enumerate(frames))
    data, whole = spoil(b"".join(encode_frame(one) for one in frames), 0.01, seed)
    deframer = Deframer()
    found = [one for start in range(0, len(data), 997) for one in deframer.feed(data[start : start + 997])]
    assert [one for one in found if sent.get(one.scan) != one] == []
    numbers = [one.scan for one in found]
    assert numbers == sorted(set(numbers))
    assert 0.6 < len(whole) / len(frames) < 0.72  # 0.99^41 = 0.66: the damage is what it should be
    # A frame before which no good one came has no known length, so it may be missed beside a damaged delimiter.
    assert set(numbers) >= whole - {0, 1, 2}
    # One that is damaged cannot come out: every number found is one of the whole ones.
    assert set(numbers) <= whole


def test_noise_is_given_up() -> None:
    """Bytes that never end are not kept for ever, and a good frame after them is read."""
    deframer = Deframer()
    for _ in range(100):
        assert deframer.feed(b"\x55" * 1000) == []
    assert len(deframer._rest) <= LONGEST_RUN
    assert deframer.bad_frames >= 1
    assert deframer.feed(b"\0" + DATA) == FRAMES


def test_after_an_interruption_the_line_is_taken_up_afresh() -> None:
    """Half a frame from before the interruption does not spoil the first one after it."""
    deframer = Deframer()
    deframer.feed(DATA[: LENGTH + 9])
    deframer.reset()
    assert deframer.feed(DATA) == FRAMES
    assert deframer.bad_frames == 0
