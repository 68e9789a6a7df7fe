"""Files are written whole or not at all."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from soft_tactile_node.errors import RecordingError
from soft_tactile_node.recordings import write_atomically


def test_text_is_written(tmp_path: Path) -> None:
    """Pieces end up in the file one after the other, and nothing else is left in the folder."""
    write_atomically(tmp_path / "a.txt", ["one ", "µ\n"])
    assert (tmp_path / "a.txt").read_text(encoding="utf-8") == "one µ\n"
    assert [path.name for path in tmp_path.iterdir()] == ["a.txt"]


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), RuntimeError("broken")])
def test_failure_leaves_the_old_file(tmp_path: Path, error: Exception) -> None:
    """When writing fails half way, the old content stays and no half file lies beside it."""
    path = tmp_path / "a.txt"
    path.write_text("old")

    def pieces() -> Iterator[str]:
        yield "half of the new"
        raise error

    expected = RecordingError if isinstance(error, OSError) else RuntimeError
    with pytest.raises(expected, match=r"No space left on device|broken"):
        write_atomically(path, pieces())
    assert path.read_text() == "old"
    assert [item.name for item in tmp_path.iterdir()] == ["a.txt"]


def test_missing_folder_is_named(tmp_path: Path) -> None:
    """Writing into a folder that does not exist is refused in one line."""
    with pytest.raises(RecordingError, match=r"no/a.txt: cannot be written \(No such file"):
        write_atomically(tmp_path / "no" / "a.txt", "text")


def test_a_reader_may_read_what_a_plain_open_would_allow(tmp_path: Path) -> None:
    """The file has the rights of any other new file, not those of a private temporary one."""
    write_atomically(tmp_path / "a.txt", "text")
    (tmp_path / "b.txt").write_text("text")
    assert (tmp_path / "a.txt").stat().st_mode == (tmp_path / "b.txt").stat().st_mode
