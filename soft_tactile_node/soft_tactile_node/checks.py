"""Argument checks with one sentence pattern: `<name> must be <rule>; got <value>`."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from soft_tactile_node.errors import RangeError, ShapeError


def check_shape(value: ArrayLike, shape: tuple[int | None, ...], *, name: str) -> NDArray[np.float64]:
    """Return `value` as a float array after checking its shape.

    Parameters
    ----------
    value : array_like
        Any array, in any unit.
    shape : tuple
        Expected shape; None stands for any length (1).
    name : str
        Name of the argument, used in the message.

    Returns
    -------
    numpy.ndarray, shape as asked
        The array as float64, in the unit of the input.

    Raises
    ------
    ShapeError
        "<name> must be <rule>; got <value>".
    """
    array = np.asarray(value, dtype=np.float64)
    fits = array.ndim == len(shape) and all(want in (None, got) for want, got in zip(shape, array.shape, strict=True))
    if not fits:
        rule = "(" + ", ".join("any" if want is None else str(want) for want in shape) + ")"
        raise ShapeError(f"{name} must be of shape {rule}; got {array.shape}")
    return array


def check_range(
    value: float,
    low: float = -np.inf,
    high: float = np.inf,
    *,
    name: str,
    open_low: bool = False,
) -> float:
    """Return `value` as a finite float within [low, high].

    Parameters
    ----------
    value : float
        The number to check, in the unit of the limits.
    low, high : float
        Limits (same unit); infinite means no limit.
    name : str
        Name of the argument, used in the message.
    open_low : bool
        True excludes `low` itself.

    Returns
    -------
    float
        The value, unchanged, in its unit.

    Raises
    ------
    RangeError
        "<name> must be <rule>; got <value>"; NaN never passes.
    """
    number = float(value)
    inside = low < number <= high if open_low else low <= number <= high
    if not (inside and np.isfinite(number)):
        bound = ">" if open_low else ">="
        rule = " and ".join(
            part
            for part in (
                "finite" if np.isinf(low) and np.isinf(high) else "",
                f"{bound} {low:g}" if np.isfinite(low) else "",
                f"<= {high:g}" if np.isfinite(high) else "",
            )
            if part
        )
        raise RangeError(f"{name} must be {rule}; got {number:g}")
    return number
