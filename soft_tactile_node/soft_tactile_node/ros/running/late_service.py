"""A service whose answer comes later than its request, without holding up the executor."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from soft_tactile_node.ros.running.managed_node import ManagedNode


class LateService:
    """Serves one request at a time; the owner answers when it can.

    Executors send what a callback returns at once. Here the sending itself is put off: the executor hands response and
    header to `send_response` of the service, and that is kept until `answer` is called.

    Parameters
    ----------
    node : ManagedNode
        Owner; the service vanishes at its cleanup.
    service : type
        Type of the service.
    name : str
        Its name.
    begin : callable
        Takes the request; returns a response to be sent at once, or None = `answer` comes later.
    """

    def __init__(self, node: ManagedNode, service: type, name: str, begin: Callable[[Any], Any]) -> None:
        self._begin = begin
        self._kept: Any = None
        self._put_off = False
        self._early: Any = None
        server = node.serve(service, name, self._on_request)
        self._send = server.send_response
        server.send_response = self._send_or_keep

    @property
    def is_owed(self) -> bool:
        """Whether somebody waits for an answer."""
        return self._put_off

    def answer(self, response: Any) -> None:
        """Send the answer that was put off."""
        self._put_off = False
        if self._kept is None:
            self._early = response  # the executor has not handed over the header yet
            return
        header, self._kept = self._kept, None
        self._send(response, header)

    def _on_request(self, request: Any, response: Any) -> Any:
        self._early = None
        self._put_off = True
        at_once = self._begin(request)
        if at_once is not None:
            self._put_off = False
            return at_once
        return response

    def _send_or_keep(self, response: Any, header: Any) -> None:
        if self._put_off:
            self._kept = header
            return
        early, self._early = self._early, None
        self._send(response if early is None else early, header)
