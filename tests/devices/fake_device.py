"""A device that is not there: sends the frames of a recording or of the simulated finger, on a pseudo terminal or UDP.

It can be unplugged, lose scans and damage bytes. With the folder of the tests on PYTHONPATH it stands in for a board:

    python -m devices.fake_device --link finger --rate 1000
    soft-tactile check --source serial:finger
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Any, Protocol

import click
import numpy as np

from devices.fake_ports import PtyPort, UdpPort
from soft_tactile_node.errors import SoftTactileError
from soft_tactile_node.physics.resonator import resonance_frequency
from soft_tactile_node.recordings import Recording
from soft_tactile_node.registry import SOURCES
from soft_tactile_node.sources.frames import Frame, encode_frame
from soft_tactile_node.sources.naming import parse_source
from soft_tactile_node.sources.recorded import Played
from soft_tactile_node.sources.tank import Tank, load_tank

LONGEST_NAP_S = 1e-3

TESTS = Path(__file__).parents[1]


def start_device(*words: str, **options: Any) -> subprocess.Popen[str]:
    """Start a device in a process of its own; `options` are those of `Popen`."""
    path = os.pathsep.join([str(TESTS), *filter(None, [os.environ.get("PYTHONPATH")])])
    command = [sys.executable, "-m", "devices.fake_device", *words]
    return subprocess.Popen(command, stdout=-1, text=True, env={**os.environ, "PYTHONPATH": path}, **options)


def ideal_counts(tank: Tank, inductance_h: np.ndarray) -> np.ndarray:
    """Return what an ideal counter would count (1), not rounded; NaN where the inductance (H) is NaN."""
    capacitance = np.asarray(tank.capacitor_f) + np.asarray(tank.parasitic_capacitance_f)
    whole = np.asarray(inductance_h, dtype=np.float64) + np.asarray(tank.parasitic_inductance_h)
    frequency = resonance_frequency(whole, capacitance, tank.resistance_ohm)
    if tank.counter == "gated":
        return np.asarray(frequency / tank.divider * ((tank.gate_ticks or 1.0) / tank.reference_hz))
    return np.asarray(tank.divider * tank.reference_hz / frequency)


class Port(Protocol):
    """Where frames are written to."""

    not_sent: int

    def write(self, data: bytes) -> None:
        """Send the bytes of one frame."""

    def flush(self) -> None:
        """Send what could not be sent yet."""


class Player:
    """Makes the frames of a device from a recording, over and over.

    Parameters
    ----------
    recording : Recording
        What the device measures, a row a scan.
    rate_hz : float
        Scans in a second of the device (Hz).
    tank : Tank or None
        None sends inductances, else the counts that this tank and counter would give.
    atmospheric_pa : float or None
        None sends gauge pressure, else absolute pressure above this (Pa).
    skew : float
        How slow the device's clock runs (1).
    first_clock : int
        Reading of the device's clock at its first scan (us).
    """

    def __init__(
        self,
        recording: Recording,
        rate_hz: float,
        *,
        tank: Tank | None = None,
        atmospheric_pa: float | None = None,
        skew: float = 0.0,
        first_clock: int = 2**32 - 3_000_000,
    ) -> None:
        self.rate_hz = rate_hz
        self._pressure_pa = recording.pressure_pa + (atmospheric_pa or 0.0)
        self._is_absolute = atmospheric_pa is not None
        self._temperature_c = recording.temperature_c
        self._loss_ohm = recording.loss_ohm
        self._inductance_h = recording.inductance_h
        self._counts = None if tank is None else np.rint(np.nan_to_num(ideal_counts(tank, recording.inductance_h)))
        self._tick_us = 1e6 / rate_hz / (1.0 + skew)
        self._first_clock = first_clock

    def frame(self, number: int) -> Frame:
        """Return the frame that the device would send of scan `number`, from 0."""
        row = number % len(self._pressure_pa)
        counts = None if self._counts is None else self._counts[row]
        return Frame(
            scan=number % 2**32,
            clock_us=(self._first_clock + round(number * self._tick_us)) % 2**32,
            inductance_h=tuple(self._inductance_h[row].tolist()) if counts is None else (),
            counts=() if counts is None else tuple(int(count) for count in counts),
            loss_ohm=() if self._loss_ohm is None else tuple(self._loss_ohm[row].tolist()),
            pressure_pa=float(self._pressure_pa[row]),
            pressure_is_absolute=self._is_absolute,
            temperature_c=float(self._temperature_c[row]),
        )


class Damage:
    """What happens to bytes and frames on a bad way.

    Parameters
    ----------
    bytes_share, lost_share : float
        Share of bytes that are changed, and of frames that never leave (1).
    seed : int
        Picks which.
    """

    def __init__(self, bytes_share: float, lost_share: float, seed: int = 0) -> None:
        self._bytes_share, self._lost_share = bytes_share, lost_share
        self._rng = np.random.default_rng(seed)
        self.taken = self.whole = 0

    def spoil(self, data: bytes) -> bytes:
        """Return what is left of the `data` of one frame; frames that are whole but for their delimiter are counted."""
        self.taken += 1
        if self._lost_share and self._rng.random() < self._lost_share:
            return b""
        if not self._bytes_share:
            self.whole += 1
            return data
        raw = np.frombuffer(data, dtype=np.uint8).copy()
        hit = self._rng.random(len(raw)) < self._bytes_share
        raw[hit] ^= self._rng.integers(1, 256, size=int(hit.sum()), dtype=np.uint8)
        self.whole += not hit[:-1].any()
        return raw.tobytes()


def play(player: Player, port: Port, damage: Damage, duration_s: float) -> None:
    """Send scans at the player's rate.

    Parameters
    ----------
    player : Player
        Makes the frames.
    port : Port
        Takes them.
    damage : Damage
        What goes wrong on the way; counts the scans.
    duration_s : float
        For how long (s).
    """
    start_s, taken = time.monotonic(), 0
    wanted = round(duration_s * player.rate_hz) if np.isfinite(duration_s) else sys.maxsize
    while taken < wanted:
        due = min(int((time.monotonic() - start_s) * player.rate_hz) + 1, wanted)
        for number in range(taken, due):
            port.write(damage.spoil(encode_frame(player.frame(number))))
        port.flush()
        taken = due
        time.sleep(max(min(start_s + taken / player.rate_hz - time.monotonic(), LONGEST_NAP_S), 0.0))


def _make_port(link: Path | None, udp: str) -> PtyPort | UdpPort:
    if (link is None) == (not udp):
        raise click.UsageError("give either --link or --udp")
    if link is not None:
        return PtyPort(link)
    name = parse_source(f"udp:{udp}")
    return UdpPort(name.target, name.number)


@click.command()
@click.option("--link", metavar="PATH", type=click.Path(path_type=Path), help="Name to give the pseudo terminal.")
@click.option("--udp", metavar="HOST:PORT", default="", help="Send datagrams to this address instead.")
@click.option(
    "--play",
    "what",
    default="simulated:pick-bun",
    show_default=True,
    metavar="S",
    help="What it measures: simulated[:SCENARIO] or recording:FILE, over and over.",
)
@click.option(
    "--rate",
    "rate_hz",
    default=1000.0,
    show_default=True,
    type=click.FloatRange(1.0, 5000.0),
    help="Scans in a second.",
)
@click.option("--duration", "duration_s", default=float("inf"), type=click.FloatRange(0.1), help="Then end (s).")
@click.option("--tank", metavar="TANK.yaml", type=click.Path(path_type=Path), help="Send raw counts of these tanks.")
@click.option(
    "--atmospheric",
    "atmospheric_pa",
    metavar="PA",
    type=click.FloatRange(50e3, 110e3),
    help="Send absolute pressure above this one.",
)
@click.option("--skew", default=0.0, type=click.FloatRange(-0.05, 0.05), help="How slow its clock runs (1).")
@click.option("--damage", "bytes_share", default=0.0, type=click.FloatRange(0.0, 1.0), help="Share of changed bytes.")
@click.option("--lose", "lost_share", default=0.0, type=click.FloatRange(0.0, 1.0), help="Share of lost scans.")
@click.option("--seed", default=0, help="Picks what is damaged and lost.")
def main(
    link: Path | None,
    udp: str,
    what: str,
    rate_hz: float,
    duration_s: float,
    tank: Path | None,
    atmospheric_pa: float | None,
    skew: float,
    bytes_share: float,
    lost_share: float,
    seed: int,
) -> None:  # fmt: skip
    """Pretend to be a device with coils; prints what it sent as one line of JSON at its end."""
    try:
        name = parse_source(what)
        kind = SOURCES[name.kind].load()
        if not isinstance(kind, Played):
            raise click.UsageError(f"--play must be a simulation or a recording; got {what}")
        recording = kind.load(name.target)
        described = load_tank(tank) if tank is not None else None
        player = Player(recording, rate_hz, tank=described, atmospheric_pa=atmospheric_pa, skew=skew)
        port = _make_port(link, udp)
    except SoftTactileError as error:
        raise click.ClickException(str(error)) from None
    damage = Damage(bytes_share, lost_share, seed)
    try:
        with suppress(KeyboardInterrupt):
            play(player, port, damage, duration_s)
    finally:
        port.drain(2.0)
        port.close()
    sys.stdout.write(json.dumps({"taken": damage.taken, "whole": damage.whole, "not_sent": port.not_sent}) + "\n")


if __name__ == "__main__":
    main()
