"""The shipped calibrations are those that the package of today makes of the same simulated recordings."""

from __future__ import annotations

from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.calibration import load_calibration
from soft_tactile_node.commands.demo import fit, record

CALIBRATIONS = Path(__file__).resolve().parents[3] / "config" / "calibrations"
MEND = "make it again as config/calibrations/README.md says"


@pytest.mark.slow
@pytest.mark.parametrize("finger", ["left_finger", "right_finger"])
def test_a_shipped_calibration_is_that_of_a_fresh_fit(finger: str, tmp_path: Path) -> None:
    """Calibrating the demonstration's finger anew gives the shipped figures, thresholds and variances within 5 %."""
    for scenario in ("free-bend", "press"):
        record(1, finger, scenario, tmp_path)
    fresh, shipped = load_calibration(fit(1, finger, tmp_path)), load_calibration(CALIBRATIONS / f"{finger}.yaml")
    assert shipped.serial == fresh.serial, MEND
    assert shipped.figures.keys() == fresh.figures.keys(), MEND
    for name, figure in fresh.figures.items():
        assert_allclose(shipped.figures[name].value, figure.value, rtol=0.05, atol=1e-6, err_msg=f"{name}: {MEND}")
    for part, names in (("touch", ("spread", "location", "scale")), ("force_map", ("normal_variance", "gain"))):
        for name in names:
            old, new = getattr(getattr(shipped, part), name), getattr(getattr(fresh, part), name)
            assert_allclose(old, new, rtol=0.05, atol=1e-9, err_msg=f"{part}.{name}: {MEND}")
