from __future__ import annotations

import pytest
from lifecycle_msgs.msg import Transition
from std_msgs.msg import String

from graph.graph_tools import (
    ACTIVATE,
    ACTIVE,
    CLEANUP,
    CONFIGURE,
    DEACTIVATE,
    FINALIZED,
    INACTIVE,
    SHUTDOWN_OF,
    UNCONFIGURED,
    Graph,
)
from soft_tactile_node.errors import SoftTactileError
from soft_tactile_node.ros.parameters.spec import ParameterSpec
from soft_tactile_node.ros.running.managed_node import ManagedNode
from soft_tactile_node.ros.wire import qos

SPECS = (
    ParameterSpec("autostart", False, "Start by itself."),
    ParameterSpec("level", 1.0, "A limit.", "Pa", low=0.0, high=10.0, dynamic=True),
    ParameterSpec("size", 3, "A size.", low=1, high=9),
    ParameterSpec("mode", "good", "What goes wrong.", choices=("good", "refuse", "crash")),
)
NODE = "/probe"


class Probe(ManagedNode):
    """A node with one topic, which can be told to fail."""

    def __init__(self, **options: object) -> None:
        super().__init__("probe", SPECS, **options)
        self.calls: list[str] = []

    def configure(self) -> None:
        """Create a topic, then go wrong if told so."""
        self.calls.append("configure")
        self.publisher = self.publish_on(String, "said", qos.reliable(1))
        if self.setting("mode") == "refuse":
            raise SoftTactileError("mode must not be refuse; got refuse")
        if self.setting("mode") == "crash":
            raise ZeroDivisionError("made up")

    def activate(self) -> None:
        """Be noted."""
        self.calls.append("activate")

    def deactivate(self) -> None:
        """Be noted."""
        self.calls.append("deactivate")

    def release(self) -> None:
        """Be noted."""
        self.calls.append("release")

    def parameters_changed(self, _names: object) -> None:
        """Note the new level."""
        self.calls.append(f"level {self.setting('level'):g}")


def go_to(live: Graph, state: int) -> None:
    """Bring the probe into a state."""
    steps = {UNCONFIGURED: (), INACTIVE: (CONFIGURE,), ACTIVE: (CONFIGURE, ACTIVATE)}[state]
    for step in steps:
        assert live.transition(NODE, step)
    assert live.state(NODE) == state


ALLOWED = {
    (UNCONFIGURED, CONFIGURE): INACTIVE,
    (INACTIVE, ACTIVATE): ACTIVE,
    (INACTIVE, CLEANUP): UNCONFIGURED,
    (ACTIVE, DEACTIVATE): INACTIVE,
    (UNCONFIGURED, SHUTDOWN_OF[UNCONFIGURED]): FINALIZED,
    (INACTIVE, SHUTDOWN_OF[INACTIVE]): FINALIZED,
    (ACTIVE, SHUTDOWN_OF[ACTIVE]): FINALIZED,
}
"""Source: ROS 2 design article "Managed nodes", its state machine (design.ros2.org/articles/node_lifecycle.html)."""

ASKED = (CONFIGURE, ACTIVATE, DEACTIVATE, CLEANUP, *SHUTDOWN_OF.values())


@pytest.mark.parametrize("start", [UNCONFIGURED, INACTIVE, ACTIVE])
def test_transitions_are_those_of_a_managed_node(live: Graph, start: int) -> None:
    """Every transition of the table leads where it must, every other is refused, and the node lives on."""
    for asked in ASKED:
        node = live.add(Probe)
        go_to(live, start)
        expected = ALLOWED.get((start, asked))
        assert live.transition(NODE, asked) == (expected is not None), asked
        assert live.state(NODE) == (start if expected is None else expected), asked
        live.remove(node)


def test_cleanup_frees_what_configure_made(live: Graph) -> None:
    """After cleanup the topics are gone, and the node can be configured again."""
    node = live.add(Probe)
    for _ in range(3):
        go_to(live, ACTIVE)
        live.wait(lambda: live.client.count_publishers("/said") == 1, "publisher of /said")
        assert live.transition(NODE, DEACTIVATE)
        assert live.transition(NODE, CLEANUP)
        live.wait(lambda: live.client.count_publishers("/said") == 0, "no publisher of /said")
    assert node.calls == ["configure", "activate", "deactivate", "release"] * 3


def test_publishers_are_silent_unless_active(live: Graph) -> None:
    """What is published while inactive does not leave the node."""
    node = live.add(Probe)
    go_to(live, INACTIVE)
    heard = live.listen(String, "/said", qos.reliable(10))
    node.publisher.publish(String(data="inactive"))
    assert live.transition(NODE, ACTIVATE)
    live.wait(lambda: node.publisher.get_subscription_count(), "match")
    node.publisher.publish(String(data="active"))
    live.wait(lambda: heard, "message")
    assert [message.data for message in heard] == ["active"]


