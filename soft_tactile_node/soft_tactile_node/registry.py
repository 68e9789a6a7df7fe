"""What there is to choose from, one line each. Modules are named, not imported: the command line's help loads nothing.

A module whose name begins with a dot lies in this package.
"""

from __future__ import annotations

import importlib
from typing import Any, NamedTuple

from soft_tactile_node.errors import CalibrationError, RangeError


class PadVariant(NamedTuple):
    """One way to build a pad: what everybody must know of it, and where the rest stands."""

    name: str
    words: str
    axes: int  # of force that it tells: 3, or 1 for the normal force alone
    press_sign: int  # +1 where a press raises the inductance, -1 where it lowers it
    simulator: str  # module whose `PAD` is a `simulation.pad_design.PadModel`
    study: str  # module whose `STUDY` is a `design.pad_study.PadStudy`

    def load_simulator(self) -> Any:
        """Return the variant's `simulation.pad_design.PadModel`."""
        return importlib.import_module(self.simulator, __package__).PAD

    def load_study(self) -> Any:
        """Return the variant's `design.pad_study.PadStudy`."""
        return importlib.import_module(self.study, __package__).STUDY


class SourceEntry(NamedTuple):
    """One way to get scans."""

    name: str
    form: str  # in which it is named on the command line
    words: str
    module: str  # module whose `SOURCE` is a `sources.kinds.SourceKind`

    def load(self) -> Any:
        """Return the `sources.kinds.SourceKind`."""
        return importlib.import_module(self.module, __package__).SOURCE


PADS = {
    variant.name: variant
    for variant in (
        PadVariant("iron_disc", "iron disc", 3, +1, ".simulation.iron_disc_pad", ".design.iron_disc"),
        PadVariant("liquid_metal", "liquid metal", 1, -1, ".simulation.liquid_metal_pad", ".design.liquid_metal"),
    )
}
"""Variants of a pad by name."""

DEFAULT_PAD = next(iter(PADS))
"""The variant where none is named."""


SOURCES = {
    entry.name: entry
    for entry in (
        SourceEntry("simulated", "simulated[:SCENARIO]", "a simulated finger", ".sources.simulated"),
        SourceEntry("serial", "serial:PORT[@BAUD]", "a serial port", ".sources.serial_port"),
        SourceEntry("udp", "udp:HOST:PORT", "UDP", ".sources.udp"),
        SourceEntry("recording", "recording:FILE", "a recording", ".sources.recorded"),
        SourceEntry("ros", "ros:/NAMESPACE", "the topics of a finger", ".sources.topics"),
    )
}
"""Sources by the first word of their names."""


def source_forms() -> str:
    """Return every form a source can be named in."""
    return ", ".join(entry.form for entry in SOURCES.values())


def find_pad(name: str) -> PadVariant:
    """Return a variant of a pad.

    Parameters
    ----------
    name : str
        Its name.

    Returns
    -------
    PadVariant
        The variant.

    Raises
    ------
    RangeError
        There is none of that name.
    """
    if name not in PADS:
        raise RangeError(f"pad must be one of {', '.join(PADS)}; got {name!r}")
    return PADS[name]


def likely_pad(response: float, axes: int) -> PadVariant:
    """Return the variant that a press response points to.

    Parameters
    ----------
    response : float
        Sum of signal change times normal force over the presses (N); only its sign counts.
    axes : int
        Axes of force that the channels tell (1), to choose among variants of the same sign.

    Returns
    -------
    PadVariant
        The variant.

    Raises
    ------
    CalibrationError
        Several fit alike.
    """
    sign = 1 if response > 0.0 else -1
    fitting = [variant for variant in PADS.values() if variant.press_sign == sign]
    nearest = [variant for variant in fitting if variant.axes == axes] or fitting
    if len(nearest) > 1:
        names = " or ".join(variant.name for variant in nearest)
        raise CalibrationError(f"pad may be {names}: the presses do not tell them apart; say which with --pad-info")
    return nearest[0]
