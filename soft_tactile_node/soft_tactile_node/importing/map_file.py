"""Reading a map file."""

from __future__ import annotations

from pathlib import Path

from soft_tactile_node.errors import RecordingError
from soft_tactile_node.importing.schema import LogMap
from soft_tactile_node.recordings.yaml_files import check_model, read_yaml
from soft_tactile_node.sources.tank import load_tank


def load_map(path: str | Path) -> LogMap:
    """Read the map of a log.

    Parameters
    ----------
    path : str or pathlib.Path
        YAML file with the keys of `LogMap`. A `tank` given as a file name is looked for beside it.

    Returns
    -------
    LogMap
        The map, its tank read.

    Raises
    ------
    RecordingError
        One line: the file, the key, what it must be and what it is.
    SourceError
        The file of the tank cannot be read.
    """
    file = Path(path)
    hint = "write lines like `time: {column: t, unit: ms}`"
    found = check_model(file, LogMap, read_yaml(file, RecordingError, hint), RecordingError)
    if isinstance(found.tank, str):
        return found.model_copy(update={"tank": load_tank(file.parent / found.tank)})
    return found
