"""The report of a comparison: verdict first, and plots that show the numbers of the table."""

from __future__ import annotations

import re
from datetime import date

from numpy.testing import assert_allclose

from soft_tactile_node.characterisation.ageing import find_ageing
from soft_tactile_node.characterisation.compare import main_effects
from soft_tactile_node.characterisation.table import KINDS, shown_kinds, table_rows
from soft_tactile_node.reports.characterise_plots import plot_ageing, plot_effects, plot_kind
from soft_tactile_node.reports.characterise_report import build_characterise_page
from soft_tactile_node.reports.numbers import format_figure
from unit.characterisation.items import figure, make_item

ITEMS = [
    make_item("thin", factors={"wall_mm": 0.4}, day=date(2026, 5, 1), finger="left", hysteresis=figure(3.0)),
    make_item("middle", factors={"wall_mm": 0.5}, day=date(2026, 6, 1), finger="left", hysteresis=figure(4.0)),
    make_item("thick", factors={"wall_mm": 0.6}, day=date(2026, 8, 1), finger="left", hysteresis=figure(9.5)),
]


def drawn(plot) -> dict[str, list]:  # type: ignore[no-untyped-def, type-arg]
    """Return the data behind the dots of a plot."""
    return dict(plot.renderers[-1].data_source.data)


def test_plots_show_the_numbers_of_the_table() -> None:
    """Value and expanded uncertainty of each dot are those of the table, for every figure and specimen."""
    rows = {(row["figure"], row["specimen"]): row for row in table_rows(ITEMS)}
    for kind in shown_kinds(ITEMS):
        data = drawn(plot_kind(ITEMS, kind).plot)
        for label, value, half in zip(data["y"], data["x"], data["half"], strict=True):
            row = rows.pop((kind.name, label))
            assert_allclose([value, half], [row["value"], row["expanded_uncertainty"] or 0.0], rtol=1e-5, atol=0)
    assert rows == {}


def test_the_table_is_in_its_units() -> None:
    """A resolution of 2.5 mN is kept in newtons in the calibration; it is shown in mN, its uncertainty too."""
    (row,) = (
        row for row in table_rows([make_item("a", resolution=figure(2.5e-3, 1e-4))]) if row["figure"] == "resolution"
    )
    assert row["unit"] == "mN"
    assert_allclose([row["value"], row["standard_uncertainty"], row["expanded_uncertainty"]], [2.5, 0.1, 0.2262])


def test_specimens_stand_in_their_order() -> None:
    """The first specimen of the table stands at the top of each plot."""
    plot = plot_kind(ITEMS, shown_kinds(ITEMS)[0]).plot
    assert plot.y_range.factors[::-1] == ["thin", "middle", "thick"]


def test_plots_of_effects_and_of_time_show_the_numbers_of_the_words() -> None:
    """Effects are those of the sentences; over time a figure stands at its day."""
    kind = next(kind for kind in KINDS if kind.name == "hysteresis")
    effects = main_effects(ITEMS, kind)
    data = drawn(plot_effects(effects).plot)
    assert_allclose(data["x"], [effects[0].size], rtol=1e-12)
    assert_allclose(data["half"], [effects[0].uncertainty.expanded], rtol=1e-12)
    data = drawn(plot_ageing(find_ageing(ITEMS)[0], kind).plot)
    assert_allclose(data["x"], [0.0, 31.0, 92.0])
    assert_allclose(data["y"], [3.0, 4.0, 9.5])


def test_the_page_says_the_verdict_first() -> None:
    """The first words are the verdict; what failed, what differs and each definition stand below."""
    html = build_characterise_page(ITEMS, find_ageing(ITEMS), {"broken": "press.csv: too short."}).render()
    assert re.search(
        "by 6.50\N{NO-BREAK SPACE}± 0.30\N{NO-BREAK SPACE}% of span".replace("± ", "±\N{NO-BREAK SPACE}"), html
    )
    headings = re.findall(r"<h2[^>]*>([^<]*)</h2>", html)
    assert headings[0] == "Summary"
    assert headings[-1] == "Definitions"
    summary = html[html.index("</h2>") :]
    assert summary.index(
        "Calibrate left again: on 2026\N{NON-BREAKING HYPHEN}08\N{NON-BREAKING HYPHEN}01 it remembers earlier loads"
    ) < summary.index("</li>")
    assert "Not characterised: broken. press.csv: too short." in summary
    assert "Hysteresis differs by more than its uncertainty: thin is best" in html


def test_what_was_not_seen_is_a_bound() -> None:
    """A figure of nothing is told as the bound that its uncertainty sets."""
    assert format_figure(0.0, 0.0173) == "below 0.017"
    assert format_figure(0.0002, 0.011) == "below 0.011"
    assert format_figure(-1e-9, 2e-7) == "below 2e-07"
    assert format_figure(0.5, 0.0173) == "0.500 ± 0.017"
