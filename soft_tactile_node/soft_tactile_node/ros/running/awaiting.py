"""Waits that end: done when a condition holds, else failed in bounded time with one line that says what is missing."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from rclpy.clock import Clock
from rclpy.clock_type import ClockType
from rclpy.node import Node
from rclpy.task import Future

from soft_tactile_node.errors import NoAnswerError, SoftTactileError

REAL_TIME = Clock(clock_type=ClockType.STEADY_TIME)
"""The machine's own steady time, for what must not wait for a simulation."""

LOOK_S = 0.02
"""How often a condition is looked at, in real time (s)."""

AGAIN_S = 2.0
"""A request without an answer is sent again after this long (s): middleware may lose an answer to a new client."""


def real_s() -> float:
    """Return the machine's own steady time (s)."""
    return float(REAL_TIME.now().nanoseconds) * 1e-9


class Wait:
    """Completes a future when a condition holds, or fails it.

    Parameters
    ----------
    node : rclpy.node.Node
        Node to work from; nothing here spins or blocks.
    condition : callable
        Looked at 50 times a second of real time; a SoftTactileError that it raises fails the future.
    missing : callable
        Says what is missing, for the error.
    limit_s : float
        Longest wait on `clock` (s); infinite = for as long as it takes.
    still_s : float
        Longest time that `clock` may stand still (s of real time): a simulated time that has ended ends the wait, too.
    clock : rclpy.clock.Clock, optional
        Clock of the limit; None = of the node.
    future : rclpy.task.Future, optional
        What to complete; None = a new one.

    Attributes
    ----------
    future : rclpy.task.Future
        Done with None; fails with NoAnswerError when the time is over.
    """

    def __init__(
        self,
        node: Node,
        condition: Callable[[], bool],
        missing: Callable[[], str],
        *,
        limit_s: float,
        still_s: float,
        clock: Clock | None = None,
        future: Future[Any] | None = None,
    ) -> None:
        self.future: Future[Any] = Future(executor=node.executor) if future is None else future
        self._node, self._condition, self._missing = node, condition, missing
        self._limit_s, self._still_s = limit_s, still_s
        self._clock = node.get_clock() if clock is None else clock
        self._begun_s = self._seen_s = self._now_s()
        self._moved_s = real_s()
        self._timer = node.create_timer(LOOK_S, self._look, clock=REAL_TIME)

    @property
    def ended(self) -> bool:
        """Whether there is nothing to wait for any more."""
        return bool(self.future.done() or self.future.cancelled())

    def close(self) -> None:
        """Wait no more; the future is cancelled unless it is done."""
        if self._timer is not None:
            self._node.destroy_timer(self._timer)
            self._timer = None
        if not self.ended:
            self.future.cancel()

    def _now_s(self) -> float:
        return float(self._clock.now().nanoseconds) * 1e-9

    def _look(self) -> None:
        if not self.ended:
            try:
                if self._condition():
                    self.future.set_result(None)
                else:
                    self._check_time()
            except SoftTactileError as error:
                self.future.set_exception(error)
        if self.ended:
            self.close()

    def _check_time(self) -> None:
        now_s, real_now_s = self._now_s(), real_s()
        if now_s != self._seen_s:
            # a simulated time shows 0 until it is first heard, and runs back where a simulation begins anew
            self._begun_s = min(self._begun_s, now_s) if self._seen_s else now_s
            self._seen_s, self._moved_s = now_s, real_now_s
        if now_s - self._begun_s > self._limit_s:
            raise NoAnswerError(f"not within {self._limit_s:g} s: {self._missing()}")
        if real_now_s - self._moved_s > self._still_s:
            raise NoAnswerError(
                f"time has stood still for {self._still_s:g} s, check who publishes /clock: {self._missing()}"
            )


async def pause(node: Node, duration_s: float, still_s: float = 10.0) -> None:
    """Wait on the node's clock, to be awaited in a coroutine of its executor.

    Parameters
    ----------
    node : rclpy.node.Node
        Node to work from.
    duration_s : float
        How long (s).
    still_s : float
        Longest time that the node's clock may stand still (s of real time).

    Raises
    ------
    NoAnswerError
        The clock stands still: a simulation has ended, or was stopped.
    """
    over: Future[Any] = Future(executor=node.executor)
    timer = node.create_timer(duration_s, lambda: over.done() or over.set_result(None))
    guard = Wait(
        node, lambda: False, lambda: f"a pause of {duration_s:g} s does not end", limit_s=math.inf, still_s=still_s,
        future=over,
    )  # fmt: skip
    try:
        await over
    finally:
        node.destroy_timer(timer)
        guard.close()


class Asking:
    """A request to a service that can be repeated without harm: sent once it is there, and again until answered.

    Parameters
    ----------
    client : rclpy.client.Client
        Of the service.
    request : object
        What to send.
    silence_s : float
        Longest wait for the answer (s of real time).

    Attributes
    ----------
    answer : object or None
        The response; None = not answered yet.
    """

    def __init__(self, client: Any, request: Any, silence_s: float) -> None:
        self.answer: Any = None
        self._client, self._request, self._silence_s = client, request, silence_s
        self._begun_s = real_s()
        self._asked_s: float | None = None

    def answered(self) -> bool:
        """Return whether the answer is there, to be called until it is; NoAnswerError: no service, or silent."""
        if self.answer is not None:
            return True
        now_s = real_s()
        if now_s - self._begun_s > self._silence_s:
            fault = "is not there" if self._asked_s is None else "does not answer"
            raise NoAnswerError(
                f"service {self._client.srv_name} {fault} for {self._silence_s:g} s: check that its node runs"
            )
        due = self._asked_s is None or now_s - self._asked_s > AGAIN_S
        if due and self._client.service_is_ready():
            self._asked_s = now_s
            self._client.call_async(self._request).add_done_callback(self._on_answer)
        return False

    def _on_answer(self, answered: Future[Any]) -> None:
        if self.answer is None:
            self.answer = answered.result()
