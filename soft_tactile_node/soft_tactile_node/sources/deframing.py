"""Finds frames in a stream of bytes that may begin anywhere and may be damaged anywhere."""

from __future__ import annotations

from soft_tactile_node.sources.frames import DELIMITER, MAX_STUFFED, Frame, decode_frame

LONGEST_RUN = 16 * (MAX_STUFFED + 1)
"""More bytes than this without a delimiter are given up (bytes)."""


class Deframer:
    """Takes bytes as they come, hands out whole frames whose CRC is right, and counts what was none."""

    def __init__(self) -> None:
        self._rest = b""
        self._length = 0
        self._synchronised = False
        self.bad_frames = 0
        self.received = 0

    def reset(self) -> None:
        """Forget what has begun: the line was interrupted."""
        self._rest = b""
        self._synchronised = False

    def feed(self, data: bytes) -> list[Frame]:
        """Return the frames that `data`, the next bytes of the stream, completes, in its order."""
        self.received += len(data)
        *runs, self._rest = (self._rest + data).split(DELIMITER)
        frames: list[Frame] = []
        for run in runs:
            frames += self._take(run)
        if len(self._rest) > LONGEST_RUN:
            frames += self._salvage(self._rest)
            self.bad_frames += 1
            self._rest = b""
            self._synchronised = False
        return frames

    def _take(self, run: bytes) -> list[Frame]:
        was_synchronised, self._synchronised = self._synchronised, True
        if not run:
            return []
        frame = decode_frame(run)
        if frame is not None:
            self._length = len(run)
            return [frame]
        found = self._salvage(run)
        # What comes before the first delimiter is the end of a frame that began before we listened: no error.
        self.bad_frames += was_synchronised or bool(found)
        return found

    def _salvage(self, run: bytes) -> list[Frame]:
        """Return whole frames beside a damaged delimiter: as long as the last good one, counted from either end."""
        step = self._length + 1
        if not self._length or len(run) < step:
            return []
        places = {*range(0, len(run), step), *range(len(run) - self._length, -1, -step)}
        found = (decode_frame(run[place : place + self._length]) for place in sorted(places))
        return [frame for frame in found if frame is not None]
