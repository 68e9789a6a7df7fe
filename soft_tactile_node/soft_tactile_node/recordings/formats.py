"""Which format a file is in, by the ending of its name; the one place that decides.

The libraries of MCAP files take 20 MB and a third of a second, so they are loaded when the first such file is met.
"""

from __future__ import annotations

from pathlib import Path

from soft_tactile_node.errors import RecordingError
from soft_tactile_node.recordings import csv_files
from soft_tactile_node.recordings.live import CsvWriter, RecordingWriter
from soft_tactile_node.recordings.tables import EstimateTable, Recording, Truth
from soft_tactile_node.samples import ContactEvent

MCAP = ".mcap"
CSV = ".csv"


def is_mcap(path: str | Path) -> bool:
    """Return whether `path` names a recording of topics: it ends in .mcap or is a folder; else it is read as CSV."""
    return Path(path).suffix.lower() == MCAP or Path(path).is_dir()


def load_recording(
    path: str | Path, *, reference: bool = True, namespace: str | None = None, tare_s: float = 1.0
) -> Recording:
    """Read a recording: CSV, or MCAP of `ros2 bag record -s mcap`, a file or its folder.

    Parameters
    ----------
    path : str or pathlib.Path
        The file.
    reference : bool
        False leaves out reference force and bend, unread.
    namespace : str or None
        Namespace of the finger in an MCAP; None = there is only one.
    tare_s : float
        How long an MCAP's absolute pressure is taken as vented (s), from the first scan.

    Returns
    -------
    Recording
        The recording, stamps as they are; `remarks` say what of a damaged file was left out.

    Raises
    ------
    RecordingError
        "file, place: what; what to do".
    """
    if is_mcap(path):
        from soft_tactile_node.recordings import mcap_files

        return mcap_files.load_mcap_recording(path, reference=reference, namespace=namespace, tare_s=tare_s)
    return csv_files.load_recording(path, reference=reference)


def save_recording(recording: Recording, path: str | Path) -> None:
    """Write a recording, atomically, as CSV, or as topics where the name ends in .mcap.

    Parameters
    ----------
    recording : Recording
        What to write. Indentation, bend and unknown columns have no topic; an MCAP leaves them out.
    path : str or pathlib.Path
        File to write.

    Raises
    ------
    RecordingError
        If the file cannot be written; an older file is left as it was.
    """
    if is_mcap(path):
        from soft_tactile_node.recordings import mcap_writer

        mcap_writer.save_mcap_recording(recording, path)
    else:
        csv_files.save_recording(recording, path)


def load_truth(path: str | Path, *, namespace: str | None = None) -> Truth:
    """Read a truth: CSV, or the topic `truth` of an MCAP.

    Parameters
    ----------
    path : str or pathlib.Path
        The file.
    namespace : str or None
        Namespace of the finger in an MCAP; None = there is only one.

    Returns
    -------
    Truth
        The truth.

    Raises
    ------
    RecordingError
        "file, place: what; what to do".
    """
    if is_mcap(path):
        from soft_tactile_node.recordings import mcap_files

        return mcap_files.load_mcap_truth(path, namespace=namespace)
    return csv_files.load_truth(path)


def save_truth(truth: Truth, path: str | Path) -> None:
    """Write a truth, atomically, as CSV, or as a topic where the name ends in .mcap.

    Parameters
    ----------
    truth : Truth
        What to write.
    path : str or pathlib.Path
        File to write.

    Raises
    ------
    RecordingError
        If the file cannot be written; an older file is left as it was.
    """
    if is_mcap(path):
        from soft_tactile_node.recordings import mcap_writer

        mcap_writer.save_mcap_truth(truth, path)
    else:
        csv_files.save_truth(truth, path)


def load_estimate(path: str | Path, *, namespace: str | None = None) -> EstimateTable:
    """Read an estimate: CSV, or the topic `pad_estimate` of an MCAP.

    Parameters
    ----------
    path : str or pathlib.Path
        The file.
    namespace : str or None
        Namespace of the finger in an MCAP; None = there is only one.

    Returns
    -------
    EstimateTable
        The estimate.

    Raises
    ------
    RecordingError
        "file, place: what; what to do".
    """
    if is_mcap(path):
        from soft_tactile_node.recordings import mcap_files

        return mcap_files.load_mcap_estimate(path, namespace=namespace)
    return csv_files.load_estimate(path)


def load_events(path: str | Path, *, namespace: str | None = None) -> list[ContactEvent]:
    """Read events: CSV, or the topic `contact_events` of an MCAP.

    Parameters
    ----------
    path : str or pathlib.Path
        The file.
    namespace : str or None
        Namespace of the finger in an MCAP; None = there is only one.

    Returns
    -------
    list of ContactEvent
        In order.

    Raises
    ------
    RecordingError
        "file, place: what; what to do".
    """
    if is_mcap(path):
        from soft_tactile_node.recordings import mcap_files

        return mcap_files.load_mcap_events(path, namespace=namespace)
    return csv_files.load_events(path)


def open_recording_writer(path: str | Path) -> RecordingWriter:
    """Return a writer for a recording while it is made; its ending says in which format.

    Parameters
    ----------
    path : str or pathlib.Path
        The recording to make.

    Returns
    -------
    RecordingWriter
        To be started.

    Raises
    ------
    RecordingError
        An ending nobody knows, a folder that cannot be written to, or an unfinished recording of that name.
    """
    target = Path(path)
    if target.suffix.lower() not in (CSV, MCAP):
        raise RecordingError(f"{target}: the name of a recording must end in {CSV} or {MCAP}; rename it")
    if target.is_dir():
        raise RecordingError(f"{target}: is a folder; name a file in it")
    if is_mcap(target):
        from soft_tactile_node.recordings import mcap_writer

        return mcap_writer.McapWriter(target)
    return CsvWriter(target)
