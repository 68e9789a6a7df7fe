"""The simulated gripper: fingers, one object with weight, tray and arm, stepped scan by scan. No threads, no ROS."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from soft_tactile_node.checks import check_range
from soft_tactile_node.errors import RangeError, ShapeError
from soft_tactile_node.registry import DEFAULT_PAD
from soft_tactile_node.samples import Array, Scan
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.bench_scripts import earlier_use
from soft_tactile_node.simulation.faults import CoilFaults, Fault, base_turn
from soft_tactile_node.simulation.grasp_scripts import lid_way, make_mount
from soft_tactile_node.simulation.objects import draw_object
from soft_tactile_node.simulation.pad_design import PadDesign
from soft_tactile_node.simulation.readout import FingerReadout
from soft_tactile_node.simulation.sensors import Specimen, draw_specimen, pad_series
from soft_tactile_node.simulation.slip import SlipWindow
from soft_tactile_node.simulation.specimen import WORKING_PRESSURE_PA
from soft_tactile_node.simulation.world import LONGEST_SUBSTEP_S, advance_scan, new_states, run_scans

SPECIMEN_STRIDE = 7919
"""Finger i of a gripper is the specimen of seed + i x this."""

_LIFTED_M = 10.0e-3
_NO_LID_M = 1.0


@dataclass(frozen=True)
class PadTruth:
    """What really happens at one pad.

    Attributes
    ----------
    force_n : numpy.ndarray, shape (3,)
        Force of the world on the pad, pad frame (N).
    torque_n_m : numpy.ndarray, shape (3,)
        Torque about the pad origin, pad frame (N m).
    bend_rad : float
        Bend angle (rad).
    in_contact : bool
        Whether something touches the pad.
    slip : bool
        Whether the pad surface slides on the object (faster than 1 mm/s, mean of 20 ms, under at least 0.03 N).
    """

    force_n: Array
    torque_n_m: Array
    bend_rad: float
    in_contact: bool
    slip: bool


@dataclass(frozen=True)
class GripperStep:
    """Everything that one scan period brought.

    Attributes
    ----------
    time_s : float
        Time since the start (s).
    scans : tuple of Scan
        Coil readings, one a finger.
    pressure_pa : tuple of float
        Gauge pressure, one a finger (Pa); NaN = no new reading, pressure has its own slower clock.
    truths : tuple of PadTruth
        What really happens, one a finger.
    height_m : float
        Height of the object's lowest point above the tray (m); NaN = there is no object.
    width_m : float
        Width of the undeformed object between the pads (m); NaN = there is no object.
    dropped : bool
        Whether the object was lifted and has fallen.
    lift_m : float
        Height of the arm (m).
    """

    time_s: float
    scans: tuple[Scan, ...]
    pressure_pa: tuple[float, ...]
    truths: tuple[PadTruth, ...]
    height_m: float
    width_m: float
    dropped: bool
    lift_m: float


class Gripper:
    """One or two soft fingers above a tray; two close on an object, one presses it against a fixed stop.

    Parameters
    ----------
    fingers : sequence of str
        Names of the fingers, one or two different ones.
    object : str
        "bun", "roll", "jar" or "none"; lies on the tray at the start.
    seed : int
        Picks specimens, objects and noise, >= 0.
    pad : str or PadDesign
        Variant of the invented pads, a name in `registry.PADS`, or a pad of one's own.
    rate_hz : float
        Scans per second (Hz), 20 to 5000.
    temperature_c : float or None
        Temperature (degC); None = drawn within 5 K of 22 degC.
    faults : sequence of Fault
        What goes wrong; more can be added later.
    with_loss, with_motion : bool
        True = scans carry the coils' loss resistance, or the specific force of the base.

    Raises
    ------
    RangeError
        An argument is out of range; the message names it.
    """

    _on_bench = False  # whether the bench stage stands in the place of object and tray

    def __init__(
        self,
        fingers: Sequence[str] = ("left_finger", "right_finger"),
        object: str = "bun",  # noqa: A002 - the word of the domain
        seed: int = 0,
        pad: str | PadDesign = DEFAULT_PAD,
        rate_hz: float = 500.0,
        *,
        temperature_c: float | None = None,
        faults: Sequence[Fault] = (),
        with_loss: bool = False,
        with_motion: bool = False,
    ) -> None:
        if not 1 <= len(fingers) <= 2 or len(set(fingers)) != len(fingers):
            raise RangeError(f"fingers must be one or two different names; got {tuple(fingers)}")
        check_range(seed, 0, name="seed")
        self.fingers = tuple(fingers)
        self.scan_s = 1.0 / check_range(rate_hz, 20.0, 5000.0, name="rate_hz")
        count = len(self.fingers)
        self.specimen_seeds = tuple(seed + SPECIMEN_STRIDE * i for i in range(count))
        self.specimens: tuple[Specimen, ...] = tuple(draw_specimen(one, pad) for one in self.specimen_seeds)
        self._rng = np.random.default_rng([seed, 907])
        self._bodies = tuple(specimen.finger for specimen in self.specimens)
        self._mount = make_mount(self._bodies[0], count, float(self._rng.uniform(-1.5e-3, 1.5e-3)))
        drawn = float(self._rng.uniform(17.0, 27.0))
        self._temperature_c = check_range(
            drawn if temperature_c is None else temperature_c, 0.0, 60.0, name="temperature_c"
        )
        self._states, self._body = new_states(count)
        self._substeps = max(1, math.ceil(self.scan_s / LONGEST_SUBSTEP_S))
        self._row = np.zeros(at.COMMAND_PRESSURE + count)
        self._row[at.COMMAND_TEMPERATURE] = self._temperature_c
        self._steps = 0
        self._with_loss, self._with_motion = with_loss, with_motion
        self._slips = [SlipWindow(self.scan_s) for _ in range(count)]
        self._faults: list[Fault] = list(faults)
        self._readouts = [
            FingerReadout(specimen.readout, specimen.channels, self.scan_s, self._spawn(i))
            for i, specimen in enumerate(self.specimens)
        ]
        self._spoilers = [CoilFaults(self._faults, i) for i in range(count)]
        self.place(object)
        self._settle()

    def _spawn(self, finger: int) -> np.random.Generator:
        return np.random.default_rng([int(self._rng.integers(2**31)), finger])

    def _settle(self) -> None:
        """Let the fingers be tried out without an object and come to rest, before time starts."""
        for i, body in enumerate(self._bodies):
            self._states[i, at.BEND] = body.rest_bend_rad
            self._states[i, at.SOFTENING] = float(self._rng.uniform(0.85, 0.98))
        before = earlier_use(self._temperature_c, len(self.fingers), self._rng, 1.0 / self.scan_s)
        run_scans(
            self._bodies, self._states, self._body, self._item, self._mount, before, False, self.scan_s, self._substeps
        )

    def place(self, object: str) -> None:  # noqa: A002 - the word of the domain
        """Put a fresh `object` ("bun", "roll", "jar", "none"; else RangeError) on the tray at the next step."""
        self._item = draw_object(object, self._rng)
        self.object = object
        self._row[at.COMMAND_OBJECT] = 0.0 if object == "none" else 2.0
        self._lifted = False
        self._dropped = False

    @property
    def object_indents_m(self) -> tuple[float, ...]:
        """How far each pad presses the object in at present (m), one a finger: truth for compliance."""
        return tuple(self._states[:, at.OBJECT_INDENT].tolist())

    def add_fault(self, fault: Fault) -> None:
        """Let `fault` go wrong, too; its times count from the start of the gripper."""
        self._faults.append(fault)
        for spoiler in self._spoilers:
            spoiler.add(fault)

    def step(self, pressure_command_pa: Sequence[float], lift_m: float = 0.0) -> GripperStep:
        """Advance by one scan period.

        Parameters
        ----------
        pressure_command_pa : sequence of float
            Commanded gauge pressure, one a finger (Pa), 0 to 60 kPa; the regulator stops at these limits.
        lift_m : float
            Commanded height of the arm above the tray (m), 0 to 1.

        Returns
        -------
        GripperStep
            Readings and truth at the end of the period.

        Raises
        ------
        ShapeError, RangeError
            A command is missing, not finite or out of range.
        """
        if len(pressure_command_pa) != len(self.fingers):
            raise ShapeError(
                f"pressure_command_pa must be of shape ({len(self.fingers)},); got ({len(pressure_command_pa)},)"
            )
        for i, command in enumerate(pressure_command_pa):
            if not math.isfinite(command):
                raise RangeError(f"pressure_command_pa must be finite; got {command:g}")
            self._row[at.COMMAND_PRESSURE + i] = min(max(command, 0.0), WORKING_PRESSURE_PA)
        self._row[at.COMMAND_LIFT] = check_range(lift_m, 0.0, 1.0, name="lift_m")
        self._hold_elsewhere()
        self._row[at.COMMAND_TILT] = base_turn(self._faults, np.array([self._steps * self.scan_s]))[0]
        advance_scan(
            self._bodies,
            self._states,
            self._body,
            self._item,
            self._mount,
            self._row,
            self._on_bench,
            self.scan_s,
            self._substeps,
        )
        self._steps += 1
        if self._row[at.COMMAND_OBJECT] > 1.5:
            self._row[at.COMMAND_OBJECT] = 1.0
        self._watch_object()
        return self._report()

    def _hold_elsewhere(self) -> None:
        now_s = self._steps * self.scan_s
        for i in range(len(self.fingers)):
            held = any(
                fault.kind == "held_elsewhere" and fault.finger == i and fault.active(now_s) for fault in self._faults
            )
            free = self._states[i, at.BLOCK_ANGLE] == at.NO_BLOCK_RAD
            if held and free:
                self._states[i, at.BLOCK_ANGLE] = self._states[i, at.BEND]
            elif not held:
                self._states[i, at.BLOCK_ANGLE] = at.NO_BLOCK_RAD

    def _object_height(self) -> float:
        if self.object == "none":
            return math.nan
        return max(0.0, float(self._mount.pad_height_m + self._body[at.LIFT] - self._body[at.OBJECT_X]))

    def _watch_object(self) -> None:
        """Notice when a lifted object falls: no pad touches it, or it is back on the tray with the arm still up."""
        height = self._object_height()
        if not height >= 0.0:
            return
        touched = max(self._states[:, at.NORMAL].tolist()) > 0.0
        if height > _LIFTED_M and touched:
            self._lifted = True
        if self._lifted and height > _LIFTED_M and not touched:
            self._dropped = True
        if self._lifted and height < 1.0e-3 and self._body[at.LIFT] > 2.0 * _LIFTED_M:
            self._dropped = True
        if self._body[at.LIFT] < _LIFTED_M and not self._dropped:
            self._lifted = False

    def _lid_distance(self, finger: int) -> float:
        now_s = self._steps * self.scan_s
        for fault in self._faults:
            if fault.kind == "metal_near" and fault.finger == finger and fault.active(now_s):
                return fault.amount
        if self._item.lid_distance_m > 0.5 or self.object == "none":
            return _NO_LID_M
        return self._item.lid_distance_m + lid_way(
            self._bodies[finger],
            float(self._states[finger, at.BEND]),
            float(self._body[at.OBJECT_X]),
            self._item,
            self._mount,
        )

    def _report(self) -> GripperStep:
        now_s = self._steps * self.scan_s
        scans, pressures, truths = [], [], []
        for i, specimen in enumerate(self.specimens):
            state = self._states[i]
            warm, coils_c = np.array([self._row[at.COMMAND_TEMPERATURE]]), np.array([self._temperature_c])
            ideal, loss = pad_series(
                specimen, self._states[i : i + 1], warm, coils_c, np.array([self._lid_distance(i)])
            )
            readout, spoiler = self._readouts[i], self._spoilers[i]
            coils = spoiler.spoil_coils(now_s, readout.coils(ideal[0], loss[0]), readout.rng)
            motion = self._specific_force(i) if self._with_motion else None
            resistance = readout.loss(loss[0]) if self._with_loss else None
            scans.append(Scan(now_s, coils, readout.temperature(self._temperature_c), resistance, motion))
            pressures.append(spoiler.spoil_pressure(now_s, readout.pressure(now_s, float(state[at.LINE_PRESSURE]))))
            force = state[at.FORCE_X : at.FORCE_Z + 1].copy()
            slides = self._slips[i].slides(float(state[at.SLIP_DISTANCE]), float(np.linalg.norm(force)))
            torque = state[at.TORQUE_X : at.TORQUE_Z + 1].copy()
            truths.append(PadTruth(force, torque, float(state[at.BEND]), bool(state[at.NORMAL] > 0.0), slides))
        width = math.nan if self.object == "none" else 2.0 * self._item.half_width_m
        return GripperStep(
            now_s,
            tuple(scans),
            tuple(pressures),
            tuple(truths),
            self._object_height(),
            width,
            self._dropped,
            float(self._body[at.LIFT]),
        )

    def _specific_force(self, finger: int) -> Array:
        """Return base acceleration minus gravity in the finger's root frame (m/s^2), with noise."""
        side = 1.0 if finger == 0 else -1.0
        tilt = float(self._row[at.COMMAND_TILT])
        down = self._mount.gravity_m_s2 * math.cos(tilt) + float(self._body[at.LIFT_ACCELERATION])
        inward = side * self._mount.gravity_m_s2 * math.sin(tilt)
        sine, cosine = math.sin(self._mount.angle_rad), math.cos(self._mount.angle_rad)
        felt = np.array([cosine * down + sine * inward, 0.0, -sine * down + cosine * inward])
        return np.asarray(-felt + 0.03 * self._readouts[finger].rng.standard_normal(3))
