"""What a pad is judged by: tank and counter, loads, the finger that carries it, metal in the surroundings."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from soft_tactile_node.design.materials import NotNegative, Positive, Share, Strict
from soft_tactile_node.physics.resonator import CounterReadout


class Readout(Strict):
    """Tank and counter.

    Attributes
    ----------
    reference_hz : float
        Reference clock (Hz).
    gate_s : float
        Gate time of one coil (s).
    capacitance_f : float
        Tank capacitor with all parasitics (F).
    noise_counts : float
        Random error of the gated time, rms (reference counts).
    reference_quality : float
        Quality factor at which noise_counts holds (1); 0 = the same at any quality.
    """

    reference_hz: Positive = 50.0e6
    gate_s: Positive = 2.0e-3
    capacitance_f: Positive = 100.0e-12
    noise_counts: NotNegative = 1.0
    reference_quality: NotNegative = 0.0

    def counter(self) -> CounterReadout:
        """Return the readout for the physics modules."""
        return CounterReadout(**self.model_dump())


class Load(Strict):
    """Forces the pad is judged by.

    Attributes
    ----------
    normal_n, shear_n : float
        Full scale (N).
    points : int
        Points of the force curve (1).
    cycle_s : float
        Period of the load cycle that shows the hysteresis (s).
    misplacement_m : float
        Offset of the soft body whose effect is shown (m).
    detection_n : float
        Normal force as which metal in the surroundings must read (N).
    """

    normal_n: Positive = 5.0
    shear_n: Positive = 2.0
    points: Annotated[int, Field(ge=5, le=201)] = 26
    cycle_s: Positive = 10.0
    misplacement_m: Positive = 0.5e-3
    detection_n: Positive = 0.05


class Tolerances(Strict):
    """How far the cast pad may be from the drawn one; its place on the board is `load.misplacement_m`.

    The defaults are what careful casting in a printed mould keeps (common practice, no source).

    Attributes
    ----------
    gap_m : float
        Of the silicone between the coils and the disc or the metal (m); at most half of it is taken off.
    thickness_m : float
        Of the disc, or of the press cell's roof (m); at most half of it is taken off.
    """

    gap_m: NotNegative = 0.1e-3
    thickness_m: NotNegative = 0.1e-3


class Finger(Strict):
    """The finger that carries the pad.

    Attributes
    ----------
    arc_length_m : float
        Arc length from root to pad (m).
    neutral_height_m : float
        Distance from the neutral line to the pad surface (m).
    bend_rad : float
        Bend at which the cross-sensitivity is shown (rad).
    flexible_board : bool
        True = the board under the coils bends with the finger.
    cell_squeeze : float
        Share of the finger's longitudinal strain by which the press cell loses volume (1).
    """

    arc_length_m: Positive = 0.080
    neutral_height_m: Positive = 0.012
    bend_rad: Positive = 1.0
    flexible_board: bool = True
    cell_squeeze: Share = 0.2


class Plate(Strict):
    """A metal part in the surroundings.

    Attributes
    ----------
    name : str
        What it is.
    conductor : str
        Name of a conductor.
    thickness_m : float
        Thickness (m).
    """

    name: str
    conductor: str
    thickness_m: Positive


SURROUNDINGS = (
    Plate(name="steel lid", conductor="steel", thickness_m=0.2e-3),
    Plate(name="aluminium tray", conductor="aluminium", thickness_m=1.0e-3),
)
"""What stands on a bakery's packing bench: the lid of a jam jar, a baking tray."""
