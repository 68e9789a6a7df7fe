"""The page's server: its files, and one web socket for each browser. Loopback, or a token."""

from __future__ import annotations

import hmac
import ipaddress
import json
import socket
from collections.abc import Sequence
from dataclasses import dataclass, field
from importlib import resources
from typing import Any
from urllib.parse import urlsplit

import tornado.httpserver
import tornado.ioloop
import tornado.netutil
import tornado.web
import tornado.websocket

from soft_tactile_node.errors import SourceError
from soft_tactile_node.page.finger_process import FingerProcess
from soft_tactile_node.page.thinning import COLUMNS, Thinner
from soft_tactile_node.protocol.plan import make_plan
from soft_tactile_node.reports.plots import COLOURS

FRAME_S = 0.04
"""Time between two frames (s)."""

STATUS_FRAMES = 5
"""Words are sent with every so many frames."""

SPANS_S = (5.0, 10.0, 20.0, 60.0)
"""What the charts may show (s)."""

LONGEST_MARK = 200
LARGEST_MESSAGE = 4096
COMMANDS = {"tare", "record", "stop", "mark", "calibrate", "cancel"}

FILES = {
    "": ("page", "bench.html", "text/html"),
    "bench.js": ("page", "bench.js", "text/javascript"),
    "charts.js": ("page", "charts.js", "text/javascript"),
    "bench.css": ("page", "bench.css", "text/css"),
    "page.css": ("reports", "page.css", "text/css"),
}
"""Path, and where the file lies in the package."""

OWN_ONLY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
REPORT_ONLY = (  # a report carries its scripts in itself; the sandbox keeps them away from the page
    "default-src 'none'; script-src 'unsafe-inline' 'unsafe-eval'; style-src 'unsafe-inline'; img-src data: blob:; "
    "font-src data:; base-uri 'none'; sandbox allow-scripts allow-downloads"
)


@dataclass
class Bench:
    """What the handlers share.

    Attributes
    ----------
    fingers : sequence of FingerProcess
        All fingers of the page.
    token : str
        What a browser must show; empty = only this machine can reach the page.
    port : int
        Where it is served.
    server : tornado.httpserver.HTTPServer or None
        What serves it; None = nobody yet.
    """

    fingers: Sequence[FingerProcess]
    token: str = ""
    port: int = 0
    server: tornado.httpserver.HTTPServer | None = None
    feeds: set[Feed] = field(default_factory=set)
    frame: int = 0

    def turn(self) -> None:
        """Send each browser what is new."""
        for finger in self.fingers:
            finger.listen()
        self.frame += 1
        for feed in tuple(self.feeds):
            feed.send_frame(with_words=self.frame % STATUS_FRAMES == 0)


class _Guarded(tornado.web.RequestHandler):
    """Lets in who shows the token, or, without one, who asks this machine by one of its own names."""

    def initialize(self, bench: Bench) -> None:
        """Take the shared state."""
        self.bench = bench

    def prepare(self) -> None:
        """Refuse strangers."""
        self.set_header("Content-Security-Policy", OWN_ONLY)
        self.set_header("X-Content-Type-Options", "nosniff")
        self.set_header("Referrer-Policy", "no-referrer")
        self.set_header("Cache-Control", "no-store")
        if self.bench.token:
            shown = self.get_query_argument("token", "") or self.get_cookie(self._cookie, "") or ""
            if not hmac.compare_digest(shown.encode(), self.bench.token.encode()):
                self._refuse("This page needs its token: open the address that soft-tactile page has printed.")
        elif not is_loopback(urlsplit(f"//{self.request.host}").hostname or ""):
            self._refuse("This page is for this machine: open it as localhost.")

    @property
    def _cookie(self) -> str:
        return f"soft_tactile_page_{self.bench.port}"

    def _refuse(self, text: str) -> None:
        self.set_status(403)
        self.set_header("Content-Type", "text/plain; charset=utf-8")
        self.finish(text + "\n")


class _PageFile(_Guarded):
    """One of `FILES`."""

    def get(self, name: str) -> None:
        """Send it; the page itself remembers the token."""
        folder, file, kind = FILES[name]
        if not name and self.bench.token:
            self.set_cookie(self._cookie, self.bench.token, httponly=True, samesite="Strict")
        self.set_header("Content-Type", f"{kind}; charset=utf-8")
        self.finish(resources.files(f"soft_tactile_node.{folder}").joinpath(file).read_bytes())


class _Report(_Guarded):
    """A report of a calibration that was made on this page."""

    def get(self, name: str) -> None:
        """Send it."""
        finger = next((finger for finger in self.bench.fingers if name in finger.reports), None)
        if finger is None:
            self.send_error(404)
            return
        self.set_header("Content-Security-Policy", REPORT_ONLY)
        self.set_header("Content-Type", "text/html; charset=utf-8")
        self.finish((finger.setup.folder / name).read_bytes())


