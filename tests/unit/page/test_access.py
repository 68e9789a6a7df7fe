"""Who gets what from the page's server: reports, headers, sizes, and when a token is asked for; no finger process."""

from __future__ import annotations

import multiprocessing
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from tornado.websocket import websocket_connect

from soft_tactile_node.errors import SourceError
from soft_tactile_node.page import serving
from soft_tactile_node.page.ring import Ring
from soft_tactile_node.page.server import LARGEST_MESSAGE, LONGEST_MARK, Bench, check_command, is_loopback
from unit.page.made import get, visit


@pytest.fixture
def finger(tmp_path: Path) -> Any:
    """A finger with one report in its folder, and one that it did not make."""
    for name in ("made.html", "found.html"):
        (tmp_path / name).write_text(name)
    setup = SimpleNamespace(name="finger", source="made", kind="made", not_led="", folder=tmp_path)
    return SimpleNamespace(
        setup=setup,
        reports={"made.html"},
        listen=lambda: None,
        status={},
        failure="",
        events=[],
        ring=Ring(multiprocessing.get_context("spawn")),
    )


def test_only_reports_of_this_page_are_handed_out(finger: Any) -> None:
    """Another file of the folder is not; a report can run scripts, but in a sandbox without the page's origin."""

    async def work(address: str) -> None:
        report = await get(f"{address}reports/made.html")
        assert (report.code, report.body) == (200, b"made.html")
        policy = report.headers["Content-Security-Policy"]
        assert "sandbox allow-scripts" in policy
        assert "allow-same-origin" not in policy
        for other in ("found.html", "..%2Ffound.html", "../found.html"):
            assert (await get(f"{address}reports/{other}")).code == 404
        assert (await get(f"{address}reports/made.html", Host="bakery.example")).code == 403

    visit(Bench([finger]), work)


def test_reports_and_feed_need_the_token_too(finger: Any) -> None:
    """With a token nothing is answered without it, and this machine's own names help nobody."""

    async def work(address: str) -> None:
        bare, _, token = address.partition("?")
        for path in ("", "bench.js", "reports/made.html", "feed"):
            assert (await get(bare + path)).code == 403, path
            assert (await get(f"{bare}{path}?token=half-a-loa")).code == 403, path
        assert (await get(f"{bare}reports/made.html?{token}")).code == 200

    visit(Bench([finger], "half-a-loaf"), work)


def test_every_answer_tells_the_browser_to_be_careful(finger: Any) -> None:
    """No guessing of types, no address handed on, nothing kept; refusals included."""

    async def work(address: str) -> None:
        for path, host in (("", "localhost"), ("reports/made.html", "localhost"), ("", "bakery.example")):
            headers = (await get(address + path, Host=host)).headers
            assert headers["X-Content-Type-Options"] == "nosniff"
            assert headers["Referrer-Policy"] == "no-referrer"
            assert headers["Cache-Control"] == "no-store"

    visit(Bench([finger]), work)


def test_a_browser_that_says_too_much_is_hung_up_on(finger: Any) -> None:
    """A message as long as is allowed is answered, a longer one ends the connection."""

    async def work(address: str) -> None:
        connection = await websocket_connect(address.replace("http", "ws") + "feed")
        await connection.write_message("x" * LARGEST_MESSAGE)
        while "notice" not in str(await connection.read_message()):
            pass
        await connection.write_message("x" * (LARGEST_MESSAGE + 1))
        while (message := await connection.read_message()) is not None:
            assert "notice" not in str(message)
        connection.close()

    visit(Bench([finger]), work)


def test_marks_are_short_and_printable() -> None:
    """What a browser calls a mark is cut to its length, without signs that cannot be printed."""
    asked = {"do": "mark", "text": "\x1b[2J" + "rye " * LONGEST_MARK, "folder": "/"}
    assert check_command(asked) == {"do": "mark", "text": ("[2J" + "rye " * LONGEST_MARK)[:LONGEST_MARK]}


@pytest.mark.parametrize("host", ["localhost.example", "mylocalhost", "127.0.0.1.example", "", "0.0.0.0", "::"])
def test_what_only_looks_like_this_machine_is_not(host: str) -> None:
    """Names that others may own, and addresses that others may reach, are no loopback."""
    assert not is_loopback(host)


@pytest.mark.parametrize(("host", "asks"), [("127.0.0.1", False), ("localhost", False), ("0.0.0.0", True)])
def test_a_page_for_others_asks_for_a_token(monkeypatch: pytest.MonkeyPatch, host: str, asks: bool) -> None:
    """Served on anything but a loopback address, the page has a token that nobody can guess, another each time."""
    tokens: list[str] = []

    def note(bench: Bench, *_: object) -> str:
        tokens.append(bench.token)
        raise SourceError("seen")

    monkeypatch.setattr(serving, "serve", note)
    for _ in range(2):
        with pytest.raises(SourceError, match="seen"):
            serving.run_page([], host, 0, print)
    first, second = tokens
    assert [len(token) >= 20 for token in tokens] == [asks, asks]
    assert (first != second) is asks
