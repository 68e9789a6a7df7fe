"""The bench page in a real browser: what a person sees and presses, by role and text."""

from __future__ import annotations

import asyncio
import csv
import io
import os
import re
import subprocess
import sys
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from browser.devtools import Tab, find_chromium
from soft_tactile_node.calibration import load_calibration
from soft_tactile_node.estimation import Estimator
from soft_tactile_node.recordings import Recording, load_recording, save_recording
from soft_tactile_node.samples import Array
from unit.page.made import CALIBRATION, touches
from unit.reports.test_page import make_page

CHROMIUM = find_chromium()
AXE = os.environ.get("SOFT_TACTILE_AXE", "")
"""axe.min.js of the npm package axe-core, where there is one."""

pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="needs Chromium (Debian: apt-get install chromium)"),
]

WATCH_EVENTS = """
window.seen = [];
new MutationObserver((changes) => changes.forEach((change) => change.addedNodes.forEach((item) =>
  window.seen.push([item.className, Number(item.dataset.stamp), Date.now() / 1000]))))
  .observe(document.getElementById("events"), { childList: true });
window.drawn = 0;
const clear = CanvasRenderingContext2D.prototype.clearRect;
CanvasRenderingContext2D.prototype.clearRect = function (...box) {
  if (this.canvas === document.querySelector("#charts canvas")) window.drawn += 1;
  return clear.apply(this, box);
};
"""

CATCH_FILES = """
window.files = [];
URL.createObjectURL = (file) => { file.text().then((text) => window.files.push(text)); return "data:,"; };
URL.revokeObjectURL = () => {};
HTMLAnchorElement.prototype.click = () => {};
"""


def visit(folder: Path, words: list[str], work: Callable[[Tab], Awaitable[Any]]) -> Any:
    """Run `soft-tactile page`, look at it with a browser, do some work, and see that nothing was complained of."""
    entry = "from soft_tactile_node.commands.main import main; main()"
    command = [sys.executable, "-c", entry, "page", "--port", "0", "--folder", str(folder), *words]
    page = subprocess.Popen(command, stdout=-1, stderr=-1, text=True)
    assert page.stdout is not None
    address = re.search(r"http\S+", page.stdout.readline())

    async def run() -> Any:
        assert CHROMIUM is not None
        assert address is not None, page.communicate()
        tab = await Tab.open(CHROMIUM, folder / "profile", address[0])
        try:
            await tab.wait("document.querySelector('#channels tr')")
            await tab.run(WATCH_EVENTS)
            done = await work(tab)
            assert tab.complaints == []
            return done
        finally:
            await tab.close()

    try:
        return asyncio.run(run())
    finally:
        page.terminate()
        assert page.communicate(timeout=30.0)[1] == ""


def play_touches(path: Path) -> Array:
    """Write a recording of touches after a longer rest; returns their onsets since its beginning (s)."""
    played, truth = touches()
    rest, rests = 380, 3  # scans of the 2 s of rest that are repeated
    rows = np.concatenate([*[np.arange(rest)] * rests, np.arange(len(played))])
    save_recording(
        Recording(
            np.arange(rows.size) / 200.0,
            played.pressure_pa[rows],
            played.inductance_h[rows],
            played.temperature_c[rows],
        ),
        path,
    )
    onsets = np.flatnonzero(np.diff(truth.in_contact.astype(int)) == 1) + 1
    return (onsets + rest * rests) / 200.0


def click(name: str) -> str:
    """Return a script that clicks the button of an accessible name."""
    return f"[...document.querySelectorAll('button')].find((one) => one.textContent.trim() === {name!r}).click()"


async def check_access(tab: Tab) -> None:
    """Find nothing serious with axe, in light and dark."""
    for scheme in ("light", "dark"):
        await tab.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])
        await tab.call("Runtime.evaluate", expression=Path(AXE).read_text())
        found = await tab.run(
            "axe.run().then((found) => found.violations.map((one) => [one.impact, one.id, one.help]))"
        )
        assert [one for one in found if one[0] in ("serious", "critical")] == [], scheme


def test_touches_records_and_keys(tmp_path: Path) -> None:
    """Touches are seen before the next ones, frames are drawn; keys reach the buttons; a recording replays."""
    onsets_s = play_touches(tmp_path / "played.csv")

    async def work(tab: Tab) -> tuple[Any, float]:
        await tab.wait("window.seen.some(([kind]) => kind === 'source')")  # from the beginning, vented and free
        await tab.wait("document.getElementById('state').textContent === 'free'")
        await tab.run(click("Tare"))
        await tab.wait("document.getElementById('state').textContent.startsWith('taking the tare')")
        await tab.run("window.seen = window.seen.filter(([kind]) => kind === 'source')")
        await tab.run("document.getElementById('record').focus()")
        await tab.press("Enter", 13)
        await tab.wait("document.getElementById('record').textContent === 'Stop recording'")
        await tab.press("Tab", 9)
        assert await tab.run("document.activeElement.id") == "mark-text"
        await tab.call("Input.insertText", text="a bun")
        await tab.press("Enter", 13)
        await tab.wait("document.querySelector('#events .mark')?.textContent.includes('a bun')")
        drawn, then_ms = await tab.run("[window.drawn, performance.now()]")
        await tab.wait("window.seen.filter(([kind]) => kind === 'contact').length > 1")
        now_drawn, now_ms = await tab.run("[window.drawn, performance.now()]")
        await tab.run(click("Tare"))
        await tab.wait("document.getElementById('trouble').textContent.startsWith('tare refused: ')")
        await tab.run(click("Stop recording"))
        await tab.wait("document.getElementById('saved').textContent.startsWith('saved')")
        if AXE:
            await check_access(tab)
        return await tab.run("window.seen"), 1e3 * (now_drawn - drawn) / (now_ms - then_ms)

    words = ["--source", f"recording:{tmp_path / 'played.csv'}", "--calibration", str(CALIBRATION)]
    seen, frames_hz = visit(tmp_path, words, work)
    assert frames_hz > 10.0  # 25 are sent; a busy machine is no failure
    began_s = min(stamp for kind, stamp, _ in seen if kind == "source")
    # the stamp of "begins again" is that of the last scan before: the new run starts within a moment of it
    shown_s = np.array([shown - began_s for kind, stamp, shown in seen if kind == "contact" and stamp > began_s])
    late_s = [float(np.min(np.where(shown_s > onset, shown_s - onset, np.inf))) for onset in onsets_s[:2]]
    print("touches on the page after", ", ".join(f"{late:.2f} s" for late in late_s))  # 0.5 s is what it is made for
    assert max(late_s) < float(np.diff(onsets_s).min()), "each touch is shown before the next begins"
    path = next(path for path in tmp_path.glob("finger_*.csv") if not path.stem.endswith("_log"))
    _, events = Estimator(load_calibration(CALIBRATION)).replay(load_recording(path))
    assert sum(event.kind.value == "contact" for event in events) >= 2
    assert "a bun" in path.with_name(f"{path.stem}_log.csv").read_text()


