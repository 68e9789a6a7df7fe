from __future__ import annotations

import pytest

from soft_tactile_node.errors import SourceError
from soft_tactile_node.sources import make_source, parse_source
from soft_tactile_node.sources.kinds import SourceName
from soft_tactile_node.sources.serial_port import DEFAULT_BAUD


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("simulated", SourceName("simulated", "pick-bun")),
        ("simulated:hold", SourceName("simulated", "hold")),
        ("serial:/dev/ttyACM0", SourceName("serial", "/dev/ttyACM0", DEFAULT_BAUD)),
        ("serial:/dev/ttyACM0@115200", SourceName("serial", "/dev/ttyACM0", 115200)),
        ("serial:/dev/by-id/bun@tray-if00", SourceName("serial", "/dev/by-id/bun@tray-if00", DEFAULT_BAUD)),
        ("serial:COM3@921600", SourceName("serial", "COM3", 921600)),
        ("udp:0.0.0.0:7700", SourceName("udp", "0.0.0.0", 7700)),
        ("udp:[::1]:7700", SourceName("udp", "::1", 7700)),
        ("recording:a:b.csv", SourceName("recording", "a:b.csv")),
        ("ros:/left_finger", SourceName("ros", "/left_finger")),
        ("ros:/", SourceName("ros", "/")),
    ],
)
def test_names_are_understood(text: str, name: SourceName) -> None:
    """Every form gives its parts, and the name written out again means the same."""
    assert parse_source(text) == name
    assert parse_source(str(name)) == name


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "source must be one of simulated"),
        ("/dev/ttyACM0", "source must be one of simulated"),
        ("usb:1", "got 'usb:1'"),
        ("serial", "source must be one of"),
        ("serial:", "names nothing; write serial:PORT[@BAUD]"),
        ("serial:@9600", "names no port"),
        ("serial:/dev/ttyACM0@0", "the baud rate must be 50 to 20000000; got 0"),
        ("serial:/dev/ttyACM0@-9600", "got -9600"),
        ("udp:localhost", "must be udp:HOST:PORT"),
        ("udp:::1:7700", "IPv6 in brackets"),
        ("udp:0.0.0.0:70000", "the port must be 1 to 65535; got 70000"),
        ("udp:0.0.0.0:0", "the port must be 1 to 65535; got 0"),
        ("simulated:lunch", "the scenario must be one of free-bend"),
        ("simulated:", "the scenario must be one of"),
        ("recording:", "write recording:FILE"),
        ("ros:left", "the namespace must look like /left_finger; got 'left'"),
        ("ros:/left/", "the namespace must look like"),
    ],
)
def test_wrong_names_are_refused(text: str, words: str) -> None:
    """What is wrong with a name is said in one line."""
    with pytest.raises(SourceError) as caught:
        parse_source(text)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_ros_is_asked_for_by_name(monkeypatch: pytest.MonkeyPatch) -> None:
    """A source on ROS 2 is not made where ROS 2 is missing, and the refusal says what to do."""
    monkeypatch.setattr("importlib.util.find_spec", lambda _name: None)
    with pytest.raises(SourceError, match="source ros:/left_finger needs ROS 2 and soft_tactile_msgs"):
        make_source(parse_source("ros:/left_finger"))
