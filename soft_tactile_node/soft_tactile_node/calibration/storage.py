"""The only reader and writer of calibration files."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import yaml

from soft_tactile_node.calibration.record import SCHEMA_VERSION, Calibration
from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.recordings.atomic import write_atomically
from soft_tactile_node.recordings.yaml_files import check_model, read_yaml

MAX_BYTES = 4_000_000
"""A calibration is a few tens of kilobytes; anything larger is not one."""

SAFE_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
"""Reads plain data only and runs nothing; the one in C where it is there, because it is ten times as fast."""


class _Dumper(yaml.SafeDumper):
    """Writes rows of numbers on one line each, so that a change shows as a short diff."""


def _represent_list(dumper: yaml.SafeDumper, data: list[Any]) -> yaml.Node:
    flat = all(not isinstance(item, list | dict) for item in data)
    return dumper.represent_sequence("tag:yaml.org,2002:seq", data, flow_style=flat)


_Dumper.add_representer(list, _represent_list)


def dump_calibration(calibration: Calibration) -> str:
    """Return `calibration` as YAML text."""
    data = calibration.model_dump(mode="json")
    return yaml.dump(data, Dumper=_Dumper, sort_keys=False, width=10_000, allow_unicode=True)


def calibration_id(calibration: Calibration) -> str:
    """Return a short name that changes whenever the calibration changes.

    Parameters
    ----------
    calibration : Calibration
        The record.

    Returns
    -------
    str
        First twelve hexadecimal digits of the SHA-256 of its YAML.
    """
    return hashlib.sha256(dump_calibration(calibration).encode()).hexdigest()[:12]


def save_calibration(calibration: Calibration, path: str | Path) -> None:
    """Write a calibration atomically: the old file stays whole if anything fails.

    Parameters
    ----------
    calibration : Calibration
        The record.
    path : str or pathlib.Path
        Where to.
    """
    write_atomically(Path(path), dump_calibration(calibration))


def load_calibration(path: str | Path) -> Calibration:
    """Read and check a calibration.

    Parameters
    ----------
    path : str or pathlib.Path
        YAML file.

    Returns
    -------
    Calibration
        The record.

    Raises
    ------
    CalibrationError
        One line: the file, the key's path, what it must be and what it is.
    """
    file = Path(path)
    hint = "make it again with `soft-tactile calibrate`"
    data = read_yaml(file, CalibrationError, hint, largest_bytes=MAX_BYTES, loader=SAFE_LOADER)
    if not isinstance(data, dict):
        raise CalibrationError(
            f"{file}: must hold a mapping; got {type(data).__name__}; this is not a calibration file"
        )
    version = data.get("schema_version")
    if isinstance(version, int) and version != SCHEMA_VERSION:
        newer = version > SCHEMA_VERSION
        again = "make it again from the same recordings with `soft-tactile calibrate`"
        mend = "update soft_tactile_node" if newer else again
        raise CalibrationError(f"{file}, key schema_version: must be {SCHEMA_VERSION}; got {version}; {mend}")
    return check_model(file, Calibration, data, CalibrationError, hint)
