"""Hysteresis operators: play, Prandtl-Ishlinskii and its inverse, Bouc-Wen."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from soft_tactile_node.checks import check_shape
from soft_tactile_node.compiled import compiled
from soft_tactile_node.errors import RangeError

Array = NDArray[np.float64]


@compiled
def play_formula(value: float, radius: float, state: float) -> float:
    """Return the next state of a play operator: max(u - r, min(u + r, p)); units of the input.

    Notes
    -----
    Source: M. A. Krasnosel'skii, A. V. Pokrovskii, Systems with Hysteresis (1989) (recalled).
    """
    return max(value - radius, min(value + radius, state))


@compiled
def bouc_wen_rate_formula(state: float, rate: float, gain: float, beta: float, gamma: float, order: float) -> float:
    """Return dz/dt of a Bouc-Wen element: (A - |z|^n (gamma + beta sgn(z dx/dt))) dx/dt.

    Notes
    -----
    Source: Ismail, Ikhouane, Rodellar, Arch. Comput. Methods Eng. 16 (2009) 161 (recalled).
    """
    sign = 1.0 if state * rate > 0.0 else (-1.0 if state * rate < 0.0 else 0.0)
    return float((gain - abs(state) ** order * (gamma + beta * sign)) * rate)


@compiled
def bouc_wen_step_formula(state: float, change: float, gain: float, beta: float, gamma: float, order: float) -> float:
    """Return the state of a Bouc-Wen element after its input moved by change (classical Runge-Kutta, rate independent).

    Large changes are cut into pieces of at most 2 % of the saturation path.

    Notes
    -----
    Source: Ismail, Ikhouane, Rodellar, Arch. Comput. Methods Eng. 16 (2009) 161 (recalled).
    """
    saturation = (gain / (beta + gamma)) ** (1.0 / order)
    pieces = math.ceil(abs(change) * gain / (0.02 * saturation)) if change != 0.0 else 0
    for _ in range(pieces):
        h = change / pieces
        k1 = bouc_wen_rate_formula(state, h, gain, beta, gamma, order)
        k2 = bouc_wen_rate_formula(state + 0.5 * k1, h, gain, beta, gamma, order)
        k3 = bouc_wen_rate_formula(state + 0.5 * k2, h, gain, beta, gamma, order)
        k4 = bouc_wen_rate_formula(state + k3, h, gain, beta, gamma, order)
        state += (k1 + 2.0 * k2 + 2.0 * k3 + k4) / 6.0
    return state


@compiled
def _play_many(values: Array, radii: Array, state: Array) -> Array:
    out = np.empty((values.size, radii.size))
    for i in range(values.size):
        for j in range(radii.size):
            state[j] = play_formula(values[i], radii[j], state[j])
            out[i, j] = state[j]
    return out


@compiled
def _bouc_wen_many(values: Array, state: float, gain: float, beta: float, gamma: float, order: float) -> Array:
    out = np.empty(values.size)
    for i in range(values.size):
        change = values[i] - values[i - 1] if i > 0 else 0.0
        state = bouc_wen_step_formula(state, change, gain, beta, gamma, order)
        out[i] = state
    return out


def play(values: ArrayLike, radii: ArrayLike, initial: ArrayLike = 0.0) -> Array:
    """Return the outputs of play operators.

    Parameters
    ----------
    values : array_like, shape (n,)
        Input history, any unit.
    radii : array_like, shape (m,)
        Half widths (unit of the input), >= 0.
    initial : array_like, scalar or shape (m,)
        States before the first value (unit of the input).

    Returns
    -------
    numpy.ndarray, shape (n, m)
        Outputs (unit of the input).

    Notes
    -----
    Source: M. A. Krasnosel'skii, A. V. Pokrovskii, Systems with Hysteresis (1989) (recalled).
    """
    inputs = np.ascontiguousarray(check_shape(values, (None,), name="values"))
    widths = np.ascontiguousarray(check_shape(radii, (None,), name="radii"))
    state = np.broadcast_to(np.asarray(initial, dtype=float), widths.shape).copy()
    return np.asarray(_play_many(inputs, widths, state), dtype=np.float64)


def prandtl_ishlinskii(values: ArrayLike, weights: ArrayLike, radii: ArrayLike, initial: ArrayLike = 0.0) -> Array:
    """Return a weighted sum of play operators.

    Parameters
    ----------
    values : array_like, shape (n,)
        Input history, any unit.
    weights, radii : array_like, shape (m,)
        Weights (output unit over input unit) and half widths (input unit).
    initial : array_like, scalar or shape (m,)
        States before the first value (input unit).

    Returns
    -------
    numpy.ndarray, shape (n,)
        Output (output unit).

    Notes
    -----
    Source: A. Visintin, Differential Models of Hysteresis (1994) (recalled).
    """
    return np.asarray(play(values, radii, initial) @ np.asarray(weights, dtype=float), dtype=np.float64)


def inverse_prandtl_ishlinskii(weights: ArrayLike, radii: ArrayLike) -> tuple[Array, Array]:
    """Return weights and radii of the operator that undoes a Prandtl-Ishlinskii operator.

    w'_0 = 1/w_0, w'_i = -w_i/(W_i W_{i-1}), r'_i = sum_{j <= i} w_j (r_i - r_j), W_i the running sum of weights.

    Parameters
    ----------
    weights, radii : array_like, shape (m,)
        Weights with every running sum > 0, and increasing radii that begin with 0.

    Returns
    -------
    tuple of numpy.ndarray, shape (m,)
        Weights and radii of the inverse.

    Raises
    ------
    RangeError
        The operator has no inverse of this form.

    Notes
    -----
    Source: K. Kuhnen, Eur. J. Control 9 (2003) 407-418 (recalled).
    """
    w = check_shape(weights, (None,), name="weights")
    r = check_shape(radii, w.shape, name="radii")
    sums = np.cumsum(w)
    if not np.all(sums > 0.0):
        raise RangeError(f"weights must have running sums > 0; got {float(np.min(sums)):g}")
    if r[0] != 0.0 or np.any(np.diff(r) <= 0.0):
        raise RangeError("radii must begin with 0 and increase; got another order")
    inverse_weights = np.concatenate([[1.0 / w[0]], -w[1:] / (sums[1:] * sums[:-1])])
    inverse_radii = np.array([float(np.sum(w[: i + 1] * (r[i] - r[: i + 1]))) for i in range(w.size)])
    return inverse_weights, inverse_radii


def bouc_wen(
    values: ArrayLike,
    *,
    gain: float = 1.0,
    beta: float = 0.5,
    gamma: float = 0.5,
    order: float = 1.0,
    initial: float = 0.0,
) -> Array:
    """Return the internal state of a Bouc-Wen element along an input history.

    Parameters
    ----------
    values : array_like, shape (n,)
        Input history, any unit; the state starts at the first value.
    gain, beta, gamma : float
        Shape numbers A, beta, gamma (1); saturation at (A/(beta + gamma))^(1/n).
    order : float
        Exponent n (1), >= 1.
    initial : float
        State at the first value (unit of the input).

    Returns
    -------
    numpy.ndarray, shape (n,)
        State z (unit of the input).

    Notes
    -----
    Source: Ismail, Ikhouane, Rodellar, Arch. Comput. Methods Eng. 16 (2009) 161 (recalled).
    """
    inputs = np.ascontiguousarray(check_shape(values, (None,), name="values"))
    return np.asarray(_bouc_wen_many(inputs, initial, gain, beta, gamma, order), dtype=np.float64)
