"""A guided calibration: what to command next, what to tell the person, when to give up. Driven by scans, no clock."""

from __future__ import annotations

import math

import numpy as np

from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.merging import VentedReference
from soft_tactile_node.protocol.bench_log import BenchLog
from soft_tactile_node.protocol.bench_path import Press, Sweep, bench_path
from soft_tactile_node.protocol.guidance import BenchLimits, Phase, Wanted
from soft_tactile_node.protocol.plan_parts import REST_S
from soft_tactile_node.protocol.press_watch import PressWatch
from soft_tactile_node.protocol.pressure_watch import PressureWatch
from soft_tactile_node.recordings import Recording
from soft_tactile_node.samples import Array, Scan

FIRST_SETTLE_S = 5.0
LATER_SETTLE_S = 20.0
"""Rest before each recording; bend memory of what was before fades meanwhile (s)."""

VENT_LIMIT_S = 40.0
"""Longest wait for the pressure to fall (s)."""

TEMPERATURE_SPAN_K = 8.0
"""Change that is waited for where the temperature is changed on purpose (K)."""

WARMING_LIMIT_S = 1500.0
"""Longest wait for it (s)."""

VENT_RAMP_S = 2.0
"""Time to come down from the pressure of the last press (s)."""

STRAY_FORCE_N = 0.3
"""Force that must not be seen while nothing may touch the finger (N)."""

LIMIT_MARGIN = 0.99
"""Share of the pressure limit that is used: an offset of the pressure sensor must not carry a command over it (1)."""

KEEP_OFF = "keep everything away from the finger, and a vent that works without the computer at hand"


