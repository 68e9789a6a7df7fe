"""Specimens against each other: which differ by more than their uncertainty, and what each design factor does."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import lstsq, pinvh

from soft_tactile_node.calibration.uncertainty import Uncertainty, expand
from soft_tactile_node.characterisation.specimens import Level
from soft_tactile_node.characterisation.table import Cell, Characterised, Kind
from soft_tactile_node.samples import Array


@dataclass(frozen=True)
class Spread:
    """How a figure differs between specimens.

    Attributes
    ----------
    kind : Kind
        Which figure.
    best, worst : Characterised
        The specimens at its two ends.
    gap : float
        Difference of the two, in the unit of the kind.
    expanded : float
        Expanded uncertainty of that difference, same unit; NaN = not known.
    """

    kind: Kind
    best: Characterised
    worst: Characterised
    gap: float
    expanded: float

    @property
    def differs(self) -> bool:
        """Whether the ends differ by more than the uncertainty of their difference."""
        return self.gap > self.expanded


@dataclass(frozen=True)
class Effect:
    """What a design factor does to a figure.

    Attributes
    ----------
    kind : Kind
        Which figure.
    factor, low, high : str
        The factor, and the two levels between which it changes.
    size : float
        Change of the figure from `low` to `high`, in the unit of the kind.
    uncertainty : Uncertainty
        Of that change.
    """

    kind: Kind
    factor: str
    low: str
    high: str
    size: float
    uncertainty: Uncertainty

    @property
    def seen(self) -> bool:
        """Whether the effect is larger than its expanded uncertainty."""
        return abs(self.size) > self.uncertainty.expanded


def difference(one: Cell, other: Cell) -> tuple[float, float, float]:
    """Return the difference of two cells with its uncertainty.

    Parameters
    ----------
    one, other : Cell
        The cells.

    Returns
    -------
    size, standard, expanded : float
        `other` less `one`; root of the sum of the squared uncertainties, NaN where one is not known (unit of the
        cells).

    Notes
    -----
    Source: a difference beyond the root of the sum of the squared expanded uncertainties is the E_n number of ISO 13528
    above 1 (from memory).
    """
    known = (one.standard, other.standard, one.expanded, other.expanded)
    s1, s2, e1, e2 = (math.nan if part is None else part for part in known)
    return other.value - one.value, math.hypot(s1, s2), math.hypot(e1, e2)


def find_spread(items: Sequence[Characterised], kind: Kind) -> Spread | None:
    """Return how a figure of one `kind` differs between `items`; None where fewer than two have it."""
    known = [(cell, item) for item in items if (cell := item.cell(kind)) is not None]
    if len(known) < 2:
        return None
    # a figure that may have either sign is the better the closer it is to zero
    ranked = sorted(known, key=lambda pair: -kind.better * (pair[0].value if kind.better > 0 else abs(pair[0].value)))
    (best, first), (worst, last) = ranked[0], ranked[-1]
    size, _, expanded = difference(best, worst)
    return Spread(kind, first, last, abs(size), expanded)


def factor_columns(items: Sequence[Characterised]) -> tuple[list[tuple[str, str, str]], Array]:
    """Return the design of specimens as columns that go from 0 to 1.

    Parameters
    ----------
    items : sequence of Characterised
        The specimens; a factor counts where all of them have it and not all alike.

    Returns
    -------
    names : list of tuple of str
        Factor, its level at 0 and its level at 1. A factor in words has a column for each word but the first.
    design : numpy.ndarray, shape (n, m)
        The columns (1).
    """
    names: list[tuple[str, str, str]] = []
    columns: list[list[float]] = []
    for factor in items[0].specimen.factors if items else ():
        levels = [item.specimen.factors.get(factor) for item in items]
        if None in levels or len(set(levels)) < 2:
            continue
        numbers = [float(level) for level in levels if isinstance(level, int | float)]
        if len(numbers) == len(levels):
            low, high = min(numbers), max(numbers)
            names.append((factor, _word(low), _word(high)))
            columns.append([(number - low) / (high - low) for number in numbers])
        else:
            first, *others = dict.fromkeys(levels)
            for other in others:
                names.append((factor, _word(first), _word(other)))
                columns.append([float(level == other) for level in levels])
    return names, np.array(columns).reshape(len(columns), len(items)).T


def _word(level: Level | None) -> str:
    return f"{level:g}" if isinstance(level, int | float) else str(level)


def main_effects(items: Sequence[Characterised], kind: Kind) -> list[Effect]:
    """Return the main effect of each design factor on a figure, by plain least squares.

    Parameters
    ----------
    items : sequence of Characterised
        The specimens; those without the figure are left out.
    kind : Kind
        Which figure.

    Returns
    -------
    list of Effect
        Empty where the design cannot tell the factors apart. The uncertainty comes from what the factors leave
        unexplained, so that interactions and the spread from specimen to specimen are in it, but is at least what the
        uncertainties of the figures make of it.

    Notes
    -----
    Source: covariance of least squares, s^2 (X'X)^-1; JCGM 100:2008, H.3 is its case of one factor.
    """
    known = [item for item in items if item.cell(kind) is not None]
    names, columns = factor_columns(known)
    cells = [cell for item in known if (cell := item.cell(kind)) is not None]
    design = np.column_stack([np.ones(len(known)), columns]) if names else np.empty((len(known), 0))
    if not names or np.linalg.matrix_rank(design) < design.shape[1]:
        return []
    values = np.array([cell.value for cell in cells])
    weights = lstsq(design, values)[0]
    inverse = pinvh(design.T @ design)
    degrees = len(values) - design.shape[1]
    own = np.array([cell.standard or 0.0 for cell in cells])
    spread = np.sqrt(np.diag(inverse @ (design.T * own**2) @ design @ inverse))
    if degrees > 0:
        left = values - design @ weights
        spread = np.maximum(spread, np.sqrt(np.diag(inverse) * float(left @ left) / degrees))
    return [
        Effect(kind, *name, float(weights[k]), expand(float(spread[k]), degrees if degrees > 0 else math.inf))
        for k, name in enumerate(names, start=1)
    ]
