"""Report pages: self-contained, escaped, structured, and plots that keep their extremes."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from soft_tactile_node.errors import RecordingError, ShapeError
from soft_tactile_node.reports.numbers import FigureRow
from soft_tactile_node.reports.page import Page, PlotEntry
from soft_tactile_node.reports.plots import (
    COLOURS,
    draw_band,
    draw_line,
    draw_points,
    draw_reference,
    make_plot,
    thin_signal,
)


class Outline(HTMLParser):
    """Collects what matters of a page: headings, links, anchors, outside addresses, text outside scripts."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.headings: list[tuple[str, str]] = []
        self.links: list[str] = []
        self.anchors: set[str] = set()
        self.addresses: list[str] = []
        self.labels: list[str] = []
        self.text = ""
        self._open: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a tag."""
        named = dict(attrs)
        self._open.append(tag)
        if tag in ("h1", "h2", "h3"):
            self.headings.append((tag, ""))
        if tag == "a":
            self.links.append(named.get("href") or "")
        if named.get("id"):
            self.anchors.add(named["id"] or "")
        if named.get("role") == "img":
            self.labels.append(named.get("aria-label") or "")
        self.addresses += [value or "" for name, value in attrs if name in ("src", "action", "data")]
        if tag == "link":
            self.addresses.append(named.get("href") or "")

    def handle_data(self, data: str) -> None:
        """Note text."""
        if self._open and self._open[-1] in ("script", "style"):
            return
        self.text += data
        if self.headings and self._open and self._open[-1] in ("h1", "h2", "h3"):
            tag, text = self.headings[-1]
            self.headings[-1] = (tag, text + data)

    def handle_endtag(self, tag: str) -> None:
        """Note the end of a tag."""
        while self._open and self._open.pop() != tag:
            pass


def make_page() -> Page:
    """Return a page with one of everything."""
    x = np.linspace(0.0, 10.0, 500)
    plot = make_plot("time (s)", "force z (N)")
    draw_band(plot, x, np.sin(x) - 1, np.sin(x) + 1, "± 2 sigma", 0)
    draw_line(plot, x, np.sin(x), "estimate", 0)
    draw_points(plot, x, np.cos(x), "reference", 1)
    draw_reference(plot, x[[0, -1]], np.zeros(2))
    page = Page("Report of a bun <gripper>", subtitle="invented & small", footer="Not a safety-rated device.")
    page.add_summary("All is well.", "Force is off by 0.04 N.")
    page.add_figures("Figures", [FigureRow("force error", 0.04, "N", 0.01, "rms")], text="Some figures.")
    page.add_plots("Signals", [PlotEntry(plot, "Force over time.", "A sine.")])
    page.add_text("Signals", "Twice the same heading.", points=["one", "two"])
    return page


def test_a_page_needs_no_network() -> None:
    """Nothing on the page is fetched from anywhere: no address in a tag, no import in a style."""
    html = make_page().render()
    outline = Outline(html)
    assert [address for address in outline.addresses if address] == []
    assert "@import" not in html.split("</style>")[0]
    assert "url(" not in html.split("</style>")[0]
    assert "Bokeh" in html


def test_words_come_first_and_headings_are_in_order() -> None:
    """One main heading, then sections: the summary before the figures, the figures before the plots."""
    outline = Outline(make_page().render())
    assert outline.headings == [
        ("h1", "Report of a bun <gripper>"),
        ("h2", "Summary"),
        ("h2", "Figures"),
        ("h2", "Signals"),
        ("h2", "Signals"),
    ]


def test_every_section_can_be_reached_from_the_top() -> None:
    """Each link of the contents leads to an anchor of its own, also where headings repeat."""
    outline = Outline(make_page().render())
    targets = [link.removeprefix("#") for link in outline.links]
    assert targets == ["summary", "summary", "figures", "signals", "signals-2"]
    assert set(targets) <= outline.anchors


def test_plots_have_words_for_those_who_cannot_see_them() -> None:
    """Each plot carries a description, the caption where none was given."""
    page = make_page()
    page.add_plots("More", [PlotEntry(make_plot("x (1)", "y (1)"), "Only a caption.")])
    assert Outline(page.render()).labels == ["A sine.", "Only a caption."]


def test_text_is_escaped() -> None:
    """Names from files cannot inject markup into a page."""
    page = Page("<script>alert(1)</script>", subtitle="<img src=x>")
    page.add_summary("<b>bold</b>")
    page.add_table("T", ["<i>a</i>", "b"], [["<u>c</u>", '"><script>d</script>']], text="<p>e</p>")
    page.add_text("<h2>x</h2>", "</main>")
    html = page.render()
    for tag in ("<script>alert", "<img", "<b>", "<i>", "<u>", "<script>d", "<h2>x", "<p>e</p>\n</p>"):
        assert tag not in html
    assert "&lt;script&gt;alert(1)" in html


def test_a_label_of_a_plot_cannot_leave_its_script() -> None:
    """A channel name with a closing script tag stays data."""
    plot = make_plot("x (1)", "y (1)")
    draw_line(plot, np.arange(3.0), np.arange(3.0), "</script><script>alert(1)</script>")
    page = Page("P")
    page.add_plots("S", [PlotEntry(plot, "C")])
    assert "<script>alert(1)" not in page.render()


def test_a_page_without_plots_is_small() -> None:
    """The plotting library is part of the page only where it is needed."""
    page = Page("P")
    page.add_summary("Nothing to see.")
    assert len(page.render()) < 10_000


def test_no_number_is_broken_from_its_unit() -> None:
    """In words and in cells a value stays beside its uncertainty and its unit; other words break as they like."""
    page = Page("P")
    page.add_summary("Force is off by 0.04 N or 3 % after 1.2 ± 0.3 s, and 5 buns are left.")
    page.add_table("T", ["a", "b (% of span)"], [["x", "0.12 ± 0.03"]])
    text = Outline(page.render()).text
    space = "\N{NO-BREAK SPACE}"
    told = "Force is off by 0.04_N or 3_% after 1.2_±_0.3_s, and 5 buns are left."
    assert told.replace("_", space) in text
    assert "0.12_±_0.03".replace("_", space) in text
    assert "b (%_of_span)".replace("_", space) in text


def test_light_and_dark_and_paper() -> None:
    """The page has colours for both schemes and for print, and gives them to the plots."""
    html = make_page().render()
    assert html.count("prefers-color-scheme: dark") >= 2
    assert "@media print" in html
    assert '"beforeprint"' in html


def luminance(colour: str) -> float:
    """Return the relative luminance of a colour (W3C, WCAG 2.1, definition of relative luminance)."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours (W3C, WCAG 2.1)."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def read_colours(html: str) -> list[dict[str, str]]:
    """Return the colour names of the light and the dark scheme."""
    blocks = re.findall(r":root \{([^}]*)\}", html)
    return [dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", block)) for block in blocks[:2]]


def test_text_and_lines_can_be_read_in_both_schemes() -> None:
    """Text has a contrast of 4.5 and lines of plots of 1.9 or more, in light and dark.

    4.5 is success criterion 1.4.3 of WCAG 2.1 (W3C, from memory). The orange and the sky blue of the palette stay below
    its 3 for graphics on white; every line therefore differs in dash as well.
    """
    light, dark = read_colours(make_page().render())
    for scheme in (light, dark):
        for name in ("ink", "quiet", "link"):
            assert contrast(scheme[name], scheme["paper"]) >= 4.5
        assert min(contrast(colour, scheme["paper"]) for colour in COLOURS) >= 1.9


def test_writing_to_a_missing_folder_is_refused(tmp_path: Path) -> None:
    """A report that cannot be written is one line, not a traceback."""
    with pytest.raises(RecordingError, match="cannot be written"):
        make_page().write(tmp_path / "no" / "report.html")


def test_thinned_signals_keep_their_extremes() -> None:
    """However long a signal is, its largest and smallest value are drawn, and its order stays."""
    rng = np.random.default_rng(3)
    y = rng.standard_normal(123_457)
    y[77_777], y[5] = 50.0, -50.0
    x, thin = thin_signal(np.arange(len(y), dtype=float), y)
    assert len(x) < 3100
    assert (thin.max(), thin.min()) == (50.0, -50.0)
    assert np.all(np.diff(x) > 0)
    assert_array_equal(y[x.astype(int)], thin)
    short = thin_signal(np.arange(5.0), np.arange(5.0))
    assert_array_equal(short[1], np.arange(5.0))


def test_thinned_signals_keep_their_gaps() -> None:
    """Missing samples stay visible as gaps."""
    y = np.zeros(100_000)
    y[40_000:40_100] = np.nan
    assert np.any(np.isnan(thin_signal(np.arange(1e5), y)[1]))


def test_signals_of_different_length_are_refused() -> None:
    """A plot never pairs values that do not belong together."""
    plot = make_plot("x (1)", "y (1)")
    with pytest.raises(ShapeError, match="y must be of shape"):
        draw_line(plot, np.zeros(5), np.zeros(4))
    with pytest.raises(ShapeError, match="y must be of shape"):
        draw_points(plot, np.zeros(5), np.zeros(4))
    with pytest.raises(ShapeError, match="high must be of shape"):
        draw_band(plot, np.zeros(5), np.zeros(5), np.zeros(4))
