"""The standard gripper action as a hold: position is the width, max_effort the normal force, stalled = holding.

It moves the gripper: read shared/docs/safety.md before something real moves.
"""

from __future__ import annotations

import math
from typing import Any

from soft_tactile_node.errors import RangeError
from soft_tactile_node.grasp.hold_sequence import HoldGoal

try:
    from control_msgs.action import GripperCommand as GripperCommand
except ImportError:  # not everywhere installed; the action is then left out and the reason said once
    GripperCommand = None

WHY_NOT = "no action gripper_cmd: control_msgs is not installed"


def available() -> bool:
    """Return whether the action can be served here."""
    return GripperCommand is not None


def wish_of(command: Any, open_m: float, limits: HoldGoal) -> HoldGoal | None:
    """Return what a command means for a gripper that feels.

    Parameters
    ----------
    command : control_msgs.msg.GripperCommand
        `position` (m) and `max_effort` (N per finger; 0 = as much as a hold takes by default).
    open_m : float
        Positions from this on mean: open (m).
    limits : HoldGoal
        Force of a hold by default, and the controller's limits.

    Returns
    -------
    HoldGoal or None
        None = to open; else to close until the fingers hold with `max_effort`: the object decides where they stop, so a
        width between is not approached without an object.

    Raises
    ------
    RangeError
        NaN or a negative effort; names the field.
    """
    if not math.isfinite(command.position):
        raise RangeError(f"position must be a finite width in m; got {command.position:g}")
    if not 0.0 <= command.max_effort < math.inf:
        raise RangeError(f"max_effort must be >= 0 N; got {command.max_effort:g}")
    if command.position >= open_m:
        return None
    normal_n = min(command.max_effort or limits.normal_n, limits.max_normal_n)
    return HoldGoal(normal_n, limits.max_normal_n, limits.max_pressure_pa, 0.0, release=False)


def fill(message: Any, width_m: float, effort_n: float, *, holding: bool, reached: bool) -> Any:
    """Fill a result or feedback of the action.

    Parameters
    ----------
    message : GripperCommand.Result or GripperCommand.Feedback
        To fill.
    width_m : float
        Width of the object (m); NaN = not known.
    effort_n : float
        Mean normal force of the fingers (N); NaN = not observed.
    holding : bool
        Whether an object is held: the standard's "stalled".
    reached : bool
        Whether the goal is reached: open when opening was asked for, an object no wider than asked held otherwise.

    Returns
    -------
    GripperCommand.Result or GripperCommand.Feedback
        The message.
    """
    message.position, message.effort = float(width_m), float(effort_n)
    message.stalled, message.reached_goal = bool(holding), bool(reached)
    return message
