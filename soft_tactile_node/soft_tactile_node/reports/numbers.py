"""Figures as people read them: no more digits than the uncertainty allows."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class FigureRow:
    """One row of a table of figures.

    Attributes
    ----------
    name : str
        What it is.
    value : float or None
        Its value; None = not known.
    unit : str
        Unit, empty for a plain number.
    uncertainty : float or None
        Uncertainty in the same unit, standard or expanded as the page says; None = not known.
    remark : str
        Definition, bound or caution.
    """

    name: str
    value: float | None
    unit: str = ""
    uncertainty: float | None = None
    remark: str = ""


def format_value(value: float | None, uncertainty: float | None = None) -> str:
    """Return a number as text, with "± uncertainty" and digits to match where there is one.

    Parameters
    ----------
    value : float or None
        The value, any unit; None or NaN gives "not known".
    uncertainty : float or None
        Its uncertainty, same unit; two significant digits of it are shown (JCGM 100:2008, 7.2.6).

    Returns
    -------
    str
        The text.
    """
    if value is None or math.isnan(value):
        return "not known"
    if uncertainty is None or not math.isfinite(uncertainty) or uncertainty <= 0.0 or not math.isfinite(value):
        return _shorten(value)
    decimals = 1 - math.floor(math.log10(uncertainty))
    if -3 <= decimals <= 6:
        shown = max(decimals, 0)
        return f"{round(value, decimals) + 0.0:.{shown}f} ± {round(uncertainty, decimals):.{shown}f}"
    lead = max(math.floor(math.log10(abs(value))) if value else 0, math.floor(math.log10(uncertainty)))
    shown = max(decimals + lead, 0)
    scale = 10.0**lead
    return f"({value / scale:.{shown}f} ± {uncertainty / scale:.{shown}f})e{lead}"


def _shorten(value: float) -> str:
    if isinstance(value, int) or (math.isfinite(value) and value == round(value) and abs(value) < 1000):
        return f"{value:.0f}"
    return f"{value:.3g}"


def format_figure(value: float | None, uncertainty: float | None = None) -> str:
    """Return a figure as text; where nothing was seen, the bound that the uncertainty sets.

    Parameters
    ----------
    value : float or None
        The value, any unit; nothing was seen where no digit of it is left beside the uncertainty.
    uncertainty : float or None
        Its expanded uncertainty, same unit.

    Returns
    -------
    str
        As `format_value`, or "below" the uncertainty.
    """
    text = format_value(value, uncertainty)
    seen = text.partition(" ± ")[0].strip("-0.(")
    return text if seen or " ± " not in text else f"below {uncertainty:.2g}"
