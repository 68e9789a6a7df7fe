"""Source `simulated[:SCENARIO]`: plays a scenario of the simulated finger."""

from __future__ import annotations

from soft_tactile_node.errors import SourceError
from soft_tactile_node.recordings import Recording
from soft_tactile_node.sources.kinds import SourceName
from soft_tactile_node.sources.recorded import Played
from soft_tactile_node.words import SCENARIOS


class Simulated(Played):
    """A scenario."""

    bare = "pick-bun"

    def parse(self, text: str, target: str) -> SourceName:
        """Return the scenario `target` of the source string `text`."""
        if target not in SCENARIOS:
            known = ", ".join(SCENARIOS)
            raise SourceError(f"source {text!r}: the scenario must be one of {known}; got {target!r}")
        return SourceName("simulated", target)

    def load(self, target: str) -> Recording:
        """Return the recording of the scenario `target`."""
        from soft_tactile_node.simulation import simulate

        return simulate(target)[0]


SOURCE = Simulated()
"""The kind."""
