"""Any lab log into a recording: columns, units, counts to inductance, two clocks on one."""

from soft_tactile_node.importing.clocks import ClockOffset, find_offset
from soft_tactile_node.importing.convert import Imported, import_log
from soft_tactile_node.importing.map_file import load_map
from soft_tactile_node.importing.schema import LogMap

__all__ = ["ClockOffset", "Imported", "LogMap", "find_offset", "import_log", "load_map"]
