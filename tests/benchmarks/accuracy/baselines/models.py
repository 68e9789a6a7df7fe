"""The baselines: each is fitted on free-bend and press recordings and gives a force for every row, causally."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from sklearn.ensemble import HistGradientBoostingRegressor
from sklearn.linear_model import RidgeCV
from sklearn.model_selection import KFold
from sklearn.neural_network import MLPRegressor
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

from baselines.signals import Signals, bending_features, lag_features, low_pass, pad_features, play, prepare
from soft_tactile_node.recordings import Recording

Array = NDArray[np.float64]

FIT_STEP_S = 0.02
ALPHAS = np.logspace(-3, 4, 15)
LATE_S = 1.0


class Baseline(Protocol):
    """What every baseline offers."""

    def fit(self, free_bend: Sequence[tuple[Signals, Array]], press: Sequence[tuple[Signals, Array]]) -> None:
        """Fit on prepared recordings, each with its force (n, 3)."""

    def force(self, signals: Signals) -> Array:
        """Force (n, 3) of every row (N)."""


def thin(signals: Signals) -> slice:
    """Rows used for fitting: 50 a second, without the tare."""
    return slice(int(LATE_S / signals.step_s), None, max(round(FIT_STEP_S / signals.step_s), 1))


def stack(pairs: Sequence[tuple[Signals, Array]], features: Any) -> tuple[Array, Array]:
    """Features and targets of several recordings, thinned."""
    xs = [features(s)[thin(s)] for s, _ in pairs]
    ys = [target[thin(s)] for s, target in pairs]
    return np.concatenate(xs), np.concatenate(ys)


def ridge() -> Any:
    """Standardised ridge regression through the origin of the tare.

    The penalty is found by cross-validation in blocks of time.
    """
    return make_pipeline(StandardScaler(with_mean=False), RidgeCV(ALPHAS, fit_intercept=False, cv=KFold(6)))


class RawMap:
    """Linear map of the channels to force, bending ignored."""

    def fit(self, free_bend: Sequence[tuple[Signals, Array]], press: Sequence[tuple[Signals, Array]]) -> None:
        """See Baseline."""
        x, y = stack([*free_bend, *press], lambda s: s.change)
        self.model = ridge().fit(x, y)

    def force(self, signals: Signals) -> Array:
        """See Baseline."""
        return np.reshape(self.model.predict(signals.change), (-1, 3))


class StaticMap:
    """Polynomial of pressure for bending, then a linear or quadratic map of what is left."""

    def __init__(self, degree: int) -> None:
        self.degree = degree

    def _bending(self, s: Signals) -> Array:
        return s.pressure[:, None] ** np.arange(1, 5)

    def _features(self, s: Signals) -> Array:
        rest = (s.change - self._bending(s) @ self.bending) / 0.01
        c = rest.shape[1]
        if self.degree == 1:
            return np.asarray(rest)
        return np.column_stack([rest, *(rest[:, i] * rest[:, j] for i in range(c) for j in range(i, c))])

    def fit(self, free_bend: Sequence[tuple[Signals, Array]], press: Sequence[tuple[Signals, Array]]) -> None:
        """See Baseline."""
        x, y = stack([(s, s.change) for s, _ in free_bend], self._bending)
        self.bending = np.linalg.lstsq(x, y, rcond=None)[0]
        self.model = ridge().fit(*stack(press, self._features))

    def force(self, signals: Signals) -> Array:
        """See Baseline."""
        return np.reshape(self.model.predict(self._features(signals)), (-1, 3))


class GreyBox:
    """Bending from one play operator and one lag of pressure (three numbers found by least squares).

    Then comes a linear map.
    """

    def _history(self, s: Signals, numbers: Array) -> Array:
        radius, share, time_s = 0.01 + abs(numbers[0]), numbers[1], 0.5 + abs(numbers[2])
        p = low_pass(s.pressure, 0.03, s.step_s)
        felt = (1.0 - share) * p + share * play(p, radius)
        slow = low_pass(felt, time_s, s.step_s)
        return np.column_stack([felt, felt**2, felt**3, felt**4, slow, slow * felt])

    def fit(self, free_bend: Sequence[tuple[Signals, Array]], press: Sequence[tuple[Signals, Array]]) -> None:
        """See Baseline."""
        pairs = [(s, s.change) for s, _ in free_bend]

        def misfit(numbers: Array) -> float:
            x, y = stack(pairs, lambda s: self._history(s, numbers))
            weights = np.linalg.lstsq(x, y, rcond=None)[0]
            return float(np.sum((y - x @ weights) ** 2))

        start = np.array([0.15, 0.3, 10.0])
        simplex = start + np.vstack([np.zeros(3), np.diag([0.1, 0.2, 10.0])])
        options = {"maxfev": 90, "initial_simplex": simplex}
        self.numbers = minimize(misfit, start, method="Nelder-Mead", options=options).x
        x, y = stack(pairs, lambda s: self._history(s, self.numbers))
        self.bending = np.linalg.lstsq(x, y, rcond=None)[0]
        self.model = ridge().fit(*stack(press, self._rest))

    def _rest(self, s: Signals) -> Array:
        return (s.change - self._history(s, self.numbers) @ self.bending) / 0.01

    def force(self, signals: Signals) -> Array:
        """See Baseline."""
        return np.reshape(self.model.predict(self._rest(signals)), (-1, 3))


class BlackBox:
    """A learner on channels and pressure with lags."""

    def __init__(self, learner: str) -> None:
        self.learner = learner

    def _make(self) -> Any:
        if self.learner == "boosting":
            return HistGradientBoostingRegressor(max_iter=150, learning_rate=0.1, l2_regularization=1.0, random_state=0)
        net = MLPRegressor(
            hidden_layer_sizes=(64, 32), early_stopping=True, max_iter=80, n_iter_no_change=8, random_state=0
        )
        return make_pipeline(StandardScaler(), net)

    def fit(self, free_bend: Sequence[tuple[Signals, Array]], press: Sequence[tuple[Signals, Array]]) -> None:
        """See Baseline."""
        x, y = stack([*free_bend, *press], lag_features)
        if self.learner == "boosting":
            self.models = [self._make().fit(x, y[:, k]) for k in range(3)]
        else:
            self.models = [self._make().fit(x, y)]

    def force(self, signals: Signals) -> Array:
        """See Baseline."""
        x = lag_features(signals)
        parts = [np.reshape(model.predict(x), (len(x), -1)) for model in self.models]
        return np.concatenate(parts, axis=1)


class MemoryRegression:
    """Play operators and log-spaced lags of pressure for bending, low-passed differences of the channels for the pad.

    The temperature slope is fitted apart, on free rows. With `oracle`, bending is a polynomial of the TRUE bend and its
    lags instead.
    """

    def __init__(self, oracle: bool = False) -> None:
        self.oracle = oracle

    def _bending(self, s: Signals) -> Array:
        if not self.oracle:
            return bending_features(s)
        lags = [low_pass(s.bend, time_s, s.step_s) for time_s in (0.02, 0.1, 2.0, 10.0, 40.0)]
        return np.column_stack([*(s.bend**k for k in range(1, 6)), *lags, *(s.bend * lag for lag in lags)])

    def fit(self, free_bend: Sequence[tuple[Signals, Array]], press: Sequence[tuple[Signals, Array]]) -> None:
        """See Baseline."""
        self.slope = np.mean([self._slope(s) for s, _ in free_bend if np.ptp(s.warmth) > 3.0], axis=0)
        x, y = stack([(s, s.change - s.warmth[:, None] * self.slope) for s, _ in free_bend], self._bending)
        scale = np.sqrt(np.mean(x**2, axis=0)) + 1e-12
        model = RidgeCV(ALPHAS, fit_intercept=False, cv=KFold(6)).fit(x / scale, y)
        self.bending = (np.atleast_2d(model.coef_) / scale).T
        self.model = ridge().fit(*stack([*free_bend, *press], self._features))

    def _slope(self, s: Signals) -> Array:
        """Temperature slope (1/K) from vented rows, where only recovery is beside it."""
        vented = low_pass(s.pressure, 0.4, s.step_s) < 0.02
        recovery = [low_pass(s.pressure, time_s, s.step_s) for time_s in (3.0, 30.0)]
        x = np.column_stack([s.warmth, *recovery])[vented]
        return np.asarray(np.linalg.lstsq(x, s.change[vented], rcond=None)[0][:1])

    def _features(self, s: Signals) -> Array:
        rest = s.change - self._bending(s) @ self.bending - s.warmth[:, None] * self.slope
        stretch = s.bend if self.oracle else s.pressure
        return pad_features(rest, stretch, s.step_s, asymmetric=rest.shape[1] == 1)

    def force(self, signals: Signals) -> Array:
        """See Baseline."""
        return np.reshape(self.model.predict(self._features(signals)), (-1, 3))


class ConstantZero:
    """Always answers zero."""

    def fit(self, free_bend: Sequence[tuple[Signals, Array]], press: Sequence[tuple[Signals, Array]]) -> None:
        """Nothing to fit."""

    def force(self, signals: Signals) -> Array:
        """See Baseline."""
        return np.zeros((len(signals.time_s), 3))


MODELS: dict[str, Callable[[], Baseline]] = {
    "raw map": RawMap,
    "static polynomial + linear": lambda: StaticMap(1),
    "static polynomial + quadratic": lambda: StaticMap(2),
    "gradient boosting with lags": lambda: BlackBox("boosting"),
    "neural network with lags": lambda: BlackBox("network"),
    "hysteresis grey box": GreyBox,
    "memory regression": MemoryRegression,
    "constant zero": ConstantZero,
    "always in contact": ConstantZero,
    "oracle: true bend": lambda: MemoryRegression(oracle=True),
}


def fit_all(
    free_bend: Sequence[Recording],
    press: Sequence[Recording],
    bends: tuple[Sequence[Array], Sequence[Array]],
    names: Sequence[str] = tuple(MODELS),
) -> dict[str, tuple[Baseline, Array]]:
    """Fit every baseline.

    Parameters
    ----------
    free_bend, press : sequence of Recording
        Calibration recordings of one finger.
    bends : tuple of two sequences of numpy.ndarray
        True bend (rad) of them; only the oracle reads it.
    names : sequence of str
        Which baselines.

    Returns
    -------
    dict of str to (Baseline, numpy.ndarray)
        By name, each with its residual standard deviation per axis (N), shape (3,), on the calibration recordings.
    """
    free = [(prepare(r, bend), np.zeros((len(r), 3))) for r, bend in zip(free_bend, bends[0], strict=True)]
    pressed = [(prepare(r, bend), r.force_n) for r, bend in zip(press, bends[1], strict=True)]
    fitted = {}
    for name in names:
        model = MODELS[name]()
        model.fit(free, pressed)
        rests = [(model.force(s) - target)[thin(s)] for s, target in [*free, *pressed]]
        fitted[name] = (model, np.std(np.concatenate(rests), axis=0) + 1e-3)
    return fitted
