"""The file a recording grows in while it is made: beside its target, and in the target's place when all is well."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import IO, Any

from soft_tactile_node.errors import RecordingError

PART = ".part"
"""Ending of a recording that is not finished."""


class PartFile:
    """What writers of all formats share: an older recording survives everything, what was written survives a crash.

    A format adds its rows through `_guarded`, counts them in `_written`, and says in `_end` what completes a file.

    Parameters
    ----------
    path : pathlib.Path
        The recording to make.
    advice : str
        What to do about an unfinished recording of that name.
    opening : object
        Arguments of `pathlib.Path.open`; the mode must be exclusive.

    Raises
    ------
    RecordingError
        The folder cannot be written to, or an unfinished recording of that name is there.
    """

    def __init__(self, path: Path, advice: str, **opening: Any) -> None:
        self._path = path
        self.part = path.with_name(path.name + PART)
        self._written = 0
        self._stream: IO[Any] | None = None
        try:
            self._stream = self.part.open(**opening)
        except FileExistsError:
            raise RecordingError(f"{self.part}: is an unfinished recording; {advice}") from None
        except OSError as error:
            raise RecordingError(f"{path}: cannot be written ({error.strerror}); check the folder") from None

    def finish(self) -> None:
        """Put the recording in its place; RecordingError: nothing recorded, or disk full (an older one stays)."""
        if not self._written:
            self.abandon()
            raise RecordingError(f"{self._path}: nothing was recorded; check the source")
        stream = self._open_stream

        def settle() -> None:
            self._end()
            stream.flush()
            os.fsync(stream.fileno())
            stream.close()
            self.part.replace(self._path)

        self._guarded(settle)
        self._stream = None

    def abandon(self) -> None:
        """Stop; what is on the disk stays in `part`."""
        stream, self._stream = self._stream, None
        if stream is None:
            return
        with suppress(OSError, ValueError):  # the disk is full: what fitted is there
            if self._written:
                self._end()
            stream.close()
        if not self._written:
            self.part.unlink(missing_ok=True)

    def _end(self) -> None:
        """Write what completes a file; a plain table needs nothing."""

    def _kept(self) -> str:
        """Say what is kept in `part`."""
        return "what was written is kept"

    @property
    def _open_stream(self) -> IO[Any]:
        if self._stream is None:
            raise RecordingError(f"{self._path}: the recording has ended; start another")
        return self._stream

    def _guarded(self, action: Callable[[], Any]) -> None:
        try:
            action()
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            self.abandon()
            kept = f"; {self._kept()} in {self.part}" if self._written else ""
            raise RecordingError(f"{self._path}: cannot be written ({reason}){kept}; make room and go on") from None
