"""Field tables are computed once and kept by joblib in the user's cache folder, by everything they depend on.

That includes the source of the physics: a corrected formula never meets a table of the old one.
"""

from __future__ import annotations

import hashlib
import inspect
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

import numpy as np
import platformdirs
from joblib import Memory

from soft_tactile_node import physics
from soft_tactile_node.samples import Array


@lru_cache(maxsize=1)
def _physics_digest() -> str:
    """Return a hash of the formulas."""
    files = sorted(Path(physics.__file__).parent.glob("*.py"))
    return hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()


def _source_of(build: Callable[[], Array]) -> str:
    """Return the text of the module in which a function, or the function of a partial call, is written."""
    return inspect.getsource(inspect.getmodule(getattr(build, "func", build)))  # type: ignore[arg-type]


def _build(_kind: str, _key: str, _sources: tuple[str, str], build: Callable[[], Array]) -> Array:
    """Return a table; joblib keeps it by all arguments but the last."""
    return np.ascontiguousarray(build())


def cached_table(kind: str, key: object, shape: tuple[int, ...], build: Callable[[], Array]) -> Array:
    """Return a table from the cache, or build and keep it.

    Parameters
    ----------
    kind : str
        Name of the table.
    key : object
        Everything the table depends on; its `repr` counts, so frozen dataclasses and tuples do.
    shape : tuple of int
        Shape of the table.
    build : callable
        Returns the table; a function or a partial call of one.

    Returns
    -------
    numpy.ndarray, shape as asked
        The table, in the unit it was built in.
    """
    folder = Path(platformdirs.user_cache_dir("soft_tactile_node")) / "tables"
    arguments = (kind, repr((key, shape)), (_physics_digest(), _source_of(build)), build)
    try:
        kept = Memory(folder, verbose=0).cache(_build, ignore=["build"])
        kept.warn = lambda _message: None  # of a damaged file, which is built anew
        return np.asarray(kept(*arguments))
    except OSError:  # a cache that cannot be written only costs time
        return _build(*arguments)
