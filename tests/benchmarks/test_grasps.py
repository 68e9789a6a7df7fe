from __future__ import annotations

import sys
from pathlib import Path

import pytest
import yaml

sys.path.insert(0, str(Path(__file__).resolve().parent))

from grasps import ITEMS, ROOT, Grasp, calibrated, grasps_of, table, teach

CONFIG = ROOT / "config" / "two_finger_gripper_simulated.yaml"


@pytest.fixture(scope="module")
def grasps() -> list[Grasp]:
    """Hold one of each item with the shipped calibrations."""
    return grasps_of(calibrated(1, Path()), 1, [1])


def test_width_is_known_to_a_millimetre_and_honest(grasps: list[Grasp]) -> None:
    """The width of each undeformed item is found within 1 mm and within two standard uncertainties of its own."""
    assert [grasp.item for grasp in grasps] == list(ITEMS)
    for grasp in grasps:
        assert abs(grasp.width_m - grasp.true_width_m) < 1e-3, grasp
        assert abs(grasp.width_m - grasp.true_width_m) <= 2 * grasp.width_deviation_m, grasp
        assert grasp.width_deviation_m < 1e-3, "no excuse either"


def test_compliance_tells_the_items_apart_and_is_honest(grasps: list[Grasp]) -> None:
    """Compliances come in the true order with a clear gap, each within two standard uncertainties of its own."""
    bun, roll, jar = (next(g for g in grasps if g.item == item) for item in ("bun", "roll", "jar"))
    assert bun.compliance_m_n > 3 * roll.compliance_m_n > 3 * 0.25e-3 > 3 * jar.compliance_m_n
    for grasp in grasps:
        error = abs(grasp.compliance_m_n - grasp.true_compliance_m_n)
        assert error <= 2 * grasp.compliance_deviation_m_n, grasp
    assert "all" in table(grasps)


def test_the_shipped_own_compliance_is_that_of_a_fresh_lesson() -> None:
    """The parameter file has what gripping a jar teaches; where it differs, put the new value into the file."""
    monitor = yaml.safe_load(CONFIG.read_text())["/**/grasp_monitor"]["ros__parameters"]
    taught = teach(calibrated(1, Path()), 1).pad_m_n
    assert monitor["pad_compliance"] == pytest.approx(taught, abs=5e-5), (
        f"put pad_compliance: {taught:.2e} into the file"
    )
