"""Runs the page: processes of the fingers, server, end by Ctrl-C."""

from __future__ import annotations

import asyncio
import secrets
import signal
from collections.abc import Callable, Sequence
from contextlib import suppress

from soft_tactile_node.page.finger_loop import FingerSetup
from soft_tactile_node.page.finger_process import FingerProcess
from soft_tactile_node.page.server import Bench, is_loopback, serve


def run_page(setups: Sequence[FingerSetup], host: str, port: int, announce: Callable[[str], None]) -> None:
    """Serve the page until Ctrl-C or a request to end; recordings under way are finished.

    Parameters
    ----------
    setups : sequence of FingerSetup
        The fingers.
    host : str
        Address of this machine; any but a loopback one asks browsers for a token.
    port : int
        Port (1).
    announce : callable
        Told the address to open.

    Raises
    ------
    SoftTactileError
        A source, a calibration or the address cannot be used.
    """
    fingers: list[FingerProcess] = []
    try:
        fingers.extend(FingerProcess(setup) for setup in setups)
        for finger in fingers:
            finger.start()
        token = "" if is_loopback(host) else secrets.token_urlsafe(16)
        asyncio.run(_serve(Bench(fingers, token), host, port, announce))
    finally:
        for finger in fingers:
            finger.stop()


async def _serve(bench: Bench, host: str, port: int, announce: Callable[[str], None]) -> None:
    asked_to_end = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        with suppress(NotImplementedError):  # elsewhere Ctrl-C interrupts the loop itself
            asyncio.get_running_loop().add_signal_handler(number, asked_to_end.set)
    announce(serve(bench, host, port))
    await asked_to_end.wait()
