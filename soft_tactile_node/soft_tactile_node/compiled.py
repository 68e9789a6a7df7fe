"""One place that compiles inner loops, so that every module compiles (and caches) the same way."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import numba
import platformdirs


def _source_key() -> str:
    """Return a key that changes with any source of the package.

    The compiler's own cache looks only at the file of the function itself; a change in a function it calls from
    another file would go unnoticed and run old machine code.
    """
    digest = hashlib.sha256()
    for path in sorted(Path(__file__).parent.rglob("*.py")):
        status = path.stat()
        digest.update(f"{path}:{status.st_size}:{status.st_mtime_ns};".encode())
    return digest.hexdigest()[:12]


if "NUMBA_CACHE_DIR" not in os.environ:
    numba.config.CACHE_DIR = str(Path(platformdirs.user_cache_dir("soft_tactile_node")) / f"compiled-{_source_key()}")

F = TypeVar("F", bound=Callable[..., Any])

Record = Any
"""One record of a structured array; the compiler checks its fields."""


def compiled(function: F) -> F:
    """Compile a function of numbers and arrays to machine code, cached on disk between runs.

    Parameters
    ----------
    function : callable
        A function numba can compile without Python objects. With NUMBA_DISABLE_JIT=1 those that take no records can be
        debugged as plain Python.

    Returns
    -------
    callable
        The compiled function, same signature.
    """
    return numba.njit(cache=True, error_model="numpy")(function)  # type: ignore[no-any-return]
