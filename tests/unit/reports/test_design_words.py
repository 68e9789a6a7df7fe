"""What a sweep of a design study comes to, in words."""

from __future__ import annotations

from types import SimpleNamespace

from soft_tactile_node.reports.design_report import main_effects


def test_an_effect_that_rounds_to_nothing_is_none() -> None:
    """A gap that costs 2 dB is told with its size; a radius that moves 0.02 dB makes no difference."""
    ranked = [
        SimpleNamespace(
            case=SimpleNamespace(changes={"pad.cushion.gap_m": gap_m, "pad.disc.radius_m": radius_m}),
            figures=SimpleNamespace(snr_db=50.0 - 2.0 * (gap_m > 2e-3) + 0.02 * (radius_m > 5e-3)),
        )
        for gap_m in (2e-3, 3e-3)
        for radius_m in (4.5e-3, 5.5e-3)
    ]
    assert [text.replace("\N{NO-BREAK SPACE}", " ") for text in main_effects(ranked)] == [
        "cushion gap: 2 mm is on average 2.0 dB better than 3 mm.",
        "disc radius: makes no difference on average.",
    ]
