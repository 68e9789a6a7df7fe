"""What a sensor loads to start, and what it leaves to do when it ends: both cost time, the first memory as well."""

from __future__ import annotations

import subprocess
import sys

UNUSED = {"bokeh", "jinja2", "joblib", "mcap", "pandas", "pint", "rosbags", "tornado", "tqdm"}
PARTS_UNUSED = {"scipy.signal", "scipy.stats", "scipy.optimize", "scipy.ndimage"}


def test_a_sensor_loads_nothing_of_what_it_leaves_to_other_processes() -> None:
    """Neither plots nor fits nor the formats of bags are in the process of a sensor."""
    program = "import sys\nimport soft_tactile_node.ros.nodes.tactile_sensor\nprint(*sys.modules)"
    run = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=120, check=True)
    assert (UNUSED | PARTS_UNUSED) & set(run.stdout.split()) == set()


STOPPED = """
import gc, os, signal, threading
from soft_tactile_node.ros.running.process import run
threading.Timer(0.1, os.kill, (os.getpid(), signal.SIGINT)).start()
print(run([], []), gc.get_freeze_count() > 1000, len(gc.get_objects()) < 1000)
"""


def test_nothing_is_left_to_clear_away_at_the_end() -> None:
    """A process that was asked to end does not search all it has loaded for garbage first."""
    run = subprocess.run([sys.executable, "-c", STOPPED], capture_output=True, text=True, timeout=120, check=True)
    assert run.stdout.split() == ["0", "True", "True"]
