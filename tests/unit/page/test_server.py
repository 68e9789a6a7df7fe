"""The page's server: who is let in, what a browser gets, what its buttons do; a real finger process, no browser."""

from __future__ import annotations

import csv
import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tornado.httpclient import HTTPClientError, HTTPRequest
from tornado.websocket import WebSocketClientConnection, websocket_connect

from soft_tactile_node.errors import SourceError
from soft_tactile_node.page.finger_process import FingerProcess
from soft_tactile_node.page.server import Bench, check_command, is_loopback
from soft_tactile_node.page.thinning import COLUMNS
from soft_tactile_node.recordings import load_recording
from unit.page.made import get, setup_of, visit

TOKEN = "half-a-loaf"


@pytest.fixture(scope="module")
def finger(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FingerProcess]:
    """Start the process of a finger that plays touches."""
    process = FingerProcess(setup_of(tmp_path_factory.mktemp("page")))
    process.start()
    yield process
    process.stop()


class Talk:
    """A browser without a screen."""

    def __init__(self, connection: WebSocketClientConnection) -> None:
        self.connection = connection
        self.frames = 0
        self.columns: set[int] = set()
        self.events: list[dict[str, Any]] = []
        self.words: list[dict[str, Any]] = []

    async def hear(self, until: Callable[[Talk], object]) -> None:
        """Listen until a condition holds."""
        while not until(self):
            message = await self.connection.read_message()
            assert message is not None, "the server has hung up"
            if isinstance(message, bytes):
                self.frames += 1
                self.columns |= set(np.frombuffer(message, "<i4", np.frombuffer(message, "<u4", 3)[2], 16).tolist())
            else:
                words = json.loads(message)
                self.events += words.get("events", [])
                self.words.append(words)

    async def ask(self, **command: object) -> None:
        """Press a button."""
        await self.connection.write_message(json.dumps({"finger": 0, **command}))

    def heard(self, kind: str) -> list[str]:
        """Return the texts of the events of a kind."""
        return [event["text"] for event in self.events if event["kind"] == kind]


def test_loopback_is_open_to_this_machine_only(finger: FingerProcess) -> None:
    """Without a token only names of this machine are answered, and no other site may open the feed."""

    async def work(address: str) -> None:
        page = await get(address)
        assert page.code == 200
        assert "script-src 'self'" in page.headers["Content-Security-Policy"]
        for name in ("bench.js", "charts.js", "bench.css", "page.css"):
            assert (await get(address + name)).code == 200
        assert (await get(address, Host="bakery.example")).code == 403
        assert (await get(address + "reports/secret.html")).code == 404
        feed = HTTPRequest(address.replace("http", "ws") + "feed", headers={"Origin": "http://bakery.example"})
        with pytest.raises(HTTPClientError, match="403"):
            await websocket_connect(feed)

    visit(Bench([finger]), work)


def test_the_token_opens_and_nothing_else_does(finger: FingerProcess) -> None:
    """On other interfaces the token in the address lets in, then its cookie; a wrong or missing one is refused."""

    async def work(address: str) -> None:
        bare = address.partition("?")[0]
        assert address == f"{bare}?token={TOKEN}"
        for refused in (await get(bare), await get(f"{bare}?token=half"), await get(f"{bare}feed")):
            assert refused.code == 403
            assert b"needs its token" in refused.body
        page = await get(address)
        assert page.code == 200
        assert "HttpOnly" in page.headers["Set-Cookie"]
        assert "SameSite=Strict" in page.headers["Set-Cookie"]
        cookie = page.headers["Set-Cookie"].partition(";")[0]
        assert (await get(f"{bare}bench.js", Cookie=cookie)).code == 200
        feed = HTTPRequest(bare.replace("http", "ws") + "feed", headers={"Cookie": cookie})
        connection = await websocket_connect(feed)
        assert "hello" in str(await connection.read_message())
        connection.close()

    visit(Bench([finger], TOKEN), work)


@pytest.mark.parametrize(("host", "own"), [("127.0.0.1", True), ("localhost", True), ("::1", True), ("0.0.0.0", False)])
def test_what_loopback_is(host: str, own: bool) -> None:
    """Only addresses that nobody else reaches go without a token."""
    assert is_loopback(host) is own


def test_signals_words_and_buttons(finger: FingerProcess) -> None:
    """A browser gets twenty frames a second and more; tare, marks and recordings do what they say."""

    async def work(address: str) -> Talk:
        talk = Talk(await websocket_connect(address.replace("http", "ws") + "feed"))
        await talk.hear(lambda talk: talk.heard("contact"))
        await talk.ask(do="record")
        await talk.hear(lambda talk: talk.heard("recording"))
        await talk.ask(do="mark", text="thumb\n on the pad")
        await talk.hear(lambda talk: talk.heard("mark"))
        began_s, frames = time.monotonic(), talk.frames
        await talk.hear(lambda talk: time.monotonic() > began_s + 1.5)
        rate_hz = (talk.frames - frames) / (time.monotonic() - began_s)
        await talk.ask(do="stop")
        await talk.hear(lambda talk: len(talk.heard("recording")) == 2)
        await talk.ask(do="calibrate", max_pressure_pa=50e3, full_force_n=4, read=False)
        await talk.hear(lambda talk: talk.heard("refused"))
        await talk.ask(do="fly")
        await talk.hear(lambda talk: "notice" in talk.words[-1])
        await talk.connection.write_message("{")
        await talk.hear(lambda talk: "notice" in talk.words[-1])
        assert rate_hz > 10.0  # 25 are sent; a busy machine is no failure
        talk.connection.close()
        return talk

    talk = visit(Bench([finger]), work)
    assert talk.words[0]["hello"]["fingers"][0]["name"] == "finger"
    assert any("Keep hands out" in caution for caution in talk.words[0]["hello"]["cautions"])
    assert 100 < len(talk.columns) < 10 * COLUMNS
    status = next(words["status"][0] for words in talk.words if words.get("status"))
    assert len(status["channels"]) == 4
    assert talk.heard("mark") == ["thumb on the pad"]
    assert talk.heard("refused") == ["a recording cannot be led through a calibration; use soft-tactile calibrate"]
    path = Path(talk.heard("recording")[0].removeprefix("begins: "))
    read = load_recording(path)
    assert len(read) > 100
    assert np.diff(read.time_s).mean() == pytest.approx(1.0 / 200.0, rel=0.02)
    with path.with_name(f"{path.stem}_log.csv").open() as lines:
        assert "mark" in {row["kind"] for row in csv.DictReader(lines)}


@pytest.mark.parametrize(
    ("asked", "error"),
    [
        ({"do": "fly"}, ValueError),
        ({}, KeyError),
        ({"do": "calibrate", "max_pressure_pa": "much", "full_force_n": 4, "read": True}, ValueError),
        ({"do": "calibrate", "max_pressure_pa": 5e4, "read": True}, KeyError),
    ],
)
def test_unknown_commands_do_not_reach_the_finger(asked: dict[str, object], error: type[Exception]) -> None:
    """Nothing but known commands with numbers where numbers belong is handed on."""
    with pytest.raises(error):
        check_command(asked)


def test_a_source_that_fails_says_so_in_a_line(tmp_path: Path) -> None:
    """A calibration that is not there ends the start with one line."""
    process = FingerProcess(setup_of(tmp_path, calibration=tmp_path / "gone.yaml"))
    try:
        with pytest.raises(SourceError, match=r"gone\.yaml: cannot be read \(No such file"):
            process.start()
    finally:
        process.stop()
