"""One self-contained page: summary in words, figures with unit and uncertainty, then plots. Needs no network."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from pathlib import Path
from typing import TypeAlias

import jinja2
from bokeh.embed import components
from bokeh.plotting import figure
from bokeh.resources import Resources

from soft_tactile_node.recordings import write_atomically
from soft_tactile_node.reports.numbers import FigureRow, format_figure

Plot: TypeAlias = figure
"""A Bokeh figure, as `make_plot` returns it."""


@dataclass(frozen=True)
class PlotEntry:
    """A plot with its words.

    Attributes
    ----------
    plot : bokeh.plotting.figure
        The plot.
    caption : str
        What it shows and what to look for.
    description : str
        What it shows, for those who cannot see it; empty = the caption.
    """

    plot: Plot
    caption: str
    description: str = ""


@dataclass
class _Section:
    heading: str
    paragraphs: list[str] = field(default_factory=list)
    points: list[str] = field(default_factory=list)
    columns: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)
    entries: list[PlotEntry] = field(default_factory=list)
    anchor: str = ""


class Page:
    """A report page, built section by section in reading order.

    Parameters
    ----------
    title : str
        Title and first heading.
    subtitle : str
        One quiet line below it.
    footer : str
        Last line: how the page was made, cautions.
    """

    def __init__(self, title: str, *, subtitle: str = "", footer: str = "") -> None:
        self._title = title
        self._subtitle = subtitle
        self._footer = footer
        self._sections: list[_Section] = []

    def add_summary(self, *sentences: str, heading: str = "Summary") -> None:
        """Add the summary: one point a sentence, most important first.

        Parameters
        ----------
        *sentences : str
            Plain words.
        heading : str
            Heading of the section.
        """
        self._sections.append(_Section(heading, points=list(sentences)))

    def add_text(self, heading: str, *paragraphs: str, points: Sequence[str] = ()) -> None:
        """Add a section of words.

        Parameters
        ----------
        heading : str
            Heading of the section.
        *paragraphs : str
            Paragraphs.
        points : sequence of str
            A list below them.
        """
        self._sections.append(_Section(heading, list(paragraphs), list(points)))

    def add_figures(self, heading: str, rows: Sequence[FigureRow], *, text: str = "") -> None:
        """Add a table of figures with unit and uncertainty.

        Parameters
        ----------
        heading : str
            Heading of the section.
        rows : sequence of FigureRow
            The figures.
        text : str
            A paragraph above the table.
        """
        cells = [
            [row.name, _keep_together(format_figure(row.value, row.uncertainty)), _keep_together(row.unit), row.remark]
            for row in rows
        ]
        self.add_table(heading, ["Figure", "Value", "Unit", "Remark"], cells, text=text)

    def add_table(self, heading: str, columns: Sequence[str], rows: Sequence[Sequence[str]], *, text: str = "") -> None:
        """Add a table; the first cell of a row is its heading.

        Parameters
        ----------
        heading : str
            Heading of the section.
        columns : sequence of str
            Column headings.
        rows : sequence of sequence of str
            Cells, as many a row as there are columns.
        text : str
            A paragraph above the table.
        """
        section = _Section(heading, [text] if text else [], columns=list(columns), rows=[list(row) for row in rows])
        self._sections.append(section)

    def add_plots(self, heading: str, entries: Sequence[PlotEntry], *, text: str = "") -> None:
        """Add plots, each with its caption.

        Parameters
        ----------
        heading : str
            Heading of the section.
        entries : sequence of PlotEntry
            The plots.
        text : str
            A paragraph above them.
        """
        self._sections.append(_Section(heading, [text] if text else [], entries=list(entries)))

    def render(self) -> str:
        """Return the page as HTML text."""
        self._name_anchors()
        entries = [entry for section in self._sections for entry in section.entries]
        script, divs = components([entry.plot for entry in entries]) if entries else ("", ())
        divided = iter(divs)
        sections = []
        for section in self._sections:
            plots = [
                {
                    "div": next(divided),
                    "caption": _bind(entry.caption),
                    "description": entry.description or entry.caption,
                }
                for entry in section.entries
            ]
            words = {name: [_bind(text) for text in getattr(section, name)] for name in ("paragraphs", "points")}
            rows = [[_bind(cell) for cell in row] for row in section.rows]
            columns = [re.sub(r"\([^)]*\)$", lambda unit: _keep_together(unit[0]), name) for name in section.columns]
            sections.append({**vars(section), **words, "columns": columns, "rows": rows, "plots": plots})
        return _load_template().render(
            title=self._title,
            subtitle=self._subtitle,
            footer=self._footer,
            sections=sections,
            css=_read("page.css"),
            library=_load_library() if entries else "",
            script=script,
            colours=_read("page.js") if entries else "",
        )

    def write(self, path: str | Path) -> None:
        """Write the page atomically to the HTML file `path`; RecordingError if it cannot be written."""
        write_atomically(path, self.render())

    def _name_anchors(self) -> None:
        seen: set[str] = set()
        for section in self._sections:
            base = re.sub(r"[^a-z0-9]+", "-", section.heading.lower()).strip("-") or "section"
            anchor, number = base, 2
            while anchor in seen:
                anchor, number = f"{base}-{number}", number + 1
            seen.add(anchor)
            section.anchor = anchor


def _read(name: str) -> str:
    return resources.files("soft_tactile_node.reports").joinpath(name).read_text(encoding="utf-8")


@cache
def _load_template() -> jinja2.Template:
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True)
    return environment.from_string(_read("page.html"))


@cache
def _load_library() -> str:
    """Return the plotting library as a script, so that the page needs no network."""
    return str(Resources(mode="inline", components=["bokeh"]).render())


UNITS = "N|mN|kPa|Pa|h|min|s|ms|Hz|kHz|MHz|m|mm|µm|K|°C|°|%|‰|dB|H|µH|nH"


def _bind(text: str) -> str:
    """Return words in which no value is broken from its uncertainty and unit, and no date in itself."""
    text = re.sub(r"(?<=\S) ± (?=\S)", "\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}", text)
    text = re.sub(rf"(?<=\d\)) (?=\S)|(?<=\d) (?=({UNITS})\b|[%‰°])", "\N{NO-BREAK SPACE}", text)
    return re.sub(r"\b(\d{4})-(\d\d)-(\d\d)\b", "\\1\N{NON-BREAKING HYPHEN}\\2\N{NON-BREAKING HYPHEN}\\3", text)


def _keep_together(text: str) -> str:
    """Return a text that is not broken between lines: a value stays beside its uncertainty."""
    return text.replace(" ", "\N{NO-BREAK SPACE}")
