"""Writes the parameter tables into the README: `python -m soft_tactile_node.ros.parameters.docs README.md`."""

from __future__ import annotations

import sys
from pathlib import Path

from soft_tactile_node.ros.parameters.spec import markdown_table
from soft_tactile_node.ros.parameters.tables import NODES

BEGIN = "<!-- parameters: made by soft_tactile_node.ros.parameters.docs -->"
END = "<!-- end of parameters -->"


def parameter_section() -> str:
    """Return what stands between the marks: one table a node, in Markdown."""
    parts = [f"### `{node}`\n\n{markdown_table(specs)}\n" for node, specs in NODES.items()]
    return f"{BEGIN}\n\n" + "\n".join(parts) + f"\n{END}"


def put_section(text: str) -> str:
    """Return a page with the tables between its marks renewed.

    Parameters
    ----------
    text : str
        The page, with both marks.

    Returns
    -------
    str
        The page with today's tables.

    Raises
    ------
    ValueError
        A mark is missing.
    """
    head, found, rest = text.partition(BEGIN)
    _, closed, tail = rest.partition(END)
    if not found or not closed:
        raise ValueError(f"the page must have the lines {BEGIN!r} and {END!r}; got neither or one")
    return head + parameter_section() + tail


if __name__ == "__main__":
    page = Path(sys.argv[1])
    page.write_text(put_section(page.read_text()))