class GuidedCalibration:
    """Leads through rest, free-bend sweeps and presses, and records them.

    The parts follow each other: settle and sweep for each free-bend recording, settle, presses.

    Parameters
    ----------
    limits : BenchLimits
        What it may do.
    channels : int
        Coil channels of the finger.
    pressure_is_gauge : bool
        True if pressure readings are gauge already.
    atmospheric_pa : float
        Absolute pressure of the vented line (Pa); NaN = read it while the finger is vented.
    """

    def __init__(
        self, limits: BenchLimits, channels: int, *, pressure_is_gauge: bool = False, atmospheric_pa: float = math.nan
    ) -> None:
        self._limits = limits
        self._sweeps, self._presses = bench_path(
            LIMIT_MARGIN * limits.max_pressure_pa,
            limits.full_force_n,
            channels,
            with_temperature=limits.with_temperature,
        )
        self._reference = VentedReference(0.0 if pressure_is_gauge else atmospheric_pa)
        self._pressure = PressureWatch(limits.max_pressure_pa, limits.pressure_timeout_s)
        self._watch = PressWatch(limits.full_force_n)
        self._logs = [BenchLog(channels) for _ in range(len(self._sweeps) + 1)]
        self._part = 0
        self._part_s: float | None = None
        self._now_s = -math.inf
        self._press = 0
        self._asked_s = math.nan  # when the present press was first asked for, pressure included
        self._press_s = math.nan  # when it was to begin
        self._from_pa = self._level_pa = 0.0
        self._temperature_c = [math.inf, -math.inf]
        self._zero_n = np.zeros(3)

    @property
    def atmospheric_pa(self) -> float:
        """Absolute pressure of the vented line (Pa); NaN before the first reading, 0 where readings are gauge."""
        return self._reference.value_pa

    @property
    def finished(self) -> bool:
        """Whether everything is recorded."""
        return self._part == 2 * len(self._logs)

    @property
    def sweeps_done(self) -> bool:
        """Whether the free-bend recordings are complete."""
        return self._part >= 2 * len(self._sweeps)

    def free_bend(self) -> tuple[Recording, ...]:
        """Return the free-bend recordings."""
        return tuple(
            log.recording(sweep.name, atmospheric_pa=self.atmospheric_pa)
            for log, sweep in zip(self._logs[:-1], self._sweeps, strict=True)
        )

    def press(self) -> Recording:
        """Return the press recording; the force cell is zeroed on its rest."""
        return self._logs[-1].recording("press", atmospheric_pa=self.atmospheric_pa, zero_n=self._zero_n)

    # -- inputs

    def add_pressure(self, time_s: float, pressure_pa: float) -> None:
        """Take the reading `pressure_pa` of `time_s` (s) as sent (Pa); CalibrationError above the limit."""
        if self.finished:
            return
        if self._part == 0:
            self._reference.add(pressure_pa)
        self._log.pressure_pa.add(time_s, (pressure_pa,))
        self._pressure.add(time_s, pressure_pa - self.atmospheric_pa)

    def add_force(self, time_s: float, force_n: Array) -> None:
        """Take a reading of the force cell.

        Parameters
        ----------
        time_s : float
            When it was taken (s).
        force_n : numpy.ndarray, shape (3,)
            Force on the pad, pad frame (N); NaN = not measured.

        Raises
        ------
        CalibrationError
            Something touches the pad while nothing may, or presses far too hard.
        """
        if self.finished:
            return
        self._watch.add(time_s, force_n)
        if self._sweep is not None and self._watch.strays(STRAY_FORCE_N):
            raise CalibrationError(
                f"the pad was touched with {self._watch.size_n:.2f} N during the free-bend sweep; keep it free and "
                "start again"
            )
        if self._is_pressing:
            self._log.force_n.add(time_s, force_n.tolist())

    def add_bend(self, time_s: float, bend_rad: float) -> None:
        """Take the bend `bend_rad` (rad) of `time_s` (s)."""
        if self._sweep is not None:
            self._log.bend_rad.add(time_s, (bend_rad,))

    def advance(self, scan: Scan) -> Wanted:
        """Take a scan and return what is to be done now.

        Parameters
        ----------
        scan : Scan
            The readings.

        Returns
        -------
        Wanted
            See Wanted.

        Raises
        ------
        CalibrationError
            The calibration cannot go on; says why and what to do. The finger is to be vented.
        """
        if scan.time_s <= self._now_s or self.finished:
            return self._wanted()
        if scan.time_s - self._now_s > 0.5 * self._limits.pressure_timeout_s:
            self._pressure.start(scan.time_s)  # where scans paused, no pressure reading can be missed
        self._now_s = scan.time_s
        if self._part_s is None:
            self._part_s = scan.time_s
        if self._part % 2:
            self._log.add_scan(scan)
        if self._sweep is not None:
            self._go_on_sweeping(self._sweep, scan.temperature_c)
        elif self._is_pressing:
            self._go_on_pressing()
        else:
            self._settle()
        wanted = self._wanted()
        self._pressure.check(scan.time_s, wanted.pressure_pa)
        return wanted

    # -- parts

    @property
    def _log(self) -> BenchLog:
        return self._logs[self._part // 2]

    @property
    def _sweep(self) -> Sweep | None:
        """The sweep under way; None while anything else is."""
        return self._sweeps[self._part // 2] if self._part % 2 and self._part < 2 * len(self._sweeps) else None

    @property
    def _is_pressing(self) -> bool:
        return self._part == 2 * len(self._logs) - 1

    @property
    def _since_s(self) -> float:
        return self._now_s - (self._now_s if self._part_s is None else self._part_s)

    def _next_part(self) -> None:
        self._part += 1
        self._part_s = self._now_s

    def _settle(self) -> None:
        """Wait until the finger is vented and has rested."""
        if self._since_s < (LATER_SETTLE_S if self._part else FIRST_SETTLE_S):
            return
        if not self._pressure.is_vented:
            if self._since_s > VENT_LIMIT_S:
                raise CalibrationError(
                    f"the pressure does not fall below 1 kPa within {VENT_LIMIT_S:g} s; check the valve "
                    "and the vented reading"
                )
            return
        if self._part == 0:
            self._reference.finish()
            if not len(self._watch):
                raise CalibrationError("no force reading came; connect the force cell (ROS topic reference_wrench)")
        self._watch.begin_zero()
        self._temperature_c = [math.inf, -math.inf]
        self._next_part()

    def _go_on_sweeping(self, sweep: Sweep, temperature_c: float) -> None:
        if self._watch.zeroing and self._since_s > 0.5 * REST_S:
            self._watch.end_zero()
        if sweep.warms:
            self._follow_temperature(temperature_c)
        if self._since_s < sweep.duration_s:
            return
        low, high = self._temperature_c
        warm = not sweep.warms or high - low >= TEMPERATURE_SPAN_K or self._since_s > WARMING_LIMIT_S
        # a sweep that had to go on is left where it is vented
        if warm and sweep.pressure_at(self._since_s) <= 0.0:
            self._next_part()

    def _follow_temperature(self, temperature_c: float) -> None:
        if math.isfinite(temperature_c):
            low, high = self._temperature_c
            self._temperature_c = [min(low, temperature_c), max(high, temperature_c)]
        elif self._since_s > REST_S and math.isinf(self._temperature_c[0]):
            raise CalibrationError("with_temperature needs a temperature in the scans; got none")

    def _go_on_pressing(self) -> None:
        """Pressure first, then the press, again and again until the force cell has seen it; at last vent."""
        if self._since_s < REST_S:
            return
        if self._watch.zeroing:
            self._watch.end_zero()
            self._zero_n = self._watch.zero_n
        if math.isnan(self._asked_s):
            self._ask()
        if self._press == len(self._presses):
            if self._pressure.is_vented and self._now_s - self._asked_s > VENT_RAMP_S + REST_S:
                self._next_part()
            return
        press = self._presses[self._press]
        if math.isnan(self._press_s):
            if self._now_s - self._asked_s >= press.settle_s:
                self._press_s = self._now_s
        elif self._now_s - self._press_s >= press.duration_s:
            self._end_press(press)

    def _ask(self) -> None:
        """Turn to the next press, or come down after the last one."""
        self._asked_s, self._press_s = self._now_s, math.nan
        self._from_pa = self._level_pa
        if self._press == len(self._presses):
            self._level_pa = 0.0
            return
        self._level_pa = self._presses[self._press].pressure_at(0.0)
        self._watch.begin(self._presses[self._press])

    def _end_press(self, press: Press) -> None:
        if self._watch.seen:
            self._press += 1
            self._asked_s = math.nan
        elif self._now_s - self._press_s > self._limits.press_timeout_s + press.duration_s:
            raise CalibrationError(
                f"no press as asked within {self._limits.press_timeout_s:g} s: {press.instruction()}; the largest "
                f"force was {self._watch.most_n:.2f} N; check the force cell (a press is positive z)"
            )

    # -- what is wanted

    def _command_pa(self) -> float:
        if self._sweep is not None:
            return self._sweep.pressure_at(self._since_s)
        if self._is_pressing and not math.isnan(self._asked_s):
            done = self._press == len(self._presses)
            if not math.isnan(self._press_s):
                return self._presses[self._press].pressure_at(self._stage_s(self._presses[self._press]))
            ramp_s = VENT_RAMP_S if done else max(0.5 * self._presses[self._press].settle_s, 1e-3)
            share = min((self._now_s - self._asked_s) / ramp_s, 1.0)
            return self._from_pa + share * (self._level_pa - self._from_pa)
        return self._level_pa if self._is_pressing else 0.0

    def _wanted(self) -> Wanted:
        pressure_pa, fraction = self._command_pa(), self._fraction()
        if self._sweep is not None:
            text = KEEP_OFF + ("; warm it evenly by about 10 K" if self._sweep.warms else "")
            return Wanted(pressure_pa, None, (0.0, 0.0), Phase.FREE_BEND, fraction, text)
        if self._is_pressing and self._press < len(self._presses):
            press = self._presses[self._press]
            if math.isnan(self._press_s):
                return Wanted(pressure_pa, None, press.place_m, Phase.PRESS, fraction, "wait: keep off the pad")
            text = f"{self._press + 1} of {len(self._presses)}: {press.instruction()}"
            force = press.force_at(self._stage_s(press))
            return Wanted(pressure_pa, force, press.place_m, Phase.PRESS, fraction, text)
        return Wanted(pressure_pa, None, (0.0, 0.0), Phase.VENTING, fraction, KEEP_OFF)

    def _stage_s(self, press: Press) -> float:
        """Return the time since the press began; a driven stage that failed gets another try, a person is not bound."""
        return (self._now_s - self._press_s) % (press.duration_s + 1e-9)

    def _fraction(self) -> float:
        """Return the share of the planned time that is done."""
        lengths = [press.settle_s + press.duration_s for press in self._presses]
        plan: list[float] = []
        for sweep in self._sweeps:
            plan += [LATER_SETTLE_S if plan else FIRST_SETTLE_S, sweep.duration_s]
        plan += [LATER_SETTLE_S, REST_S + sum(lengths)]
        done = sum(plan[: self._part])
        if self._is_pressing:
            done += REST_S + sum(lengths[: self._press])
        elif not self.finished:
            done += min(self._since_s, plan[self._part])
        return min(done / sum(plan), 1.0)
