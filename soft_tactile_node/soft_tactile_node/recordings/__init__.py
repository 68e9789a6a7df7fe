"""Recordings, truths, estimates and events: in memory and as files."""

from soft_tactile_node.recordings.atomic import write_atomically
from soft_tactile_node.recordings.csv_files import (
    load_estimate,
    load_events,
    load_recording,
    load_truth,
    save_estimate,
    save_events,
    save_recording,
    save_truth,
)
from soft_tactile_node.recordings.tables import EstimateTable, Recording, Truth

__all__ = [
    "EstimateTable",
    "Recording",
    "Truth",
    "load_estimate",
    "load_events",
    "load_recording",
    "load_truth",
    "save_estimate",
    "save_events",
    "save_recording",
    "save_truth",
    "write_atomically",
]
