"""Action `calibrate`: leads the finger through its calibration on the robot; vents whatever happens.

It moves the finger: read shared/docs/safety.md before something real moves.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rclpy.action import ActionServer, CancelResponse, GoalResponse
from rclpy.task import Future
from soft_tactile_msgs.action import Calibrate

from soft_tactile_node.calibration.pad_info import PadInfo, load_pad_info
from soft_tactile_node.calibration.record import Calibration
from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.errors import CalibrationError, SoftTactileError
from soft_tactile_node.fitting.calibration_fit import CalibrationFit
from soft_tactile_node.protocol.guidance import BenchLimits, Phase, Wanted
from soft_tactile_node.protocol.guided import GuidedCalibration
from soft_tactile_node.protocol.plausible import choose_pressure
from soft_tactile_node.ros.calibrate.bench_topics import BenchTopics
from soft_tactile_node.ros.calibrate.client_watch import ClientWatch
from soft_tactile_node.ros.calibrate.fits import to_result
from soft_tactile_node.ros.running.managed_node import ManagedNode
from soft_tactile_node.ros.wire.conversions import clock_s
from soft_tactile_node.samples import Scan

TICK_S = 0.05
SILENCE_S = 1.0
"""Shortest pause of the scans that ends a calibration: minutes of work are not given up for a hiccup (s)."""

VENT_S = 1.0
"""Shortest time the vented command is repeated at the end (s)."""

LONGEST_VENT_S = 5.0
COMMAND_PERIOD_S = 0.02
FEEDBACK_PERIOD_S = 0.2
FIT_FRACTION = 0.95
"""Share of the whole at which the recording is done and the fit begins (1)."""


@dataclass
class _Run:
    """One goal under way."""

    guide: GuidedCalibration
    topics: BenchTopics
    fit: CalibrationFit
    client: ClientWatch
    done: Future[Calibrate.Result]
    result: Calibrate.Result | None = None
    phase: Phase = Phase.VENTING
    fraction: float = 0.0
    instruction: str = ""
    next_command_s: float = -math.inf
    next_feedback_s: float = -math.inf
    pressure_pa: float = math.nan
    vented_ticks: int = 0


class CalibrateAction:
    """Server of the action; lives as long as the node is configured.

    Parameters
    ----------
    node : ManagedNode
        Owner; its parameters say what the calibration may do.
    pad_frame, root_frame : str
        Frames of the references.
    calibration : callable
        Returns the calibration in use, or None.
    use : callable
        Loads a calibration file into the running node; returns what became of it, in words.
    """

    def __init__(
        self,
        node: ManagedNode,
        pad_frame: str,
        root_frame: str,
        calibration: Callable[[], Calibration | None],
        use: Callable[[Path], str],
    ) -> None:
        self._node = node
        self._calibration = calibration
        self._use = use
        self._channels: int | None = None
        self._scan_ns = 0
        self._run: _Run | None = None
        self._goal: Any = None
        self._topics = BenchTopics(node, pad_frame, root_frame)
        self._timer = node.call_every(TICK_S, self._on_tick, running=False)
        server = ActionServer(
            node, Calibrate, "calibrate", self._execute, goal_callback=self._on_goal, cancel_callback=self._on_cancel
        )
        node.keep(server, ActionServer.destroy)

    @property
    def is_running(self) -> bool:
        """Whether a calibration is under way."""
        return self._run is not None

    def stop(self, reason: str) -> None:
        """Give up what is under way, and vent the finger, for `reason`."""
        if self._run is not None:
            self._give_up(f"{reason}; the finger is vented")
            self._complete()

    # -- what the node hears

    def add_scan(self, scan: Scan) -> None:
        """Take a scan; costs nothing while no calibration is under way."""
        self._channels = scan.inductance_h.size
        run = self._run
        if run is None:
            return
        self._scan_ns = self._node.get_clock().now().nanoseconds
        if run.result is not None or run.guide.finished:
            return
        try:
            wanted = run.guide.advance(scan)
        except SoftTactileError as error:
            self._give_up(str(error))
            return
        self._follow(run, wanted, scan.time_s)
        if run.guide.finished:
            self._vent(run)
            run.fit.fit(run.guide.free_bend(), run.guide.press())
        elif run.guide.sweeps_done:
            run.fit.judge(run.guide.free_bend)

    def add_pressure(self, time_s: float, pressure_pa: float) -> None:
        """Take a pressure reading (Pa, as the topic carries it)."""
        run = self._run
        if run is None or not math.isfinite(pressure_pa):
            return
        try:
            if run.topics.check_vented(pressure_pa, run.guide.atmospheric_pa):
                run.guide.add_pressure(time_s, pressure_pa)
                run.pressure_pa = pressure_pa - run.guide.atmospheric_pa
        except SoftTactileError as error:
            self._give_up(str(error))

    # -- goals

    def _on_goal(self, _request: Calibrate.Goal) -> GoalResponse:
        if self._node.active and self._run is None and self._goal is None:
            return GoalResponse.ACCEPT
        reason = "the node is not active" if not self._node.active else "another calibration is under way"
        self._node.get_logger().warning(f"calibrate refused: {reason}")
        return GoalResponse.REJECT

    def _on_cancel(self, _goal: Any) -> CancelResponse:
        if self._run is not None:
            self._give_up("cancelled; the finger is vented and nothing was written")
        return CancelResponse.ACCEPT

    async def _execute(self, goal: Any) -> Calibrate.Result:
        self._goal = goal
        try:
            self._run = self._begin(goal.request)
        except SoftTactileError as error:
            self._goal = None
            self._node.get_logger().error(f"calibrate: {error}")
            goal.abort()
            return _failed(str(error))
        self._timer.reset()
        result = await self._run.done
        if not goal.is_active:  # the node was taken down meanwhile
            return result
        if result.success:
            goal.succeed()
        elif goal.is_cancel_requested:
            goal.canceled()
        else:
            goal.abort()
        return result

    def _begin(self, goal: Calibrate.Goal) -> _Run:
        setting = self._node.setting
        wanted_pa = choose_pressure(goal.max_pressure, setting("max_pressure"))
        target = _check_target(goal.path or setting("calibration"))
        if self._channels is None:
            raise CalibrationError("no scans arrive: check the topic coils")
        self._topics.check_neighbours()
        gauge = setting("pressure_reference") == "gauge"
        limits = BenchLimits(
            wanted_pa,
            setting("calibration_force"),
            press_timeout_s=setting("press_timeout"),
            with_temperature=goal.with_temperature,
        )
        guide = GuidedCalibration(
            limits, self._channels, pressure_is_gauge=gauge, atmospheric_pa=setting("atmospheric_pressure")
        )
        run = _Run(
            guide=guide,
            topics=self._topics,
            fit=CalibrationFit(target, self._pad_info()),
            client=ClientWatch(self._node, "calibrate/_action/feedback"),
            done=Future(),
        )
        self._scan_ns = self._node.get_clock().now().nanoseconds
        self._topics.listen(lambda *reading: self._on_reference(guide.add_force, *reading), guide.add_bend)
        return run

    def _on_reference(self, add: Callable[..., None], *reading: Any) -> None:
        if self._run is None or self._run.result is not None:
            return
        try:
            add(*reading)
        except SoftTactileError as error:
            self._give_up(str(error))

    def _pad_info(self) -> PadInfo:
        """Return what is known of the pad: from the file, else from the calibration in use."""
        if self._node.setting("pad_info"):
            return load_pad_info(self._node.setting("pad_info"))
        known = self._calibration()
        if known is None:
            return PadInfo(serial=self._node.setting("pad_serial"))
        return PadInfo(pad=None if known.pad == "unknown" else known.pad, serial=known.serial, geometry=known.geometry)

    # -- under way

    def _follow(self, run: _Run, wanted: Wanted, time_s: float) -> None:
        """Command what is wanted and tell the client."""
        changed = run.instruction != wanted.instruction
        run.phase, run.fraction, run.instruction = wanted.phase, FIT_FRACTION * wanted.fraction, wanted.instruction
        if time_s >= run.next_command_s:
            run.next_command_s = time_s + COMMAND_PERIOD_S
            run.topics.command(wanted.pressure_pa, time_s)
            run.topics.ask(wanted.force_n, wanted.place_m, time_s)
        if changed or time_s >= run.next_feedback_s:
            run.next_feedback_s = time_s + FEEDBACK_PERIOD_S
            self._tell(run)

    def _tell(self, run: _Run) -> None:
        self._goal.publish_feedback(
            Calibrate.Feedback(
                phase=int(run.phase),
                fraction=float(run.fraction),
                residual=float(run.fit.residual),
                instruction=run.instruction,
            )
        )

    def _on_tick(self) -> None:
        """Look after what scans do not drive: the fit, the client, venting at the end."""
        run = self._run
        if run is None:
            self._timer.cancel()
            return
        if run.result is not None:
            self._go_on_venting(run)
            return
        if run.client.is_gone():
            self._give_up("the client is gone; the finger is vented")
            return
        silent_s = (self._node.get_clock().now().nanoseconds - self._scan_ns) * 1e-9
        if not run.guide.finished and silent_s > max(SILENCE_S, self._node.setting("coil_timeout")):
            self._give_up("scans have stopped; check cable and coil driver")
            return
        try:
            run.topics.check_valve()
        except CalibrationError as error:
            self._give_up(f"{error}; the finger is vented")
            return
        run.fit.listen()
        if run.fit.refusal:
            self._give_up(run.fit.refusal)
        elif run.fit.summary is not None:
            self._succeed(run)
        elif run.guide.finished:
            self._tell_of_fit(run)

    def _tell_of_fit(self, run: _Run) -> None:
        run.vented_ticks += 1
        if run.vented_ticks * TICK_S <= VENT_S:
            self._vent(run)
        else:
            run.topics.give_back(clock_s(self._node))
        if run.phase != Phase.FITTING or run.vented_ticks % round(1.0 / TICK_S) == 0:
            run.phase, run.fraction, run.instruction = Phase.FITTING, FIT_FRACTION, ""
            self._tell(run)

    def _succeed(self, run: _Run) -> None:
        result = to_result(run.fit)
        text = self._use(Path(result.path))
        result.message += f"; {text}"
        run.fraction = 1.0
        self._node.get_logger().info(f"calibrate: {result.message}")
        run.result = result
        self._complete()

    def _give_up(self, reason: str) -> None:
        """Vent at once, stop the fit, and answer once the pressure has fallen."""
        run = self._run
        if run is None or run.result is not None:
            return
        run.result = _failed(reason)
        run.vented_ticks = 0
        self._vent(run)
        run.fit.stop()
        self._node.get_logger().warning(f"calibrate: {reason}")

    def _go_on_venting(self, run: _Run) -> None:
        self._vent(run)
        run.vented_ticks += 1
        elapsed_s = run.vented_ticks * TICK_S
        low = not run.pressure_pa > 1e3
        if (elapsed_s >= VENT_S and low) or elapsed_s >= LONGEST_VENT_S:
            self._complete()
        elif run.vented_ticks % 4 == 1 and self._goal is not None and not run.client.is_gone():
            run.phase, run.instruction = Phase.VENTING, "keep everything away from the finger"
            self._tell(run)

    def _vent(self, run: _Run) -> None:
        run.topics.command(0.0, clock_s(self._node))
        run.topics.ask(None, (0.0, 0.0), clock_s(self._node))

    def _complete(self) -> None:
        """Hand out the result and be ready for the next goal."""
        run, self._run, self._goal = self._run, None, None
        assert run is not None
        run.fit.stop()
        run.topics.give_back(clock_s(self._node))
        run.topics.silence()
        self._timer.cancel()
        run.done.set_result(run.result)


def _failed(reason: str) -> Calibrate.Result:
    return Calibrate.Result(success=False, message=reason)


def _check_target(path: str) -> Path:
    """Return where the calibration may be written.

    Raises
    ------
    CalibrationError
        No path, not a YAML file, no such folder, or a file there that is no calibration.
    """
    target = Path(path)
    if target.suffix not in (".yaml", ".yml"):
        raise CalibrationError(f"path must name a .yaml file to write; got '{path}'")
    if not target.parent.is_dir():
        raise CalibrationError(f"{target.parent}: no such folder; make it or give another path")
    if target.exists():
        try:
            load_calibration(target)
        except CalibrationError as error:
            raise CalibrationError(f"path must not name a file that is no calibration: {error}") from error
    return target.absolute()
