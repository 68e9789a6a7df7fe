"""Where scans come from: simulated finger, serial port, UDP, recording; one protocol for all, no ROS 2."""

from soft_tactile_node.sources.kinds import SourceName
from soft_tactile_node.sources.naming import make_source, parse_source
from soft_tactile_node.sources.protocol import Counters, Reading, Source
from soft_tactile_node.sources.tank import Tank, load_tank

__all__ = ["Counters", "Reading", "Source", "SourceName", "Tank", "load_tank", "make_source", "parse_source"]
