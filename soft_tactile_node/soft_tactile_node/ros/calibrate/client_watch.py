"""Whether the client of an action is still there."""

from __future__ import annotations

import time

from rclpy.node import Node

PATIENCE_S = 5.0
"""How long a client may take to be discovered (s)."""

LOOK_PERIOD_S = 0.5


class ClientWatch:
    """Notices when a reader of an action's feedback that was there at the start has gone.

    Which reader belongs to the client cannot be told, so the loss of any of them counts: a monitor that stays must not
    hide that the client is gone, and a monitor that leaves costs a calibration, not a safe state.
    A client that ends takes its readers along at once; one that is killed is missed when its DDS lease runs out (20 s
    by default). Looks at the machine's own clock, so that a stopped simulation time hides nobody's death.

    Parameters
    ----------
    node : rclpy.node.Node
        Of the action server.
    topic : str
        Feedback topic of the action.
    """

    def __init__(self, node: Node, topic: str) -> None:
        self._node = node
        self._topic = node.resolve_topic_name(topic)
        self._began_s = self._looked_s = time.monotonic()
        self._first: set[bytes] = set()
        self._gone = False

    def is_gone(self) -> bool:
        """Return whether the client may have gone; looks at the graph twice a second at most."""
        now_s = time.monotonic()
        if self._gone or now_s - self._looked_s < LOOK_PERIOD_S:
            return self._gone
        self._looked_s = now_s
        readers = {bytes(info.endpoint_gid) for info in self._node.get_subscriptions_info_by_topic(self._topic)}
        if not self._first:
            self._first = readers
            self._gone = not readers and now_s - self._began_s > PATIENCE_S
        else:
            self._gone = not self._first <= readers
        return self._gone