def test_a_refusal_says_why_and_leaves_nothing(live: Graph, capfd: pytest.CaptureFixture[str]) -> None:
    """A refused configuration is FAILURE: unconfigured, nothing created, the reason in the log and no traceback."""
    live.add(Probe, parameters={"mode": "refuse"})
    assert not live.transition(NODE, CONFIGURE)
    assert live.state(NODE) == UNCONFIGURED
    live.wait(lambda: live.client.count_publishers("/said") == 0, "no publisher of /said")
    said = capfd.readouterr().err
    assert "cannot configure: mode must not be refuse; got refuse" in said
    assert "Traceback" not in said


def test_a_crash_is_logged_and_recovered_from(live: Graph, capfd: pytest.CaptureFixture[str]) -> None:
    """An unexpected exception ends in error processing with its traceback in the log; the node can start again."""
    node = live.add(Probe, parameters={"mode": "crash"})
    assert not live.transition(NODE, CONFIGURE)
    assert live.state(NODE) == UNCONFIGURED
    said = capfd.readouterr().err
    assert "cannot configure: ZeroDivisionError: made up" in said
    assert "Traceback" in said
    assert live.set(NODE, mode="good")[0].successful
    go_to(live, ACTIVE)
    assert node.calls[-2:] == ["configure", "activate"]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"sise": 4}, "parameter 'sise' is unknown"),
        ({"size": 10}, "parameter 'size' must be a whole number >= 1 and <= 9; got 10"),
        ({"size": "big"}, "parameter 'size' must be a whole number >= 1 and <= 9; got 'big'"),
        ({"level": -1.0}, "parameter 'level' must be a number >= 0 and <= 10 Pa; got -1.0"),
        ({"qos_overrides./sayd.publisher.depth": 3}, "parameter 'qos_overrides./sayd.publisher.depth' is unknown"),
    ],
)
def test_wrong_parameters_are_refused_by_name(
    live: Graph, capfd: pytest.CaptureFixture[str], given: dict[str, object], said: str
) -> None:
    """An unknown parameter or a wrong value is refused at configure, and the log names it."""
    live.add(Probe, parameters=given)
    assert not live.transition(NODE, CONFIGURE)
    assert live.state(NODE) == UNCONFIGURED
    assert said in capfd.readouterr().err


def test_a_whole_number_serves_as_a_double(live: Graph) -> None:
    """`level: 2` in a file is as good as `level: 2.0`."""
    node = live.add(Probe, parameters={"level": 2})
    go_to(live, INACTIVE)
    assert node.setting("level") == 2.0


def test_thresholds_change_at_run_time_and_the_rest_does_not(live: Graph) -> None:
    """A dynamic parameter reaches the running node; another one is refused until cleanup, a wrong one always."""
    node = live.add(Probe)
    go_to(live, ACTIVE)
    assert live.set(NODE, level=4.0)[0].successful
    assert node.calls[-1] == "level 4"
    fixed = live.set(NODE, size=4)[0]
    assert not fixed.successful
    assert fixed.reason == "parameter 'size' can only change while the node is unconfigured; clean up first"
    wrong = live.set(NODE, level=11.0)[0]
    assert not wrong.successful
    assert "level" in wrong.reason
    assert node.setting("level") == 4.0
    assert live.transition(NODE, DEACTIVATE)
    assert live.transition(NODE, CLEANUP)
    assert live.set(NODE, size=4)[0].successful


def test_qos_overrides_reach_the_topic(live: Graph) -> None:
    """The standard qos_overrides parameters change the QoS of a publisher."""
    given = {
        "qos_overrides./said.publisher.reliability": "best_effort",
        "qos_overrides./said.publisher.depth": 7,
    }
    live.add(Probe, parameters=given)
    go_to(live, INACTIVE)
    live.wait(lambda: live.client.count_publishers("/said") == 1, "publisher of /said")
    profile = live.client.get_publishers_info_by_topic("/said")[0].qos_profile
    assert profile.reliability == qos.QoSReliabilityPolicy.BEST_EFFORT
    # the depth is not announced over the wire; the parameter shows what is in use
    assert live.nodes[0].get_parameter("qos_overrides./said.publisher.depth").value == 7


def test_autostart_makes_it_active(live: Graph) -> None:
    """With autostart a node needs no manager."""
    node = live.add(Probe, parameters={"autostart": True})
    node.start_by_itself()
    assert live.state(NODE) == ACTIVE


def test_an_unknown_transition_is_refused(live: Graph) -> None:
    """A transition number that does not exist does not end the node."""
    live.add(Probe)
    assert not live.transition(NODE, Transition.TRANSITION_CALLBACK_ERROR)
    assert live.state(NODE) == UNCONFIGURED
