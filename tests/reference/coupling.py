"""What a neighbouring coil does to a coil: it reflects its own impedance through the mutual inductance."""

from __future__ import annotations

import math

from soft_tactile_node.checks import check_range


def reflected_impedance(mutual_h: float, neighbour_ohm: complex, frequency_hz: float) -> complex:
    """Return the impedance that a closed neighbour adds in series to a coil: (w M)^2 / Z.

    Parameters
    ----------
    mutual_h : float
        Mutual inductance (H), either sign.
    neighbour_ohm : complex
        Impedance around the neighbour's whole loop: coil, loss and whatever closes it (ohm); not zero.
    frequency_hz : float
        Frequency (Hz), > 0.

    Returns
    -------
    complex
        Added impedance (ohm).

    Notes
    -----
    Source: coupled circuits, any circuit text.
    """
    omega = 2.0 * math.pi * check_range(frequency_hz, 0.0, name="frequency_hz", open_low=True)
    check_range(abs(neighbour_ohm), 0.0, name="size of neighbour_ohm", open_low=True)
    return (omega * mutual_h) ** 2 / neighbour_ohm


def neighbour_change(
    mutual_h: float, inductance_h: float, resistance_ohm: float, capacitance_f: float, frequency_hz: float
) -> tuple[float, float]:
    """Return the change of inductance (H) and resistance (ohm) of a coil by a neighbour closed through a capacitor.

    A neighbour left open changes nothing; one tuned to the same frequency shows up as loss, one tuned lower lowers
    the inductance (it acts as a short circuit), one tuned higher raises it. An infinite capacitance is a short circuit.

    Parameters
    ----------
    mutual_h : float
        Mutual inductance (H).
    inductance_h, resistance_ohm : float
        The neighbour's inductance (H) and loss (ohm).
    capacitance_f : float
        Capacitor that closes the neighbour (F), > 0.
    frequency_hz : float
        Frequency of the coil that is read (Hz), > 0.

    Returns
    -------
    tuple of float
        Change of inductance (H) and of series resistance (ohm).

    Notes
    -----
    Source: coupled circuits, any circuit text.
    """
    omega = 2.0 * math.pi * check_range(frequency_hz, 0.0, name="frequency_hz", open_low=True)
    reactance = omega * inductance_h - (0.0 if math.isinf(capacitance_f) else 1.0 / (omega * capacitance_f))
    added = reflected_impedance(mutual_h, complex(resistance_ohm, reactance), frequency_hz)
    return added.imag / omega, added.real
