"""A stranger's view: the page of topics, public messages, the README's text, and nothing of this package's code."""

from __future__ import annotations

import importlib
import math
import re
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from lifecycle_msgs.msg import Transition
from lifecycle_msgs.srv import ChangeState, GetState
from rclpy.qos import DurabilityPolicy, QoSProfile, ReliabilityPolicy
from soft_tactile_msgs.msg import ContactEvent, PadEstimate, PressureCommand

from graph.graph_tools import Graph

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text()
PAGE = (ROOT / "shared" / "docs" / "reference" / "topics.md").read_text()
RELIABLE = QoSProfile(depth=50, reliability=ReliabilityPolicy.RELIABLE, durability=DurabilityPolicy.VOLATILE)
BEST_EFFORT = QoSProfile(depth=50, reliability=ReliabilityPolicy.BEST_EFFORT, durability=DurabilityPolicy.VOLATILE)
PROFILES = {"estimate": RELIABLE, "reliable": RELIABLE, "sensor data": BEST_EFFORT}
"""What the page's words for the quality of service mean, as its table says."""

FINGER = "/sim/left_finger"


def row(name: str, what: str) -> tuple[type, str]:
    """Return type and quality of service of a topic or service of the sensor, as the page of topics has them."""
    section = PAGE.split("## `tactile_sensor`")[1].split("\n## ")[0]
    found = re.search(rf"^\| `{name}` \| {what} \| `(\w+)/(\w+)` \| ([^|]+) \|", section, re.MULTILINE)
    assert found, f"the page says nothing of {name}"
    package, kind, quality = found.groups()
    module = importlib.import_module(f"{package}.{'srv' if what == 'service' else 'msg'}")
    return getattr(module, kind), quality


def full(name: str) -> str:
    """Return the full name of a topic or service that the page has below the node's namespace."""
    return name if name.startswith("/") else f"{FINGER}/{name}"


def hear(live: Graph, name: str) -> list[Any]:
    """Subscribe to what the sensor publishes, as the page says it."""
    kind, quality = row(name, "publishes")
    return live.listen(kind, full(name), PROFILES[quality])


def start(live: Graph, *words: str) -> None:
    """Start a simulated finger as a process of its own, as the README says it."""
    live.start(
        "tactile_sensor", "-r", f"__ns:={FINGER}", "-p", "source:=simulated", "-p", "tare_file:=none",
        "-p", f"calibration:={ROOT / 'config/calibrations/left_finger.yaml'}", "-p", "coil_timeout:=2.0", *words,
    )  # fmt: skip


def press(live: Graph, events: list[ContactEvent]) -> None:
    """Close the finger on what is there, slowly, until it touches."""
    kind, quality = row("pressure_command", "takes")
    command = live.client.create_publisher(kind, full("pressure_command"), PROFILES[quality])
    live.wait(command.get_subscription_count, "valve")
    gauge_pa = 0.0
    for _ in range(1500):
        gauge_pa = min(gauge_pa + 300.0, 50e3)
        command.publish(PressureCommand(owner="/client", pressure=gauge_pa, lease=0.5))
        live.run(0.02)
        if any(event.kind == ContactEvent.CONTACT for event in events):
            return
    raise AssertionError("no contact event")


def test_a_client_of_public_messages_alone(live: Graph) -> None:
    """Everything a grasping programmer is promised arrives by message: states, wrench, event, diagnostics, services."""
    start(live, "-p", "simulated_object:=roll")
    estimates, wrenches, events, health, _ = (
        hear(live, name) for name in ("pad_estimate", "wrench", "contact_events", "/diagnostics", "coils")
    )
    live.wait(lambda: estimates and estimates[-1].state == PadEstimate.STATE_FREE, "the end of the tare")
    service, _ = row("tare", "service")
    assert live.call(service, full("tare"), service.Request()).success  # the first may be over before anybody listens
    live.wait(lambda: estimates[-1].state == PadEstimate.STATE_TARING, "another tare")
    live.wait(lambda: estimates[-1].state == PadEstimate.STATE_FREE, "the end of that tare")
    taring = [estimate for estimate in estimates if estimate.state == PadEstimate.STATE_TARING]
    assert [e for e in taring if not math.isnan(e.wrench.force.z)] == [] != taring, "no wrench before the tare is done"
    press(live, events)
    touch = next(event for event in events if event.kind == ContactEvent.CONTACT)
    assert touch.contact_id == 1
    assert touch.onset.sec > 0
    live.wait(lambda: estimates[-1].in_contact, "the state says it, too")
    assert estimates[-1].state == PadEstimate.STATE_CONTACT
    assert wrenches[-1].header.frame_id == "sim_left_finger_pad"
    refused = live.call(service, full("tare"), service.Request())
    assert not refused.success
    assert "release" in refused.message or "vent" in refused.message
    live.wait(lambda: health and len(health[-1].status) == 2, "diagnostics")
    names = [status.name for status in health[-1].status]
    assert names == ["sim_left_finger/tactile_sensor: finger", "sim_left_finger/tactile_sensor: stream"]
    # a lifecycle manager can take it down and up again
    node = full("tactile_sensor")
    for transition in (Transition.TRANSITION_DEACTIVATE, Transition.TRANSITION_ACTIVATE):
        request = ChangeState.Request(transition=Transition(id=transition))
        assert live.call(ChangeState, f"{node}/change_state", request).success
    assert live.call(GetState, f"{node}/get_state", GetState.Request()).current_state.label == "active"
    for process in list(live.processes):
        code, output = live.stop(process)
        assert code == 0, output


def test_the_listener_of_the_readme_hears_the_touch(live: Graph) -> None:
    """The README's listener, run as it stands there, prints kind and force of the contact."""
    blocks = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    snippet = next(block for block in blocks if "contact_events" in block)
    start(live, "-p", "simulated_object:=roll")
    events, estimates = hear(live, "contact_events"), hear(live, "pad_estimate")
    listener = subprocess.Popen(
        [sys.executable, "-u", "-c", snippet], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    live.processes.append(listener)
    live.wait(lambda: live.client.count_subscribers(full("contact_events")) >= 2, "the listener")
    live.wait(lambda: estimates and estimates[-1].state == PadEstimate.STATE_FREE, "the end of the tare")
    press(live, events)
    end = time.monotonic() + 5.0
    while time.monotonic() < end and listener.poll() is None and live.executor.spin_once(timeout_sec=0.1) is None:
        if time.monotonic() > end - 4.0:
            break
    listener.kill()
    output, _ = listener.communicate(timeout=10.0)
    live.processes.remove(listener)
    kinds = [line.split()[0] for line in output.splitlines() if line]
    assert "contact" in kinds, output
    assert all(math.isfinite(float(line.split()[1])) for line in output.splitlines() if line.startswith("contact"))
