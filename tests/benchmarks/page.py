"""What the bench page costs: processor time of the fingers' processes with nobody looking and with a page open.

Four simulated fingers play at 1 kHz, as they do for `soft-tactile page`. First nobody is connected, then a browser
that takes every frame (Chromium where there is one, else a client that only reads), then nobody again. The time of the
fingers' processes is their own count; the two spans without a page are averaged, so that a drift of the machine's
speed counts half. Figures, not gates: load shows in them.

Last measured, on two quiet cores (spans of 10 s): the fingers, at 997 Hz, took 37 and 41 % of a core with nobody
looking and 38 % with a page open, so that the page costs less than the spans differ; 26 frames a second were drawn.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tornado.websocket import websocket_connect

from browser.devtools import Tab, find_chromium
from soft_tactile_node.commands._sources import open_source
from soft_tactile_node.page.finger_loop import FingerSetup
from soft_tactile_node.page.finger_process import FingerProcess
from soft_tactile_node.page.server import Bench, serve
from soft_tactile_node.recordings import save_recording
from soft_tactile_node.simulation import simulate

ROOT = Path(__file__).resolve().parents[2]
CALIBRATION = ROOT / "config" / "calibrations" / "left_finger.yaml"
RATE_HZ = 1000.0
COUNT_DRAWN = """
window.drawn = 0;
const clear = CanvasRenderingContext2D.prototype.clearRect;
CanvasRenderingContext2D.prototype.clearRect = function (...box) {
  if (this.canvas === document.querySelector("#charts canvas")) window.drawn += 1;
  return clear.apply(this, box);
};
"""


async def busy(fingers: list[FingerProcess], span_s: float) -> tuple[float, float]:
    """Return processor time over time (1) of all fingers, and the lowest scan rate (Hz), over a span (s)."""
    await asyncio.sleep(1.0)
    before = [(finger.status["cpu_s"], finger.status["time_s"]) for finger in fingers]
    await asyncio.sleep(span_s)
    spans = [
        (finger.status["cpu_s"] - cpu_s, finger.status["time_s"] - time_s)
        for finger, (cpu_s, time_s) in zip(fingers, before, strict=True)
    ]
    rate_hz = min(finger.status["rate_hz"] for finger in fingers)
    return sum(cpu_s for cpu_s, _ in spans) / (sum(time_s for _, time_s in spans) / len(fingers)), rate_hz


async def look(address: str, fingers: list[FingerProcess], span_s: float) -> tuple[float, float, str]:
    """Return processor time (1) with a page open, frames per second (Hz), and who looked."""
    program = find_chromium()
    if program is None:
        connection = await websocket_connect(address.replace("http", "ws") + "feed")
        frames = 0

        async def read() -> None:
            nonlocal frames
            while (message := await connection.read_message()) is not None:
                frames += isinstance(message, bytes)

        reader = asyncio.ensure_future(read())
        share, _ = await busy(fingers, span_s)
        reader.cancel()
        connection.close()
        return share, frames / (span_s + 1.0) / len(fingers), "a client without a screen"
    with tempfile.TemporaryDirectory() as profile:
        tab = await Tab.open(program, Path(profile), address)
        await tab.wait("document.querySelector('#channels tr')")
        await tab.run(COUNT_DRAWN)
        drawn, then_ms = await tab.run("[window.drawn, performance.now()]")
        share, _ = await busy(fingers, span_s)
        now_drawn, now_ms = await tab.run("[window.drawn, performance.now()]")
        await tab.close()
    return share, 1e3 * (now_drawn - drawn) / (now_ms - then_ms), "Chromium, headless"


async def measure(fingers: list[FingerProcess], span_s: float) -> None:
    """Measure and print."""
    address = serve(Bench(fingers), "127.0.0.1", 0)
    before, rate_hz = await busy(fingers, span_s)
    during, frames_hz, who = await look(address, fingers, span_s)
    after, _ = await busy(fingers, span_s)
    alone = 0.5 * (before + after)
    print(f"{len(fingers)} fingers at {rate_hz:.0f} Hz, spans of {span_s:g} s, looked at by {who}")
    print(f"processor time of the fingers, nobody looks   {100 * before:6.1f} % and {100 * after:.1f} % of a core")
    print(f"processor time of the fingers, a page open    {100 * during:6.1f} % of a core")
    print(f"a page adds                                   {100 * (during / alone - 1):+6.1f} %")
    print(f"frames drawn                                  {frames_hz:6.1f} per second")


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description="Processor time of the bench page's fingers, with and without a page.")
    parser.add_argument("--fingers", type=int, default=4)
    parser.add_argument("--seconds", type=float, default=10.0, help="length of each span (s)")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "pick.csv"
        save_recording(simulate("pick-roll", seed=1, rate_hz=RATE_HZ, duration_s=60.0)[0], path)
        source = f"recording:{path}"
        fingers = [
            FingerProcess(
                FingerSetup(f"finger_{k}", source, "recording", partial(open_source, source), CALIBRATION, "",
                            Path(folder), "light")
            )
            for k in range(chosen.fingers)
        ]  # fmt: skip
        try:
            for finger in fingers:
                finger.start()
            asyncio.run(measure(fingers, chosen.seconds))
        finally:
            for finger in fingers:
                finger.stop()


if __name__ == "__main__":
    main()
