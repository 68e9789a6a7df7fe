"""Tables in memory: a recording, the truth beside it, and an estimate of it. Plain data, SI units, one row a scan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.checks import check_shape
from soft_tactile_node.errors import ShapeError
from soft_tactile_node.samples import MAX_CHANNELS, Array, Estimated, declared

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]


def _set(table: object, name: str, value: object) -> None:
    """Set a field of a frozen table while it is being made."""
    object.__setattr__(table, name, value)


def _check_column(value: Any, shape: tuple[int, ...], kind: type, *, name: str) -> np.ndarray:
    """Return a column of numbers, bits or bools after checking its shape."""
    if issubclass(kind, float):
        return check_shape(value, shape, name=name)
    array = np.asarray(value, dtype=np.bool_ if kind is bool else np.int64)
    if array.shape != shape:
        raise ShapeError(f"{name} must be of shape {shape}; got {array.shape}")
    return array


def _take_rows(value: Any, rows: slice, length: int) -> Any:
    """Cut `rows` from a per-row array or tuple; leave everything else (None, text) as it is."""
    if isinstance(value, np.ndarray | tuple) and len(value) == length:
        return value[rows]
    if isinstance(value, Mapping):
        return {key: _take_rows(column, rows, length) for key, column in value.items()}
    return value


@dataclass(frozen=True, eq=False)
class Recording:
    """What was measured, one row a scan.

    Time stamps are kept as recorded: they may be jittered, equal or run backwards; the estimator deals with that.

    Attributes
    ----------
    time_s : numpy.ndarray, shape (n,)
        Acquisition time (s), finite.
    pressure_pa : numpy.ndarray, shape (n,)
        Chamber pressure (gauge Pa); NaN = no new reading at that row.
    inductance_h : numpy.ndarray, shape (n, c)
        Inductance of each channel (H); NaN = sample missing. 1 to 16 channels.
    temperature_c : numpy.ndarray, shape (n,)
        Coil temperature (degC); NaN = not measured.
    loss_ohm : numpy.ndarray, shape (n, c), or None
        Loss resistance of each channel (ohm); NaN = sample missing, None = never measured.
    acceleration_m_s2 : numpy.ndarray, shape (n, 3), or None
        Specific force of the base in the root frame (m/s^2).
    indent_m : numpy.ndarray, shape (n,), or None
        Indentation of the pad on the bench (m).
    force_n : numpy.ndarray, shape (n, 3), or None
        Reference force on the pad in the pad frame (N); NaN = not measured.
    bend_rad : numpy.ndarray, shape (n,), or None
        Reference bend angle (rad).
    source : str
        Where the recording came from, usually a file name.
    sha256 : str
        SHA-256 of the file's content in hexadecimal; empty if it did not come from a file.
    extra : mapping of str to tuple of str
        Columns this package does not know, as text, one entry a row.
    remarks : tuple of str
        What of a damaged file was left out, in words.
    """

    time_s: Array
    pressure_pa: Array
    inductance_h: Array
    temperature_c: Array
    loss_ohm: Array | None = None
    acceleration_m_s2: Array | None = None
    indent_m: Array | None = None
    force_n: Array | None = None
    bend_rad: Array | None = None
    source: str = ""
    sha256: str = ""
    extra: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _set(self, "time_s", check_shape(self.time_s, (None,), name="time_s"))
        n = len(self.time_s)
        _set(self, "inductance_h", check_shape(self.inductance_h, (n, None), name="inductance_h"))
        if not 1 <= self.channels <= MAX_CHANNELS:
            raise ShapeError(f"inductance_h must be of 1 to {MAX_CHANNELS} channels; got {self.channels}")
        for name in ("pressure_pa", "temperature_c"):
            _set(self, name, check_shape(getattr(self, name), (n,), name=name))
        optional: dict[str, tuple[int | None, ...]] = {
            "loss_ohm": (n, self.channels),
            "acceleration_m_s2": (n, 3),
            "indent_m": (n,),
            "force_n": (n, 3),
            "bend_rad": (n,),
        }
        for name, shape in optional.items():
            if getattr(self, name) is not None:
                _set(self, name, check_shape(getattr(self, name), shape, name=name))

    @property
    def channels(self) -> int:
        """Number of coil channels."""
        return int(self.inductance_h.shape[1])

    def __len__(self) -> int:
        return len(self.time_s)

    def select_rows(self, rows: slice) -> Recording:
        """Return the recording of a run of `rows`, as views; `sha256` is emptied, for it names the whole file."""
        n = len(self)
        kept = {item.name: _take_rows(getattr(self, item.name), rows, n) for item in fields(self)}
        return replace(self, **{**kept, "source": self.source, "sha256": "", "remarks": self.remarks})


@dataclass(frozen=True, eq=False)
class Truth:
    """What really happened, from the simulator or from instrumented tests, one row a scan.

    Attributes
    ----------
    time_s : numpy.ndarray, shape (n,)
        Time (s).
    force_n : numpy.ndarray, shape (n, 3)
        Force of the world on the pad, pad frame (N).
    bend_rad : numpy.ndarray, shape (n,)
        Bend angle (rad); NaN = not known.
    in_contact : numpy.ndarray of bool, shape (n,)
        Whether something touches the pad.
    slip : numpy.ndarray of bool, shape (n,)
        Whether the pad surface slides on the object (faster than 1 mm/s, mean of 20 ms, under at least 0.03 N).
    """

    time_s: Array
    force_n: Array
    bend_rad: Array
    in_contact: BoolArray
    slip: BoolArray

    def __post_init__(self) -> None:
        _set(self, "time_s", check_shape(self.time_s, (None,), name="time_s"))
        n = len(self.time_s)
        _set(self, "force_n", check_shape(self.force_n, (n, 3), name="force_n"))
        _set(self, "bend_rad", check_shape(self.bend_rad, (n,), name="bend_rad"))
        for name in ("in_contact", "slip"):
            _set(self, name, _check_column(getattr(self, name), (n,), bool, name=name))

    def __len__(self) -> int:
        return len(self.time_s)


@dataclass(frozen=True, eq=False)
class EstimateTable(Estimated[Array, BoolArray, IntArray]):
    """What the estimator said, one row a scan, causal; see `samples.Estimated` for the columns.

    Columns are of shape (n,), vectors (n, 3). A column that is not given, or given as one value, has it in every row.
    """

    def __post_init__(self) -> None:
        _set(self, "time_s", check_shape(self.time_s, (None,), name="time_s"))
        for item in declared(EstimateTable):
            value, shape = getattr(self, item.name), (len(self), *item.shape)
            if np.ndim(value) == len(item.shape):
                value = np.broadcast_to(value, shape)
            _set(self, item.name, _check_column(value, shape, type(item.blank), name=item.name))

    def __len__(self) -> int:
        return len(self.time_s)
