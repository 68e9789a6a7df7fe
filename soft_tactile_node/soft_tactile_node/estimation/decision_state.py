"""What contact inference remembers from scan to scan, and when it claims something."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from soft_tactile_node.estimation.separation import SeparationModel
from soft_tactile_node.samples import Array

FREE = 1
TOUCHED = 2
HELD = 3


class Thresholds(NamedTuple):
    """When to claim and when to give up a claim.

    Attributes
    ----------
    touch_n : float
        Smallest force that is claimed as a touch (N).
    release_n : float
        Force below which a touch is given up (N).
    release_z : float
        Deviations below which a force is no longer told from zero (1).
    release_share : float
        Share of a contact's peak below which it is given up (1).
    claim_s, release_s : float
        How long the evidence must last (s).
    weak_n, weak_s : float
        A force below the first (N) for longer than the second (s) is taken for drift.
    """

    touch_n: float
    release_n: float
    release_z: float
    release_share: float
    claim_s: float
    release_s: float
    weak_n: float
    weak_s: float


class DecisionState(NamedTuple):
    """Everything the inference remembers; arrays are changed in place.

    Attributes
    ----------
    mode : numpy.ndarray, shape (MODE_SIZE,)
        See the index constants below.
    quick : numpy.ndarray, shape (c,)
        Smoothed departure (1).
    drift : numpy.ndarray, shape (w, c)
        Drift as each memory of the bank sees it (1).
    quiet_since : numpy.ndarray, shape (w,)
        Last time each memory saw no sign of a touch (s).
    memory : numpy.ndarray, shape (a, 1 + k)
        Relaxation of the pad; see `estimation.pad.relax` (N).
    shear : numpy.ndarray, shape (2,)
        Shear that explains the contact signal at a fixed place (N); NaN = not observed. Its changes are what slip is
        told by: the place of contact, which the pad map must allow for, does not change within milliseconds.
    force, force_covariance : numpy.ndarray, shape (a,), (a, a)
        Force filter of a touch (N), (N^2).
    spread : numpy.ndarray, shape (a, a)
        Covariance of the force, everything considered (N^2).
    offset, offset_covariance : numpy.ndarray, shape (c,), (c, c)
        Drift held during a touch and its covariance (1).
    offset_variance : numpy.ndarray, shape (c,)
        Extra variance of channels that came back from a fault (1).
    """

    mode: Array
    quick: Array
    drift: Array
    quiet_since: Array
    memory: Array
    shear: Array
    force: Array
    force_covariance: Array
    spread: Array
    offset: Array
    offset_covariance: Array
    offset_variance: Array


MODE = 0
SINCE = 1  # evidence for a change of mode since (s); NaN = none
ENTERED = 2  # time the mode was entered (s)
ONSET = 3  # estimated begin of the touch (s)
PEAK = 4  # highest force of this contact (N)
RELAX = 5  # load the pad is still relaxing from (N)
PROBABILITY = 6
MEMORY = 7  # memory of the bank that claimed
HELD_SIZE = 8  # departure along the bending curve (1 = full free bend)
TOUCH_FORCE = 9  # best guess of the force while free (N)
TOUCH_DEVIATION = 10
STRONG = 11  # last time the force was more than weak (s)
MODE_SIZE = 12


def new_decision_state(model: SeparationModel) -> DecisionState:
    """Return the state of a finger that is free and has no drift.

    Parameters
    ----------
    model : SeparationModel
        The calibrated model.

    Returns
    -------
    DecisionState
        Zeros of the right shapes.
    """
    channels = model.noise.shape[0]
    axes = model.error_floor.size
    mode = np.zeros(MODE_SIZE)
    mode[MODE] = FREE
    mode[SINCE] = np.nan
    mode[ONSET] = np.nan
    return DecisionState(
        mode=mode,
        quick=np.zeros(channels),
        drift=np.zeros((model.wander_s.size, channels)),
        quiet_since=np.zeros(model.wander_s.size),
        memory=np.zeros((axes, 1 + model.pad.lag_s.size)),
        shear=np.full(2, np.nan),
        force=np.zeros(axes),
        force_covariance=np.zeros((axes, axes)),
        spread=np.zeros((axes, axes)),
        offset=np.zeros(channels),
        offset_covariance=np.zeros((channels, channels)),
        offset_variance=np.zeros(channels),
    )
