from __future__ import annotations

import pytest

from soft_tactile_node.ros.wire.names import frame_prefix, sibling


@pytest.mark.parametrize(
    ("namespace", "name", "expected"),
    [
        ("/gripper", "left_finger", "/left_finger"),
        ("/cell_1/gripper", "left_finger", "/cell_1/left_finger"),
        ("/gripper", "/other/finger", "/other/finger"),
        ("/", "finger", "/finger"),
    ],
)
def test_finds_fingers_beside_the_gripper(namespace: str, name: str, expected: str) -> None:
    """A finger lives beside the namespace of its gripper unless its name is absolute."""
    assert sibling(namespace, name) == expected


def test_frames_carry_the_namespace() -> None:
    """Frame names have no slashes."""
    assert frame_prefix("/cell_1/left_finger") == "cell_1_left_finger"
