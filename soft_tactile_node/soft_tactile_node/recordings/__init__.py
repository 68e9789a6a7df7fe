"""Recordings, truths, estimates and events: in memory and as files."""

from soft_tactile_node.recordings.atomic import write_atomically
from soft_tactile_node.recordings.csv_files import save_estimate, save_events
from soft_tactile_node.recordings.formats import (
    load_estimate,
    load_events,
    load_recording,
    load_truth,
    open_recording_writer,
    save_recording,
    save_truth,
)
from soft_tactile_node.recordings.live import Layout, RecordingWriter, recover_recording
from soft_tactile_node.recordings.tables import EstimateTable, Recording, Truth

__all__ = [
    "EstimateTable",
    "Layout",
    "Recording",
    "RecordingWriter",
    "Truth",
    "load_estimate",
    "load_events",
    "load_recording",
    "load_truth",
    "open_recording_writer",
    "recover_recording",
    "save_estimate",
    "save_events",
    "save_recording",
    "save_truth",
    "write_atomically",
]
