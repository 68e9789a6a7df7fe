"""A source is known in one place: a sixth one, made up here, is recorded from and read by a node."""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from soft_tactile_msgs.msg import CoilReadings

from graph.graph_tools import ACTIVATE, CONFIGURE, Graph
from soft_tactile_node.commands.main import run
from soft_tactile_node.errors import SourceError
from soft_tactile_node.recordings import Recording, load_recording
from soft_tactile_node.registry import SOURCES, SourceEntry
from soft_tactile_node.ros.nodes import coil_reader
from soft_tactile_node.ros.parameters import device
from soft_tactile_node.ros.parameters.spec import markdown_table
from soft_tactile_node.ros.wire import qos
from soft_tactile_node.sources.kinds import Setting, SourceName
from soft_tactile_node.sources.recorded import Played


class Counting(Played):
    """A coil that rises by a nanohenry in each row."""

    settings = (Setting("counting_rows", 100, "Rows of the source `counting`.", low=2, high=10_000),)

    def parse(self, text, target):
        """Return the number of rows."""
        if not target.isdigit():
            raise SourceError(f"source {text!r} must be counting:ROWS")
        return SourceName("counting", target)

    def load(self, target):
        """Return the rows."""
        rows = np.arange(float(target))
        return Recording(
            time_s=rows / 100.0,
            pressure_pa=np.zeros_like(rows),
            inductance_h=1e-6 + 1e-9 * rows[:, None],
            temperature_c=np.full_like(rows, 22.0),
        )

    def named_by(self, settings):
        """Return the number of rows."""
        return SourceName("counting", str(settings["counting_rows"]))


SOURCE = Counting()


@pytest.fixture(autouse=True)
def sixth(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Register the source: one line; the tables of the nodes are made anew, as at a start."""
    with monkeypatch.context() as patched:
        patched.setitem(SOURCES, "counting", SourceEntry("counting", "counting:ROWS", "a counting coil", __name__))
        patched.setattr(coil_reader, "READER", importlib.reload(device).READER)
        yield
    importlib.reload(device)


def test_sixth_source_is_recorded(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The command line takes it by its name, and says its form where a name is wrong."""
    path = tmp_path / "counted.csv"
    assert run(["record", "--source", "counting:40", "--out", str(path)]) == 0
    np.testing.assert_allclose(load_recording(path).inductance_h[[0, -1], 0], [1e-6, 1.039e-6], rtol=1e-9, atol=0)
    assert run(["record", "--source", "count", "--out", str(path)]) == 1
    assert "ros:/NAMESPACE, counting:ROWS; got 'count'" in capsys.readouterr().err


def test_sixth_source_is_read_by_a_node(live: Graph) -> None:
    """A node takes it by its name and its own parameter, both of which stand in the table for the docs."""
    live.add(
        coil_reader.CoilReader,
        namespace="finger",
        parameters={"autostart": False, "source": "counting", "counting_rows": 30},
    )
    assert live.transition("/finger/coil_reader", CONFIGURE)
    heard = live.listen(CoilReadings, "/finger/coils", qos.sensor_data(500))
    live.wait(lambda: live.client.count_subscribers("/finger/coils"), "subscription")
    assert live.transition("/finger/coil_reader", ACTIVATE)
    live.wait(lambda: heard and heard[-1].scan == 29, "the last row")
    assert heard[-1].inductance[0] == pytest.approx(1.029e-6)
    table = markdown_table(device.READER)
    assert "a serial port, UDP, a recording or a counting coil" in table
    assert "`counting_rows`" in table
