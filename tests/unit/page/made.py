"""A finger for tests of the page: a simulated recording of the specimen that the shipped calibration is of."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from soft_tactile_node.commands._sources import open_source
from soft_tactile_node.page.finger_loop import FingerSetup
from soft_tactile_node.recordings import Recording, Truth, save_recording
from soft_tactile_node.simulation import simulate

CALIBRATION = Path(__file__).resolve().parents[3] / "config" / "calibrations" / "left_finger.yaml"


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
