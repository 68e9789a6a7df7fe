"""Every number of force and touch that a person chose; those of slip and health stand with them, the rest is measured.

Times were chosen on the recordings of two simulated families of fingers, both pads, so that a factor of 1.5 either way
changes little; `tests/unit/estimation/test_tuning.py` moves each one and sees the estimate move.
"""

from __future__ import annotations

from typing import NamedTuple

Times = tuple[float, ...]


class Tuning(NamedTuple):
    """Numbers of the estimator that calibration does not measure.

    Attributes
    ----------
    quick_s : float
        The finger's own quickest lag (s): valve and sensor line.
    creep_s : tuple of float
        Time constants of rate dependence and creep (s); log-spaced, Ferry (1980).
    play_radius : tuple of float
        Radii of the play operators that carry hysteresis (1), in relative pressure.
    fill_s, empty_s : float
        Lag of a cell that fills and empties through a duct (s).
    drift_s : float
        Memory of a channel's slow zero while free (s); being held elsewhere for longer is drift as well.
    recovery_s : float
        How long pad and finger recover after a touch (s): before it is over no slow zero learns and a touch must stand
        above the earlier zero too; memory of the load and of the ringing that the thresholds grow with.
    slope_prior : float
        Standard deviation of a coil's unknown temperature slope (1/K); coils show about 1e-4 (common practice, no
        source).
    smooth_s : float
        Low-pass of the coordinates (s).
    rise_s, fall_s : float
        Low-passes whose slope undoes the pad's own lag (s); the second is the zero's memory right after a release.
    memory_s : tuple of float
        Memories of the load on the pad (s): viscoelastic recovery. Other coordinates have the first two.
    clip : float
        How far beyond the calibrated range a coordinate is believed (1, share of the range).
    zero_s : float
        Memory of the force zero while free (s).
    detect_s : tuple of float
        Low-passes of the three touch tests (s). The second is the quick end of the band of pressure activity, and for
        the third nobody watches for ringing after a release.
    activity_s : float
        Slow end of the band of pressure activity that the spread grows with (s).
    recent_s : float
        What is recent (s): memory of that activity, of a contact's peak, and against which an edge is told.
    confirm_s, release_s : float
        How long a test must stand above its threshold, or below half of it (s).
    settled_s : float
        Age of a contact (s) from which it ends by a fall, and its zero learns until it has shown an edge: drift.
    fallen_s, fallen_share : float
        A settled contact ends where the force has fallen to the second (1) of its recent peak for the first (s): the
        zero moved meanwhile.
    ring_gain : float
        Threshold over the rms of the ringing of a shaken finger (1).
    moved_kg : float
        Force on the pad per acceleration of the base (kg): the mass that hangs on the finger. Tips of the shipped
        simulator show 0.007 to 0.018 kg.
    swing_s, swing_back_s, swing_share : float
        A shorter contact (s), followed within this (s) by a dip of this share (1), was a swing.
    held_s : float
        How long force must be negative before the finger counts as held (s).
    restart_s : float
        Longer blindness restarts the filters (s).
    """

    quick_s: float = 0.008
    creep_s: Times = (0.03, 0.08, 0.2, 0.5, 1.2, 3.0, 8.0, 20.0, 50.0)
    play_radius: Times = (0.01, 0.02, 0.04, 0.07, 0.11, 0.16, 0.23, 0.32, 0.45)
    fill_s: float = 0.06
    empty_s: float = 0.8
    drift_s: float = 20.0
    recovery_s: float = 1.0
    slope_prior: float = 5e-4
    smooth_s: float = 0.0055
    rise_s: float = 0.012
    fall_s: float = 0.030
    memory_s: Times = (0.03, 0.3, 2.0, 10.0, 60.0)
    clip: float = 0.25
    zero_s: float = 0.7
    detect_s: Times = (0.0, 0.02, 0.1)
    activity_s: float = 0.2
    recent_s: float = 0.5
    confirm_s: float = 0.003
    release_s: float = 0.008
    settled_s: float = 0.3
    fallen_s: float = 0.06
    fallen_share: float = 0.2
    ring_gain: float = 1.7
    moved_kg: float = 0.015
    swing_s: float = 0.6
    swing_back_s: float = 0.25
    swing_share: float = 0.4
    held_s: float = 0.05
    restart_s: float = 0.05


TUNING = Tuning()
"""The numbers in use."""
