from __future__ import annotations

import contextlib
import os
import tty
from collections.abc import Iterator
from typing import Any

import pytest
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from soft_tactile_msgs.msg import PressureCommand, ValveStatus

from graph.graph_tools import ACTIVATE, CONFIGURE, DEACTIVATE, UNCONFIGURED, Graph
from soft_tactile_node.ros.nodes.valve import ValveNode
from soft_tactile_node.ros.wire import qos
from soft_tactile_node.valves.lines import check_of

NODE = "/finger/valve"
A, B, SIMULATION = "/gripper/grasp_controller", "/finger/tactile_sensor", "/sim/gripper/grasp_controller"


class Board:
    """A valve on a pseudo terminal, which answers each line with the pressure it was told."""

    def __init__(self, live: Graph) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        os.set_blocking(self.master, False)
        self.port = os.ttyname(self.slave)
        self.told_pa: list[int] = []
        self.silent = False
        live.client.create_timer(0.01, self._answer)

    def _answer(self) -> None:
        with contextlib.suppress(BlockingIOError):
            for line in os.read(self.master, 4096).split(b"\n"):
                if line.startswith(b"P,") and b"*" in line:
                    number, pressure = line.split(b",")[1:3]
                    self.told_pa.append(int(pressure))
                    text = b"S," + number + b"," + pressure + b",ok"
                    if not self.silent:
                        os.write(self.master, text + b"*" + check_of(text) + b"\n")

    def close(self) -> None:
        """Go."""
        os.close(self.master)
        os.close(self.slave)


class Bench:
    """The node, its valve, and owners that command it."""

    def __init__(self, live: Graph, **parameters: object) -> None:
        self.live, self.board = live, Board(live)
        given = {"autostart": False, "serial_port": self.board.port, "heartbeat_timeout": 2.0, **parameters}
        live.add(ValveNode, namespace="finger", parameters=given)
        assert live.transition(NODE, CONFIGURE)
        assert live.transition(NODE, ACTIVATE)
        self.statuses = live.listen(ValveStatus, "/finger/valve_status", qos.reliable(50, latched=True))
        self.health = live.listen(DiagnosticArray, "/diagnostics", qos.reliable(50))
        self.commands = live.client.create_publisher(PressureCommand, "/finger/pressure_command", qos.reliable(10))
        live.wait(self.commands.get_subscription_count, "the valve on the commands")
        live.wait(lambda: self.is_(ValveStatus.FREE), "the valve ready")

    def is_(self, state: int, **values: Any) -> bool:
        """Return whether the newest status is like this."""
        status = self.statuses[-1] if self.statuses else ValveStatus(state=99)
        return status.state == state and all(getattr(status, name) == value for name, value in values.items())

    def command(self, owner: str, gauge_pa: float, lease_s: float = 1.0, *, simulated: bool = False) -> None:
        """Command once."""
        message = PressureCommand(owner=owner, pressure=gauge_pa, lease=lease_s, simulated=simulated)
        message.header.stamp = self.live.client.get_clock().now().to_msg()
        self.commands.publish(message)

    def until(self, state: int, *commands: tuple[Any, ...], simulated: bool = False, **values: Any) -> None:
        """Command again and again until the status is like this."""
        with self.commanding(*commands, simulated=simulated):
            self.live.wait(lambda: self.is_(state, **values), f"state {state} with {values}")

    @contextlib.contextmanager
    def commanding(self, *commands: tuple[Any, ...], simulated: bool = False) -> Iterator[None]:
        """Command fifty times a second meanwhile."""

        def send() -> None:
            for command in commands:
                self.command(*command, simulated=simulated)

        timer = self.live.client.create_timer(0.02, send)
        try:
            yield
        finally:
            self.live.client.destroy_timer(timer)


@pytest.fixture
def bench(live: Graph) -> Iterator[Bench]:
    """Give a valve that works."""
    made = Bench(live)
    yield made
    made.board.close()


def test_a_second_owner_is_named_and_refused_until_the_first_gives_the_lease_back(
    bench: Bench, capfd: pytest.CaptureFixture[str]
) -> None:
    """Status, diagnostics and log name who is refused; the valve keeps the first one's pressure; then it is free."""
    bench.until(ValveStatus.OWNED, (A, 10e3), owner=A, measured=10e3)
    bench.until(ValveStatus.OWNED, (A, 10e3), (B, 20e3), owner=A, refused=B)
    assert bench.statuses[-1].reason == f"{A} commands the pressure: {B} has to wait until it has given the lease back"

    def warned() -> bool:
        return any(s.level == DiagnosticStatus.WARN and B in s.message for s in bench.health[-1].status)

    with bench.commanding((A, 10e3), (B, 20e3)):
        bench.live.wait(warned, "diagnostics")
    assert f"{B} has to wait" in capfd.readouterr().err
    assert max(bench.board.told_pa) == 10000
    bench.until(ValveStatus.FREE, (A, 0.0, 0.0), owner="")
    bench.until(ValveStatus.OWNED, (B, 20e3), owner=B, measured=20e3)


def test_silence_vents(bench: Bench) -> None:
    """Without commands the lease ends, the status says so, and the valve is told to vent."""
    bench.until(ValveStatus.OWNED, (A, 10e3, 0.2), owner=A, measured=10e3)
    bench.live.wait(lambda: bench.is_(ValveStatus.FREE, measured=0.0), "the end of the lease")
    bench.live.wait(lambda: bench.board.told_pa[-1] == 0, "vented")


def test_an_owner_of_a_simulation_moves_nothing_real(bench: Bench) -> None:
    """A simulated owner is refused by name; the valve is never told a pressure."""
    bench.until(ValveStatus.FREE, (SIMULATION, 10e3), simulated=True, refused=SIMULATION)
    assert "belongs to a simulation" in bench.statuses[-1].reason
    assert set(bench.board.told_pa) == {0}


def test_a_valve_that_falls_silent_is_at_fault_and_vented(live: Graph) -> None:
    """When the valve does not answer, status and diagnostics say so and nobody is obeyed, until it answers again."""
    bench = Bench(live, heartbeat_timeout=0.5)
    bench.until(ValveStatus.OWNED, (A, 10e3), owner=A, measured=10e3)
    bench.board.silent = True
    bench.until(ValveStatus.FAULT, (A, 10e3), owner="", pressure=0.0)
    assert "does not answer" in bench.statuses[-1].reason
    live.wait(lambda: any(s.level == DiagnosticStatus.ERROR for s in bench.health[-1].status), "diagnostics")
    live.wait(lambda: bench.board.told_pa[-1] == 0, "vented")
    bench.board.silent = False
    bench.until(ValveStatus.OWNED, (A, 10e3), owner=A)
    assert live.transition(NODE, DEACTIVATE)
    live.wait(lambda: bench.board.told_pa[-1] == 0, "vented by the deactivation")
    bench.board.close()


def test_refuses_a_heartbeat_that_is_too_slow(live: Graph, capfd: pytest.CaptureFixture[str]) -> None:
    """A timeout below three heartbeats is refused at configure, by name."""
    given = {"autostart": False, "serial_port": "/dev/null", "rate": 10.0, "heartbeat_timeout": 0.2}
    live.add(ValveNode, namespace="finger", parameters=given)
    assert not live.transition(NODE, CONFIGURE)
    assert live.state(NODE) == UNCONFIGURED
    assert "parameter 'heartbeat_timeout' must be >= 0.3 s with rate 10 Hz; got 0.2" in capfd.readouterr().err
