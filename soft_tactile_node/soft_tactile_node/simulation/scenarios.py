"""Scenarios by name: a recording from the simulated finger, and the truth beside it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from soft_tactile_node.checks import check_range
from soft_tactile_node.errors import RangeError
from soft_tactile_node.recordings.tables import Recording, Truth
from soft_tactile_node.registry import DEFAULT_PAD
from soft_tactile_node.samples import Array
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.faults import CoilFaults, Fault
from soft_tactile_node.simulation.grasp_scripts import lid_way
from soft_tactile_node.simulation.pad_design import PadDesign
from soft_tactile_node.simulation.readout import count_series, draw_drift, read_loss, read_pressure
from soft_tactile_node.simulation.runs import Run, run_scenario
from soft_tactile_node.simulation.sensors import Specimen, draw_specimen, pad_series, variant_of
from soft_tactile_node.simulation.slip import slip_flags
from soft_tactile_node.words import SCENARIO_LENGTHS_S, SCENARIOS


def simulate(
    scenario: str,
    *,
    pad: str | PadDesign = DEFAULT_PAD,
    seed: int = 0,
    rate_hz: float = 500.0,
    duration_s: float | None = None,
    specimen_seed: int | None = None,
    force_cap_n: float | None = None,
    temperature_c: float | None = None,
    faults: Sequence[Fault] = (),
    with_loss: bool = False,
    with_motion: bool = False,
) -> tuple[Recording, Truth]:
    """Return a recording of the simulated finger and what really happened.

    Every scenario starts with 2 s of unpressurised, untouched rest.

    Parameters
    ----------
    scenario : str
        One of SCENARIOS.
    pad : str or PadDesign
        Variant of an invented pad, a name in `registry.PADS`, or a pad of one's own.
    seed : int
        Picks motion details, noise and (unless `specimen_seed` is given) the specimen, >= 0.
    rate_hz : float
        Scan rate (Hz), 20 to 5000.
    duration_s : float or None
        Length (s), >= 3; None = the scenario's own.
    specimen_seed : int or None
        Picks finger and pad, so that several recordings share them; None = seed.
    force_cap_n : float or None
        Largest normal force that picks aim at (N), 0.3 to 6; above 3 N a third of the picks lie above 3 N. None = 2.5 N
        for the bun, 5 N for roll and jar.
    temperature_c : float or None
        Temperature at the start (degC), 0 to 60; None = drawn within 5 K of 22 degC.
    faults : sequence of Fault
        What goes wrong.
    with_loss, with_motion : bool
        True adds the coils' loss resistance, or the specific force of the base.

    Returns
    -------
    Recording
        Force columns only for "press", bend column only for "free-bend".
    Truth
        Force, bend, contact and slip at each row.

    Raises
    ------
    RangeError
        An argument is out of range; the message names it.
    """
    if scenario not in SCENARIOS:
        raise RangeError(f"scenario must be one of {', '.join(SCENARIOS)}; got {scenario!r}")
    variant_of(pad)
    check_range(seed, 0, name="seed")
    check_range(rate_hz, 20.0, 5000.0, name="rate_hz")
    length = (
        SCENARIO_LENGTHS_S[scenario] if duration_s is None else check_range(duration_s, 3.0, 36000.0, name="duration_s")
    )
    rng = np.random.default_rng([seed, SCENARIOS.index(scenario), 71])
    specimen = draw_specimen(seed if specimen_seed is None else specimen_seed, pad)
    run = run_scenario(scenario, specimen, rng, length, rate_hz, force_cap_n, temperature_c, faults)
    coils, loss, pressure = _read_coils(specimen, run, rng, faults)
    temperature = run.coil_temperature_c + specimen.readout.temperature_noise_k * rng.standard_normal(len(run.time_s))
    states = run.states[:, 0]
    force, bend = states[:, at.FORCE_X : at.FORCE_Z + 1].copy(), states[:, at.BEND].copy()
    reference = force + 4.0e-3 * rng.standard_normal(force.shape)
    camera = bend + 1.5e-3 * rng.standard_normal(len(bend))
    recording = Recording(
        time_s=run.time_s,
        pressure_pa=pressure,
        inductance_h=coils,
        temperature_c=np.round(temperature, 3),
        loss_ohm=loss if with_loss else None,
        acceleration_m_s2=_specific_force(run, rng) if with_motion else None,
        indent_m=states[:, at.INDENT].copy() if scenario == "press" else None,
        force_n=reference if scenario == "press" else None,
        bend_rad=camera if scenario == "free-bend" else None,
        source=f"simulated:{scenario}",
    )
    touched = states[:, at.NORMAL] > 0.0
    return recording, Truth(run.time_s, force, bend, touched, slip_flags(states, 1.0 / rate_hz))


def _read_coils(
    specimen: Specimen, run: Run, rng: np.random.Generator, faults: Sequence[Fault]
) -> tuple[Array, Array, Array]:
    """Return coil readings (n, c) (H), loss readings (n, c) (ohm) and the pressure column (n,) (gauge Pa)."""
    readout = specimen.readout
    states = np.ascontiguousarray(run.states[:, 0])
    warm = np.ascontiguousarray(run.commands[:, at.COMMAND_TEMPERATURE])
    metal = _metal_distance(run, specimen, faults)
    ideal, loss = pad_series(specimen, states, warm, run.coil_temperature_c, metal)
    count, channels = ideal.shape
    scan_s = float(run.time_s[1] - run.time_s[0])
    drift = draw_drift(readout, rng, count, channels, scan_s)
    gate = readout.gate_share * scan_s / channels
    noise, phase = rng.standard_normal((count, channels)), rng.uniform(size=(count, channels))
    coils = count_series(readout, ideal * (1.0 + drift), loss, gate, noise, phase)
    phase_s = float(rng.uniform(0.0, readout.pressure_interval_s))
    pressure = read_pressure(readout, rng, run.time_s, states[:, at.LINE_PRESSURE], phase_s)
    loss = read_loss(readout, rng, loss, gate)
    if faults:
        spoiler = CoilFaults(faults)
        for k, moment in enumerate(run.time_s.tolist()):
            coils[k] = spoiler.spoil_coils(moment, coils[k], rng)
            pressure[k] = spoiler.spoil_pressure(moment, float(pressure[k]))
    return coils, loss, pressure


def _specific_force(run: Run, rng: np.random.Generator) -> Array:
    """Return base acceleration minus gravity in the root frame (n, 3) (m/s^2), with noise."""
    tilt = run.commands[:, at.COMMAND_TILT]
    down = run.mount.gravity_m_s2 * np.cos(tilt) + run.body[:, at.LIFT_ACCELERATION]
    inward = run.mount.gravity_m_s2 * np.sin(tilt)
    sine, cosine = np.sin(run.mount.angle_rad), np.cos(run.mount.angle_rad)
    felt = np.stack(
        [cosine * down + sine * inward, -run.commands[:, at.COMMAND_SWAY], -sine * down + cosine * inward], axis=1
    )
    return np.asarray(-felt + 0.03 * rng.standard_normal(felt.shape))


def _metal_distance(run: Run, specimen: Specimen, faults: Sequence[Fault]) -> Array:
    """Return the way from the pad centre to the edge of steel, a jar's lid or a plate (n,) (m)."""
    far = np.full(len(run.time_s), 1.0)
    for fault in faults:
        if fault.kind == "metal_near":
            far[(run.time_s >= fault.start_s) & (run.time_s < fault.end_s)] = fault.amount
    if run.item.lid_distance_m > 0.5:
        return far
    bend, x = run.states[:, 0, at.BEND], run.body[:, at.OBJECT_X]
    for k in np.flatnonzero(run.commands[:, at.COMMAND_OBJECT] > 0.5):
        far[k] = run.item.lid_distance_m + lid_way(specimen.finger, float(bend[k]), float(x[k]), run.item, run.mount)
    return far
