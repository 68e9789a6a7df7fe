"""Tables are built once, found again, and a broken or missing cache only costs time."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np
import platformdirs
import pytest
from numpy.testing import assert_array_equal

from soft_tactile_node.simulation import table_cache
from soft_tactile_node.simulation.table_cache import cached_table


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """Use a folder of the test's own as the user's cache."""
    monkeypatch.setattr(platformdirs, "user_cache_dir", lambda name: str(tmp_path / name))
    return tmp_path / "soft_tactile_node" / "tables"


class Builder:
    """Builds a table and counts how often."""

    def __init__(self):
        self.calls = 0

    def __call__(self):
        """Return the table."""
        self.calls += 1
        return np.arange(6.0).reshape(2, 3)


def test_second_call_reads_the_first_one_s_table(folder):
    """The same key is built once; another key is another table."""
    build = Builder()
    first = cached_table("t", ("geometry", 1.0), (2, 3), build)
    assert_array_equal(cached_table("t", ("geometry", 1.0), (2, 3), build), first)
    assert build.calls == 1
    cached_table("t", ("geometry", 1.1), (2, 3), build)
    assert build.calls == 2
    assert len(list(folder.rglob("output.pkl"))) == 2


@pytest.mark.parametrize("content", [b"", b"rubbish"])
def test_broken_file_is_built_anew(folder, content, caplog):
    """A damaged cache file is replaced, not believed, without a word."""
    build = Builder()
    first = cached_table("t", "key", (2, 3), build)
    (path,) = folder.rglob("output.pkl")
    path.write_bytes(content)
    assert_array_equal(cached_table("t", "key", (2, 3), build), first)
    cached_table("t", "key", (2, 3), build)
    assert build.calls == 2
    assert not caplog.records


def test_cache_that_cannot_be_written_does_not_matter(tmp_path, monkeypatch):
    """Without a usable cache folder the table is still there."""
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setattr(platformdirs, "user_cache_dir", lambda name: str(tmp_path / "file" / name))
    assert cached_table("t", "key", (2, 3), Builder()).shape == (2, 3)


def test_changed_physics_gets_new_tables(folder, monkeypatch):
    """A table made with other formulas is not used."""
    build = Builder()
    cached_table("t", "key", (2, 3), build)
    monkeypatch.setattr(table_cache, "_physics_digest", lambda: "corrected")
    cached_table("t", "key", (2, 3), build)
    assert build.calls == 2


def build_scaled(scale):
    """Return a small table."""
    return scale * np.arange(6.0).reshape(2, 3)


def test_changed_source_of_the_builder_gets_new_tables(folder, monkeypatch):
    """A table is kept by the source of the module of what builds it, also of a partial call."""
    for build in (Builder().__call__, partial(build_scaled, 2.0)):
        assert table_cache._source_of(build) == Path(__file__).read_text()
    first = cached_table("t", "key", (2, 3), partial(build_scaled, 2.0))
    monkeypatch.setattr(table_cache, "_source_of", lambda build: "edited")
    second = cached_table("t", "key", (2, 3), partial(build_scaled, 3.0))
    assert_array_equal(second, 1.5 * first)
