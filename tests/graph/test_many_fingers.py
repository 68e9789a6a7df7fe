"""Several fingers in one process, below a namespace that was given from outside; and the sensor's own lifecycle."""

from __future__ import annotations

from pathlib import Path

import pytest
from soft_tactile_msgs.msg import PadEstimate

from graph.finger_driver import LEFT, FingerDriver
from graph.graph_tools import (
    ACTIVATE,
    ACTIVE,
    CONFIGURE,
    DEACTIVATE,
    FINALIZED,
    INACTIVE,
    UNCONFIGURED,
    Graph,
)
from graph.test_lifecycle import ALLOWED, ASKED
from soft_tactile_node.ros.running import process
from soft_tactile_node.ros.wire import qos

NODE = "/finger/tactile_sensor"
CONFIG = Path(__file__).resolve().parents[2] / "config"


def test_one_process_holds_a_finger_for_each_name(live: Graph, tmp_path: Path) -> None:
    """Three names on the command line make three sensors, each in its namespace below that of the process."""
    parameters = tmp_path / "fingers.yaml"
    parameters.write_text(
        "/**/tactile_sensor:\n  ros__parameters:\n    source: simulated\n    simulated_rate: 50.0\n"
        f"    tare_file: none\n    coil_timeout: 5.0\n    calibration: {LEFT}\n"
        "/cell_1/thumb/tactile_sensor:\n  ros__parameters:\n    simulated_seed: 1\n    autostart: false\n"
    )
    process = live.start(
        "tactile_sensor", "-r", "__ns:=/cell_1", "--params-file", str(parameters), names=("left", "right", "thumb")
    )
    heard = {
        name: live.listen(PadEstimate, f"/cell_1/{name}/pad_estimate", qos.reliable(10)) for name in ("left", "right")
    }
    live.wait(lambda: all(heard.values()), "estimates of both")
    assert {name: messages[-1].header.frame_id for name, messages in heard.items()} == {
        "left": "cell_1_left_pad", "right": "cell_1_right_pad",
    }  # fmt: skip
    assert live.state("/cell_1/thumb/tactile_sensor") == UNCONFIGURED, "its own parameters reach it"
    code, output = live.stop(process)
    assert code == 0, output


@pytest.mark.parametrize(
    ("given", "namespace", "left"),
    [
        (["a", "--ros-args", "-r", "__ns:=/cell_1"], "/cell_1", ["a", "--ros-args"]),
        (["--ros-args", "--remap", "__ns:=cell", "-p", "x:=1"], "/cell", ["--ros-args", "-p", "x:=1"]),
        (["a", "--ros-args", "-r", "coils:=raw"], "", ["a", "--ros-args", "-r", "coils:=raw"]),
    ],
)
def test_the_namespace_of_the_process_is_taken_apart(given: list[str], namespace: str, left: list[str]) -> None:
    """`__ns` is found and taken out; other remappings stay."""
    assert process.split_namespace(given) == (namespace, left)


@pytest.mark.parametrize("start", [UNCONFIGURED, INACTIVE, ACTIVE])
def test_the_sensor_makes_the_transitions_of_a_managed_node(live: Graph, start: int) -> None:
    """Every transition of the table leads where it must, every other is refused, and the sensor lives on."""
    driver = FingerDriver(live)
    for asked in ASKED:
        node = driver.sensor()
        for step in {UNCONFIGURED: (), INACTIVE: (CONFIGURE,), ACTIVE: (CONFIGURE, ACTIVATE)}[start]:
            assert live.transition(NODE, step)
        expected = ALLOWED.get((start, asked))
        assert live.transition(NODE, asked) == (expected is not None), asked
        assert live.state(NODE) == (start if expected is None else expected), asked
        if expected in (UNCONFIGURED, FINALIZED):
            live.wait(lambda: not live.client.count_publishers("/finger/wrench"), "everything freed")
        live.remove(node)


def test_a_failure_while_active_is_logged_and_recovered_from(live: Graph, capfd: pytest.CaptureFixture[str]) -> None:
    """A deactivation that goes wrong ends in error processing, says its cause, frees all, and the node starts again."""
    node = FingerDriver(live).sensor()
    for step in (CONFIGURE, ACTIVATE):
        assert live.transition(NODE, step)

    def fail(_reason: str) -> None:
        raise ZeroDivisionError("made up")

    node._action.stop = fail
    assert not live.transition(NODE, DEACTIVATE)
    assert "cannot deactivate: ZeroDivisionError: made up" in capfd.readouterr().err
    assert live.state(NODE) == UNCONFIGURED
    live.wait(lambda: not live.client.count_publishers("/finger/wrench"), "everything freed")
    for step in (CONFIGURE, ACTIVATE):
        assert live.transition(NODE, step)
    assert live.state(NODE) == ACTIVE
