"""A headless Chromium, driven by its DevTools protocol: one tab, no library of its own."""

from __future__ import annotations

import asyncio
import json
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any

from tornado.httpclient import AsyncHTTPClient
from tornado.websocket import WebSocketClientConnection, websocket_connect

WAIT_S = 60.0
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update", "--remote-debugging-port=0",
)  # fmt: skip


def find_chromium() -> str | None:
    """Return the browser of this machine, if there is one."""
    names = ("chromium", "chromium-headless-shell", "chromium-browser", "google-chrome")
    return next(filter(None, map(shutil.which, names)), None)


class Tab:
    """One tab of a browser of its own; `complaints` collects what its console says."""

    def __init__(self, process: subprocess.Popen[bytes], connection: WebSocketClientConnection) -> None:
        self._process, self._connection = process, connection
        self._answers: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self._listener = asyncio.ensure_future(self._listen())
        self.complaints: list[str] = []

    @classmethod
    async def open(cls, program: str, folder: Path, address: str) -> Tab:
        """Start the browser with an empty profile in a folder and load an address."""
        process = subprocess.Popen([program, *FLAGS, f"--user-data-dir={folder}", "about:blank"], stderr=-3)
        told, end_s = folder / "DevToolsActivePort", time.monotonic() + WAIT_S
        while not told.exists() or len(told.read_text().split()) < 2:
            assert time.monotonic() < end_s, "the browser does not start"
            await asyncio.sleep(0.02)  # another program: nothing to wait on
        port = told.read_text().split()[0]
        tabs = json.loads((await AsyncHTTPClient().fetch(f"http://127.0.0.1:{port}/json")).body)
        address_of_tab = next(tab["webSocketDebuggerUrl"] for tab in tabs if tab["type"] == "page")
        tab = cls(process, await websocket_connect(address_of_tab))
        for domain in ("Runtime", "Page", "Log"):
            await tab.call(f"{domain}.enable")
        await tab.call("Page.navigate", url=address)
        return tab

    async def call(self, method: str, **parameters: object) -> dict[str, Any]:
        """Call a method of the protocol."""
        number = len(self._answers) + 1
        self._answers[number] = asyncio.get_running_loop().create_future()
        await self._connection.write_message(json.dumps({"id": number, "method": method, "params": parameters}))
        answer = await asyncio.wait_for(self._answers[number], WAIT_S)
        assert "error" not in answer, answer
        return answer["result"]  # type: ignore[no-any-return]

    async def run(self, script: str) -> Any:
        """Return the value of an expression in the page."""
        answer = await self.call("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    async def wait(self, condition: str, limit_s: float = WAIT_S) -> None:
        """Wait until an expression in the page is true."""
        end_s = time.monotonic() + limit_s
        while not await self.run(f"Boolean({condition})"):
            if time.monotonic() > end_s:
                raise AssertionError(
                    f"not within {limit_s:g} s: {condition}; {await self.run('document.body.innerText')}"
                )
            await asyncio.sleep(0.05)  # the page changes when it does

    async def press(self, key: str, code: int) -> None:
        """Press a key."""
        for kind in ("keyDown", "keyUp"):
            text = {"text": "\r"} if key == "Enter" and kind == "keyDown" else {}
            await self.call("Input.dispatchKeyEvent", type=kind, key=key, windowsVirtualKeyCode=code, **text)

    async def close(self) -> None:
        """End the browser."""
        self._listener.cancel()
        # asked, not told by a signal, which would reach only the script that starts it on some systems
        self._connection.write_message(json.dumps({"id": 0, "method": "Browser.close"}))
        self._process.wait(WAIT_S)
        self._connection.close()

    async def _listen(self) -> None:
        while (message := await self._connection.read_message()) is not None:
            said = json.loads(message)
            if "id" in said:
                self._answers[said["id"]].set_result(said)
            elif said["method"] in ("Runtime.exceptionThrown", "Runtime.consoleAPICalled", "Log.entryAdded"):
                self.complaints.append(json.dumps(said["params"])[:1000])
