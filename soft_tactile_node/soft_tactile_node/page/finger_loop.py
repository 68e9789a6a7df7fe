"""What the process of one finger does: reads its source, steps the estimator, records, leads a calibration."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

from soft_tactile_node.calibration.pad_info import PadInfo
from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.errors import CalibrationError, SoftTactileError, SourceError
from soft_tactile_node.estimation.warming import warm_up
from soft_tactile_node.page.force_cell import ForceCell
from soft_tactile_node.page.guided_session import GuidedSession
from soft_tactile_node.page.live_finger import LiveFinger, known
from soft_tactile_node.page.logbook import Logbook
from soft_tactile_node.page.ring import Ring
from soft_tactile_node.page.simulated_bench import SimulatedBench
from soft_tactile_node.protocol.guidance import BenchLimits
from soft_tactile_node.registry import SOURCES
from soft_tactile_node.sources import Reading, Source
from soft_tactile_node.sources.kinds import SourceKind

READ_S = 0.05

GATHER_S = 0.005
"""Pause before each read (s): a few scans at a time spare the machine a thousand wake-ups a second."""

STATUS_S = 0.2
"""How often the page is told how the finger is (s)."""

AT_ONCE_S = 0.04
"""How long the simulated bench runs before commands are looked at (s)."""

NO_STAMP_S = 60.0
"""An older scan is not late: its stamps are of another clock (s)."""


@dataclass(frozen=True)
class FingerSetup:
    """One finger of the page.

    Attributes
    ----------
    name : str
        Name on the page and in file names.
    source : str
        The source string, for the page.
    kind : str
        Its first word, one of `registry.SOURCES`.
    open_source : callable
        Returns the source, open.
    calibration : pathlib.Path or None
        Calibration to start with.
    force : str
        Where the force cell is read; empty = there is none.
    folder : pathlib.Path
        Where recordings, calibrations and reports go.
    setting : str
        Detection setting.
    """

    name: str
    source: str
    kind: str
    open_source: Callable[[], Source]
    calibration: Path | None
    force: str
    folder: Path
    setting: str

    @property
    def not_led(self) -> str:
        """Why the finger cannot be led through a calibration here; empty = it can."""
        kind: SourceKind = SOURCES[self.kind].load()
        return kind.not_led


class FingerLoop:
    """Runs until it is told to stop.

    Parameters
    ----------
    setup : FingerSetup
        Which finger.
    ring : Ring
        Where rows go.
    tell : callable
        Takes what the page is to know.

    Raises
    ------
    SoftTactileError
        Source, calibration or force cell cannot be used.
    """

    def __init__(self, setup: FingerSetup, ring: Ring, tell: Callable[[dict[str, Any]], None]) -> None:
        self._setup, self._tell = setup, tell
        calibration = None if setup.calibration is None else load_calibration(setup.calibration)
        if calibration is not None:
            warm_up(calibration)  # before scans come: they would be lost meanwhile
        self._live = LiveFinger(ring, calibration, setup.setting)
        self._force = ForceCell(setup.force) if setup.force else None
        self._source = setup.open_source()
        self._logbook: Logbook | None = None
        self._session: GuidedSession | None = None
        self._bench: SimulatedBench | None = None
        self._report = ""
        self._stamp_s = self._heard_s = time.monotonic()
        self._next_status_s = 0.0
        self._scans, self._latency_s = 0, [0.0, 0.0]  # since the last status: sum and largest
        self._status_s = time.monotonic()

    def turn(self) -> None:
        """Take what comes within a moment, and tell the page when it is time."""
        if self._bench is not None and self._session is not None and self._session.is_recording:
            self._simulate(self._session)
        else:
            self._read()
        if self._session is not None:
            self._follow(self._session)
        now_s = time.monotonic()
        if now_s >= self._next_status_s:
            self._next_status_s = now_s + STATUS_S
            self._tell({"status": self._describe(now_s)})

    def obey(self, command: dict[str, Any]) -> None:
        """Do what the page asks; a refusal is told, not raised."""
        does: dict[str, Callable[[], None]] = {
            "tare": lambda: self._live.request_tare(),
            "record": self._start_recording,
            "stop": self._stop_recording,
            "mark": lambda: self._note("mark", str(command["text"])),
            "calibrate": lambda: self._start_calibration(command),
            "cancel": lambda: self._end_calibration("stopped; vent the finger"),
        }
        try:
            does[command["do"]]()
        except SoftTactileError as error:
            self._note("refused", str(error))

    def close(self) -> None:
        """Finish what is under way."""
        with suppress(SoftTactileError):
            self._stop_recording()
        if self._session is not None:
            self._session.close()
        if self._force is not None:
            self._force.close()
        self._source.close()

    # -- readings

    def _read(self) -> None:
        self._read_force()
        if self._source.ended:
            self._begin_again()
        time.sleep(GATHER_S)
        readings = self._source.read(READ_S)
        if readings:
            self._heard_s = time.monotonic()
        for reading in readings:
            self._take(reading)
            if self._session is not None and self._bench is None:
                self._session.add(reading)
        if self._logbook is not None and readings:
            try:
                self._logbook.add(readings)
            except SoftTactileError as error:
                self._lose_recording(error)

    def _read_force(self) -> None:
        if self._force is None:
            return
        try:
            for time_s, force_n in self._force.read():
                if self._session is not None:
                    self._session.add_force(time_s, force_n)
        except SourceError as error:
            self._force.close()
            self._force = None
            self._note("fault", str(error))
            self._end_calibration(f"{error}; vent the finger")

    def _take(self, reading: Reading) -> None:
        self._stamp_s = reading.scan.time_s
        for event in self._live.add(reading):
            force = event.force_n[2]
            words = event.detail or (f"{force:.2f} N" if force == force else "")
            self._note(event.kind.value, words)
        age_s = time.time() - reading.scan.time_s
        self._scans += 1
        self._latency_s = [self._latency_s[0] + age_s, max(self._latency_s[1], age_s)]

    def _begin_again(self) -> None:
        """Play a recording or scenario from its beginning."""
        self.obey({"do": "stop"})
        self._note("source", f"{self._source.name} begins again")
        self._source.open()
        self._live.restart()

    def _simulate(self, session: GuidedSession) -> None:
        assert self._bench is not None
        end_s = time.monotonic() + AT_ONCE_S
        while session.is_recording and time.monotonic() < end_s:
            self._take(self._bench.step(session))
        self._heard_s = time.monotonic()
        if not session.is_recording:  # the fit needs no bench
            self._bench = None
            self._begin_again()

    # -- recording

    def _start_recording(self) -> None:
        if self._logbook is not None:
            raise CalibrationError("a recording is under way")
        if self._bench is not None:
            raise CalibrationError("the calibration makes its own recordings")
        stamp = datetime.now(timezone.utc).astimezone()
        path = self._free(f"{self._setup.name}_{stamp:%Y%m%dT%H%M%S}", ".csv")
        self._logbook = Logbook(path, self._live.atmospheric_pa if self._live.is_absolute else float("nan"))
        self._note("recording", f"begins: {path}")

    def _stop_recording(self) -> None:
        logbook, self._logbook = self._logbook, None
        if logbook is not None:
            self._note("recording", logbook.finish())

    def _free(self, stem: str, suffix: str) -> Path:
        """Return a name in the folder that nothing has yet."""
        number, path = 2, self._setup.folder / f"{stem}{suffix}"
        while path.exists() or path.with_name(path.name + ".part").exists():
            number, path = number + 1, self._setup.folder / f"{stem}_{number}{suffix}"
        return path

    def _note(self, kind: str, text: str) -> None:
        """Add a line to the page's list and to the log of a recording."""
        self._tell({"event": {"time_s": self._live.time_s, "stamp_s": self._stamp_s, "kind": kind, "text": text}})
        if self._logbook is not None:
            try:
                self._logbook.note(self._stamp_s, kind, text)
            except SoftTactileError as error:
                self._lose_recording(error)

    def _lose_recording(self, error: SoftTactileError) -> None:
        """Stop a recording that cannot go on; what was written is kept in its part file."""
        logbook, self._logbook = self._logbook, None
        if logbook is not None:
            logbook.abandon()
            self._note("fault", f"the recording has ended: {error}")

    # -- guided calibration

    def _start_calibration(self, command: dict[str, Any]) -> None:
        if self._session is not None:
            raise CalibrationError("a calibration is under way")
        self._check_bench()
        if not command.get("read"):
            raise CalibrationError("read the cautions first, and say so")
        limits = BenchLimits(float(command["max_pressure_pa"]), float(command["full_force_n"]))
        used, simulated = self._live.calibration, self._setup.kind == "simulated"
        info = PadInfo()
        if used is not None:
            info = PadInfo(pad=None if used.pad == "unknown" else used.pad, serial=used.serial, geometry=used.geometry)
        self._stop_recording()
        self._session = GuidedSession(
            limits, self._live.raw.size, self._free(self._setup.name, ".yaml"), info,
            pressure_is_gauge=not self._live.is_absolute, by_hand=not simulated,
        )  # fmt: skip
        self._note("calibration", f"begins: up to {limits.max_pressure_pa / 1e3:g} kPa and {limits.full_force_n:g} N")
        if simulated:
            self._bench = SimulatedBench()
            self._live.restart()

    def _check_bench(self) -> None:
        """Refuse to lead where nobody could follow."""
        if self._setup.not_led:
            raise CalibrationError(self._setup.not_led)
        if self._setup.kind != "simulated" and self._force is None:
            raise CalibrationError("a calibration needs the force cell: start the page with --force")
        if not self._live.raw.size:
            raise CalibrationError("no scans have come yet; check cable and device")

    def _follow(self, session: GuidedSession) -> None:
        if self._bench is None:
            session.check_silence(time.monotonic() - self._heard_s)
        if session.listen():
            self._live.use(load_calibration(session.target))
            self._report = next((Path(file).name for file in session.files if file.endswith(".html")), "")
            remarks = "".join(f"; not identified: {text}" for text in session.remarks)
            self._end_calibration(f"written {session.target}{remarks}")
        elif session.refusal:
            self._end_calibration(f"{session.refusal}; vent the finger")

    def _end_calibration(self, text: str) -> None:
        session, self._session = self._session, None
        if session is None:
            return
        session.close()
        self._note("calibration", text)
        self._bench = None
        if self._setup.kind == "simulated":  # from its rest, which a tare needs
            self._begin_again()

    # -- words

    def _describe(self, now_s: float) -> dict[str, Any]:
        scans, (total_s, most_s) = self._scans, self._latency_s
        elapsed_s, self._status_s = now_s - self._status_s, now_s
        self._scans, self._latency_s = 0, [0.0, 0.0]
        fresh = scans > 0 and most_s < NO_STAMP_S and self._bench is None
        silent_s = now_s - self._heard_s
        fault = self._source.fault or (f"no scans for {silent_s:.1f} s" if silent_s > 1.0 else "")
        return {
            **self._live.describe(),
            "time_s": self._live.time_s,
            "fault": "" if self._source.ended else fault,
            "rate_hz": scans / elapsed_s if elapsed_s > 0.0 else 0.0,
            "latency_s": total_s / scans if fresh else None,
            "latency_most_s": most_s if fresh else None,
            "lost": self._source.counters.lost,
            "recording": None if self._logbook is None else str(self._logbook.path.name),
            "calibrating": None if self._session is None else self._session.describe(),
            "report": self._report,
            "remarks": self._live.remarks(),
            "reference_n": None if self._force is None else [known(n) for n in self._force.force_n.tolist()],
            "cpu_s": time.process_time(),
        }
