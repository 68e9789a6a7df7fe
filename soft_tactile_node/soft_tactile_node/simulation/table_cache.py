"""Field tables are computed once and kept in the user's cache folder, under a hash of everything they depend on.

That includes the source of the physics: a corrected formula never meets a table of the old one.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

import numpy as np
import platformdirs

from soft_tactile_node import physics
from soft_tactile_node.samples import Array


@lru_cache(maxsize=8)
def _file_digest(path: str) -> str:
    """Return a hash of a file's content; empty where there is no file."""
    with contextlib.suppress(OSError):
        return hashlib.sha256(Path(path).read_bytes()).hexdigest()
    return ""


@lru_cache(maxsize=1)
def _physics_digest() -> str:
    """Return a hash of the formulas."""
    folder = Path(physics.__file__).parent
    return hashlib.sha256("".join(_file_digest(str(path)) for path in sorted(folder.glob("*.py"))).encode()).hexdigest()


def _home_of(build: Callable[[], Array]) -> str:
    """Return the file in which a function, or the function of a partial call, is written."""
    code = getattr(getattr(build, "func", build), "__code__", None)
    return code.co_filename if code is not None else ""


def cached_table(kind: str, key: object, shape: tuple[int, ...], build: Callable[[], Array]) -> Array:
    """Return a table from the cache, or build and keep it.

    Parameters
    ----------
    kind : str
        Name of the table, part of the file name.
    key : object
        Everything the table depends on; its `repr` is hashed, so frozen dataclasses and tuples do.
    shape : tuple of int
        Shape the table must have; a file that does not fit is built anew.
    build : callable
        Returns the table.

    Returns
    -------
    numpy.ndarray, shape as asked
        The table, in the unit it was built in.
    """
    text = repr((kind, key, shape, _physics_digest(), _file_digest(_home_of(build))))
    digest = hashlib.sha256(text.encode()).hexdigest()[:20]
    folder = Path(platformdirs.user_cache_dir("soft_tactile_node")) / "tables"
    path = folder / f"{kind}-{digest}.npy"
    with contextlib.suppress(OSError, ValueError, EOFError):
        table = np.load(path, allow_pickle=False)
        if table.shape == shape and table.dtype == np.float64 and bool(np.all(np.isfinite(table))):
            return np.asarray(table)
    table = np.ascontiguousarray(build())
    # a cache that cannot be written only costs time
    with contextlib.suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=folder, suffix=".tmp")
        with os.fdopen(handle, "wb") as file:
            np.save(file, table, allow_pickle=False)
        Path(name).replace(path)
    return table
