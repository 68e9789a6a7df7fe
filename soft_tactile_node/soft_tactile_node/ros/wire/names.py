"""Names of neighbours: a gripper node finds its fingers beside its own namespace."""

from __future__ import annotations


def sibling(namespace: str, name: str) -> str:
    """Return the namespace of a finger as seen from a gripper node.

    Parameters
    ----------
    namespace : str
        Fully qualified namespace of the gripper node, e.g. "/cell_1/gripper".
    name : str
        Finger, e.g. "left_finger"; with a leading slash it is taken as it is.

    Returns
    -------
    str
        E.g. "/cell_1/left_finger".
    """
    if name.startswith("/"):
        return name.rstrip("/")
    parent = namespace.rstrip("/").rsplit("/", 1)[0]
    return f"{parent}/{name.rstrip('/')}"


def frame_prefix(namespace: str) -> str:
    """Return the start of the frame names of a namespace: "/cell_1/left_finger" gives "cell_1_left_finger"."""
    return namespace.strip("/").replace("/", "_")
