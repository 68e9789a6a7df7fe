"""For tests of the page: a recorded finger of the specimen with the shipped calibration, and visits to its server."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from functools import partial
from pathlib import Path
from typing import Any

from tornado.httpclient import AsyncHTTPClient, HTTPRequest, HTTPResponse

from soft_tactile_node.commands._sources import open_source
from soft_tactile_node.page.finger_loop import FingerSetup
from soft_tactile_node.page.server import Bench, serve
from soft_tactile_node.recordings import Recording, Truth, save_recording
from soft_tactile_node.simulation import simulate

CALIBRATION = Path(__file__).resolve().parents[3] / "config" / "calibrations" / "left_finger.yaml"
WAIT_S = 60.0


def touches(duration_s: float = 12.0) -> tuple[Recording, Truth]:
    """Return a recording of light touches and its truth."""
    return simulate("light-touch", seed=1, rate_hz=200.0, duration_s=duration_s)


def setup_of(folder: Path, name: str = "finger", **changes: object) -> FingerSetup:
    """Return the setup of a finger that plays the recording, made in `folder`."""
    path = folder / "played.csv"
    if not path.exists():
        save_recording(touches()[0], path)
    given: dict[str, object] = {
        "name": name, "source": f"recording:{path}", "kind": "recording", "force": "", "folder": folder,
        "open_source": partial(open_source, f"recording:{path}"), "calibration": CALIBRATION, "setting": "light",
    }  # fmt: skip
    return FingerSetup(**(given | changes))  # type: ignore[arg-type]


def visit(bench: Bench, work: Callable[[str], Awaitable[Any]]) -> Any:
    """Serve a bench on a free port of this machine and do some work against its address."""

    async def run() -> Any:
        address = serve(bench, "127.0.0.1", 0)
        try:
            return await asyncio.wait_for(work(address), WAIT_S)
        finally:
            assert bench.server is not None
            bench.server.stop()

    return asyncio.run(run())


async def get(address: str, **headers: str) -> HTTPResponse:
    """Fetch, refused or not."""
    return await AsyncHTTPClient().fetch(HTTPRequest(address, headers=headers), raise_error=False)