class Feed(tornado.websocket.WebSocketHandler, _Guarded):
    """One browser: signals as bytes, words as JSON, commands back."""

    def open(self, *_arguments: str, **_named: str) -> None:
        """Say what there is, then send frames."""
        self.set_nodelay(True)
        plan = make_plan()
        hello = {
            "fingers": [
                {name: getattr(finger.setup, name) for name in ("name", "source", "kind", "not_led")}
                for finger in self.bench.fingers
            ],
            "spans_s": SPANS_S,
            "columns": COLUMNS,
            "colours": COLOURS,
            "cautions": plan.cautions,
            "preparations": plan.preparations,
        }
        self._told = [0] * len(self.bench.fingers)
        self._sent: Any = None
        self._say({"hello": hello})
        self._show(20.0)
        self.bench.feeds.add(self)

    def on_close(self) -> None:
        """Forget the browser."""
        self.bench.feeds.discard(self)

    def on_message(self, message: str | bytes) -> None:
        """Take a command."""
        try:
            asked = json.loads(message)
            if "span_s" in asked:
                self._show(SPANS_S[SPANS_S.index(float(asked["span_s"]))])
                return
            finger = self.bench.fingers[int(asked["finger"])]
            finger.send(check_command(asked))
        except (ValueError, KeyError, TypeError, IndexError) as error:
            self._say({"notice": f"the page asked for something unknown ({error}); load it again"})

    def send_frame(self, *, with_words: bool) -> None:
        """Send what is new; a browser that is slow gets fewer frames."""
        if self._sent is not None and not self._sent.done():
            return
        for thinner in self._thinners:
            columns = thinner.take()
            if columns:
                self._write(columns, binary=True)
        if with_words:
            self._say({"status": [{**f.status, "failure": f.failure} for f in self.bench.fingers]})
        events = [
            {"finger": number, **event}
            for number, finger in enumerate(self.bench.fingers)
            for event in finger.events
            if event["number"] > self._told[number]
        ]
        if events:
            self._told = [f.events[-1]["number"] if f.events else 0 for f in self.bench.fingers]
            self._say({"events": events})

    def _show(self, span_s: float) -> None:
        self._thinners = [Thinner(number, finger.ring, span_s) for number, finger in enumerate(self.bench.fingers)]
        self._say({"span_s": span_s})

    def _say(self, words: dict[str, Any]) -> None:
        self._write(json.dumps(words, allow_nan=False).encode(), binary=False)

    def _write(self, data: bytes, *, binary: bool) -> None:
        try:
            self._sent = self.write_message(data, binary=binary)
        except tornado.websocket.WebSocketClosedError:
            self.bench.feeds.discard(self)
        else:  # a browser that goes away while something is on its way to it is nothing to complain of
            self._sent.add_done_callback(lambda sent: sent.cancelled() or sent.exception())


def check_command(asked: dict[str, Any]) -> dict[str, Any]:
    """Return a command of a browser with nothing in it but what is known.

    Parameters
    ----------
    asked : dict
        As it came.

    Returns
    -------
    dict
        `do`, and what goes with it.

    Raises
    ------
    ValueError, KeyError, TypeError
        It is none.
    """
    do = asked["do"]
    if do not in COMMANDS:
        raise ValueError(f"no such command: {str(do)[:40]}")
    if do == "mark":
        text = "".join(letter for letter in str(asked["text"]) if letter.isprintable()).strip()
        return {"do": do, "text": text[:LONGEST_MARK] or "mark"}
    if do == "calibrate":
        numbers = {name: float(asked[name]) for name in ("max_pressure_pa", "full_force_n")}
        return {"do": do, **numbers, "read": asked["read"] is True}
    return {"do": do}


def is_loopback(host: str) -> bool:
    """Return whether a host name or address reaches this machine only."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def make_application(bench: Bench) -> tornado.web.Application:
    """Return the web application of a bench."""
    shared = {"bench": bench}
    return tornado.web.Application(
        [
            (r"/(|bench\.js|charts\.js|bench\.css|page\.css)", _PageFile, shared),
            (r"/reports/([\w.-]+\.html)", _Report, shared),
            (r"/feed", Feed, shared),
        ],
        websocket_max_message_size=LARGEST_MESSAGE,
        websocket_ping_interval=20,
        log_function=lambda _handler: None,
    )


def serve(bench: Bench, host: str, port: int) -> str:
    """Begin to serve on the event loop of this thread.

    Parameters
    ----------
    bench : Bench
        What to serve; its port and server are filled in.
    host : str
        Address of this machine.
    port : int
        Port (1); 0 = any free one.

    Returns
    -------
    str
        Address to open.

    Raises
    ------
    SourceError
        The address is not of this machine, or the port is taken.
    """
    try:
        sockets = tornado.netutil.bind_sockets(port, host, family=socket.AF_UNSPEC)
    except OSError as error:
        raise SourceError(
            f"page: {host} port {port} cannot be used ({error.strerror or error}); choose others with --host and --port"
        ) from None
    bench.port = sockets[0].getsockname()[1]
    bench.server = tornado.httpserver.HTTPServer(make_application(bench))
    bench.server.add_sockets(sockets)
    tornado.ioloop.PeriodicCallback(bench.turn, 1e3 * FRAME_S).start()
    shown = f"[{host}]" if ":" in host else host
    return f"http://{shown}:{bench.port}/" + (f"?token={bench.token}" if bench.token else "")
