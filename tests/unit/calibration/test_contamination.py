"""Free-bend recordings that pressure does not explain: a touch stands out, a bending that was not fitted does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from soft_tactile_node.calibration.contamination import check_drift, check_untouched
from soft_tactile_node.calibration.preparation import Prepared
from soft_tactile_node.errors import CalibrationError

TIME_S = np.arange(4000) / 100.0
BENDING = 1e-4 * np.sin(2.0 * np.pi * TIME_S / 10.0)[:, None]
SHORT = Prepared(TIME_S, np.zeros(4000), BENDING, np.zeros(4000), None, None, np.array([1e-6]), "free.csv")


def slow(share: float) -> np.ndarray:
    """Return residuals that wander throughout, of a share of the span."""
    return share * 2e-4 * np.sin(2.0 * np.pi * TIME_S / 7.0)[:, None]


def test_a_bending_that_could_not_be_fitted_is_no_touch() -> None:
    """Where much is unexplained throughout, the recording is too short for so weak a signal; nobody is accused."""
    check_untouched([SHORT], [slow(0.2)])
    with pytest.raises(
        CalibrationError, match="recording of 40 s is too short for so weak or noisy a bending signal"
    ) as caught:
        check_untouched([SHORT], [slow(0.3)])
    assert "touched" not in str(caught.value)


def test_what_stands_out_is_a_touch() -> None:
    """A second in which a third of the span is unexplained is a touch, with its time."""
    touch = slow(0.01)
    touch[2000:2100] += 0.3 * 2e-4
    with pytest.raises(CalibrationError, match=r"something touched the finger near 20\.\d s, or held it: 3\d %"):
        check_untouched([SHORT], [touch])


def test_a_channel_that_hardly_bends_may_drift_by_what_nobody_feels() -> None:
    """A slow wander counts against what bending does to the finger, not against a channel that it leaves alone."""
    bent = 1e-2 * np.clip(np.sin(2.0 * np.pi * TIME_S / 10.0), 0.0, None)
    pressure_pa = 1e6 * bent
    for wander, passes in ((2e-4, True), (5e-3, False)):
        change = np.column_stack([bent, 0.03 * bent + wander * TIME_S / TIME_S[-1]])
        item = replace(SHORT, pressure_pa=pressure_pa, change=change)
        if passes:
            check_drift([item])
        else:
            with pytest.raises(CalibrationError, match="column coil_2_h: drifts by "):
                check_drift([item])
