"""What a design study asks of a variant of a pad; one object a variant, named in the registry."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import ClassVar, Generic, NamedTuple, TypeVar

from pydantic import BaseModel

from soft_tactile_node.design.figures import DesignFigures
from soft_tactile_node.design.schema import Design, PadShape
from soft_tactile_node.simulation.pad_design import PadDesign

Shape = TypeVar("Shape", bound=PadShape)
NamedMaterial = tuple[str, str, type[BaseModel]]
"""Key of the study, name of the material, what kind it must be."""

LARGEST_SHARE = 0.5
"""A tolerance takes off at most this share of a size (1)."""


class OwnFigure(NamedTuple):
    """How a report shows a figure of one variant; `looks_like_force` puts it beside what bending looks like, too."""

    title: str
    scale: float
    unit: str
    looks_like_force: bool = False


class PadStudy(ABC, Generic[Shape]):
    """One variant in a study.

    Attributes
    ----------
    shape : type
        What a study file says of it.
    own : dict
        The variant's own figures (`DesignFigures.extra`) by name; each of them stands here.
    curve_note : str
        How its curve of signal against force is to be read.
    """

    shape: type[Shape]
    own: ClassVar[dict[str, OwnFigure]] = {}
    curve_note: ClassVar[str] = ""

    @staticmethod
    @abstractmethod
    def evaluate(design: Design) -> DesignFigures:
        """Return the figures of `design`, a pad of this variant, as drawn."""

    @abstractmethod
    def materials(self, pad: Shape) -> list[NamedMaterial]:
        """Return the materials that `pad` names beside the coil's conductor."""

    @abstractmethod
    def cast(self, pad: Shape, gap_m: float, thickness_m: float) -> Shape:
        """Return `pad` with its gap and its thickness off by so much (m)."""

    @abstractmethod
    def simulated(self, design: Design, figures: DesignFigures) -> PadDesign:
        """Return the pad of `design` as the simulator takes it."""


def cast_size(size_m: float, by_m: float) -> float:
    """Return a size drawn as `size_m` that is off by `by_m` (m), at least LARGEST_SHARE of that drawn."""
    return max(size_m + by_m, LARGEST_SHARE * size_m)
