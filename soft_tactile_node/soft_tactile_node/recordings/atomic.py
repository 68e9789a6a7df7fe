"""Write a file so that a reader finds the old content or the new, never half of it."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from soft_tactile_node.errors import RecordingError


def write_atomically(path: str | Path, chunks: str | Iterable[str]) -> None:
    """Write text to `path` in one step: a temporary file beside it, flushed to disk, then renamed over it.

    Parameters
    ----------
    path : str or pathlib.Path
        File to write; its folder must exist.
    chunks : str or iterable of str
        The text, whole or in pieces; written as UTF-8.

    Raises
    ------
    RecordingError
        If the folder is missing, not writable or the disk is full; an older file at `path` is left as it was.
    """
    target = Path(path)
    temporary: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent)
        temporary = Path(name)
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as stream:
            for chunk in [chunks] if isinstance(chunks, str) else chunks:
                stream.write(chunk)
            stream.flush()
            os.fsync(stream.fileno())
        # mkstemp makes the file private; give it the rights a plain open() would have given it.
        temporary.chmod(0o666 & ~_current_umask())
        temporary.replace(target)
        temporary = None
    except OSError as error:
        reason = error.strerror or str(error)
        raise RecordingError(
            f"{target}: cannot be written ({reason}); check the folder, its rights and space"
        ) from error
    finally:
        if temporary is not None:
            with suppress(OSError):
                temporary.unlink()


def _current_umask() -> int:
    umask = os.umask(0o077)
    os.umask(umask)
    return umask
