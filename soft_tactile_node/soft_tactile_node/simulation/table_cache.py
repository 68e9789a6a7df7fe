"""Field tables are computed once and kept in the user's cache folder, under a hash of everything they depend on."""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import platformdirs

from soft_tactile_node.samples import Array


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
    digest = hashlib.sha256(repr((kind, key, shape)).encode()).hexdigest()[:20]
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