def test_guided_calibration_to_its_report(tmp_path: Path) -> None:
    """The simulated finger is calibrated from the page after the cautions are read; its touches are then seen."""

    async def work(tab: Tab) -> str:
        assert await tab.run("document.getElementById('tare').disabled")
        shown = "[...document.querySelectorAll('#charts figure:not([hidden]) strong')].map((one) => one.textContent)"
        assert await tab.run(shown) == ["Raw, off its mean (nH)", "Pressure (kPa)"]  # nothing is estimated yet
        await tab.run(click("Calibrate…"))
        assert "Keep hands out while anything moves" in await tab.run("document.getElementById('ask').innerText")
        await tab.run(click("Start the calibration"))
        assert await tab.run("document.getElementById('ask').open"), "the cautions must be read first"
        await tab.run("document.getElementById('read').click()")
        await tab.run(click("Start the calibration"))
        await tab.wait("document.getElementById('instruction').textContent.startsWith('keep everything away')")
        await tab.wait("document.getElementById('instruction').textContent.includes('press to')", 120.0)
        await tab.wait("!document.getElementById('report').hidden", 180.0)
        report = str(await tab.run("fetch(document.getElementById('report').href).then((answer) => answer.text())"))
        await tab.wait("document.querySelector('#events .contact')", 120.0)
        assert len(await tab.run(shown)) == 7
        return report

    report = visit(tmp_path, ["--source", "simulated:light-touch"], work)
    assert "<h1>" in report
    assert load_calibration(tmp_path / "finger.yaml").channels == 4
    assert len(list(tmp_path.glob("finger_*.csv"))) >= 2
    assert list(tmp_path.glob(".finger*")) == []


PRINTED = """
(() => {
  window.dispatchEvent(new Event("beforeprint"));
  const drawn = window.Bokeh.index[window.Bokeh.documents[0].roots()[0].id].canvas_view.primary.canvas;
  return [...drawn.getContext("2d").getImageData(2, 2, 1, 1).data];
})()
"""


def test_a_dark_page_is_printed_on_white(tmp_path: Path) -> None:
    """What goes to paper is drawn at once in the colours of paper, whatever the screen has."""
    make_page().write(tmp_path / "report.html")

    async def show() -> tuple[list[int], list[int]]:
        assert CHROMIUM is not None
        tab = await Tab.open(CHROMIUM, tmp_path / "profile", (tmp_path / "report.html").as_uri())
        try:
            await tab.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": "dark"}])
            await tab.wait("window.Bokeh?.documents.length && document.querySelector('.plot canvas, .bk-Figure')")
            await tab.wait(f"({PRINTED.replace('beforeprint', 'nothing').strip()})[0] === 20")
            dark = await tab.run(PRINTED.replace("beforeprint", "nothing"))
            return list(dark), list(await tab.run(PRINTED))
        finally:
            await tab.close()

    dark, printed = asyncio.run(show())
    assert dark[:3] == [20, 24, 28]
    assert printed[:3] == [255, 255, 255]


def test_plots_of_a_report_are_saved(tmp_path: Path) -> None:
    """The buttons below a plot give its drawing as SVG, and the numbers behind it with names and units as CSV."""
    make_page().write(tmp_path / "report.html")

    async def save() -> list[str]:
        assert CHROMIUM is not None
        tab = await Tab.open(CHROMIUM, tmp_path / "profile", (tmp_path / "report.html").as_uri())
        try:
            await tab.wait("window.Bokeh?.documents.length && document.querySelector('.plot canvas, .bk-Figure')")
            await tab.run(CATCH_FILES)
            for name in ("Save as SVG", "Save numbers as CSV"):
                await tab.run(click(name))
            await tab.wait("window.files.length === 2")
            return list(await tab.run("window.files.sort()"))
        finally:
            await tab.close()

    drawing, numbers = asyncio.run(save())
    assert drawing.startswith("<svg")
    assert "force z (N)" in drawing
    rows = list(csv.DictReader(io.StringIO(numbers)))
    estimate = [float(row["y: force z (N)"]) for row in rows if row["curve"] == "estimate"]
    assert_allclose(estimate, np.sin(np.linspace(0.0, 10.0, 500)), atol=1e-12)
    assert {row["curve"] for row in rows} == {"± 2 sigma", "estimate", "reference", "curve 4"}
    assert "time (s)" in numbers.splitlines()[0]
