"""One place that compiles inner loops, so that every module compiles (and caches) the same way."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any, TypeVar

import numba
import platformdirs

if "NUMBA_CACHE_DIR" not in os.environ:
    numba.config.CACHE_DIR = platformdirs.user_cache_dir("soft_tactile_node")

F = TypeVar("F", bound=Callable[..., Any])


def compiled(function: F) -> F:
    """Compile a function of numbers and arrays to machine code, cached on disk between runs.

    Parameters
    ----------
    function : callable
        A function numba can compile without Python objects. Set NUMBA_DISABLE_JIT=1 to debug it as plain Python.

    Returns
    -------
    callable
        The compiled function, same signature.
    """
    return numba.njit(cache=True, error_model="numpy")(function)  # type: ignore[no-any-return]
