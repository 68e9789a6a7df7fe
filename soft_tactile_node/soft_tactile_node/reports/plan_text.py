"""The bench protocol as text for people and as plain data for machines."""

from __future__ import annotations

import textwrap
from typing import Any

from soft_tactile_node.protocol.plan import Plan
from soft_tactile_node.protocol.plan_parts import PlannedRecording, Waypoint

WIDTH = 110
"""Longest line (characters)."""


def format_plan(plan: Plan) -> str:
    """Return `plan` as lines of text: cautions first, then what to do in order."""
    limits = plan.limits
    missing = [
        name for name, value in (("pressure", limits.pressure_pa), ("normal force", limits.force_n)) if value is None
    ]
    lines = ["Bench protocol for a calibration"]
    if missing:
        lines += _wrap(
            f"Sizes are shares of your limits; say the highest {' and '.join(missing)} to see them in units."
        )
    lines += ["", "Safety, before anything moves"]
    lines += [line for text in plan.cautions for line in _wrap(text, "  ! ")]
    lines += ["", "Before the first recording"]
    lines += [line for number, text in enumerate(plan.preparations, 1) for line in _wrap(text, f"{number:>3}. ")]
    for recording in plan.recordings:
        lines += ["", *_describe(recording)]
    kinds = {kind: [r.name for r in plan.recordings if r.kind == kind] for kind in ("free_bend", "press")}
    lines += ["", "Then", "  soft-tactile calibrate"]
    for option, kind in (("--free-bend", "free_bend"), ("--press", "press")):
        lines[-1] += f" {option} " + " ".join(f"{name}.csv" for name in kinds[kind])
    lines[-1] += " --out finger.yaml --report finger.html"
    return "\n".join(lines)


def _describe(recording: PlannedRecording) -> list[str]:
    purpose = recording.purpose + _optional(recording.price)
    lines = _wrap(f"Recording {recording.name}.csv, {_clock(recording.duration_s)}: {purpose}")
    for step in recording.steps:
        lines += _wrap(step.text + _optional(step.price), f"  {_clock(step.start_s):>5}  ")
    return lines


def _optional(price: str) -> str:
    return f" (if possible; without it {price})" if price else ""


def _clock(time_s: float) -> str:
    return f"{int(time_s) // 60}:{int(time_s) % 60:02d}"


def _wrap(text: str, lead: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=lead, subsequent_indent=" " * len(lead), break_on_hyphens=False)


def plan_to_json(plan: Plan) -> dict[str, Any]:
    """Return the protocol as plain data.

    Parameters
    ----------
    plan : Plan
        The protocol.

    Returns
    -------
    dict
        `limits`, `cautions`, `preparations`, `recordings`; each recording with its `steps` and, for a rig, a `path` of
        waypoints joined by straight lines: shares (1) of the limits and, where the limits are known, Pa and N; the
        place of a press from the middle of the pad (m), None = anywhere within 2 mm of it, sheared ones in the middle.
        An optional step is left out with its waypoints, and the later ones come earlier.
    """
    limits = plan.limits
    return {
        "limits": {
            "pressure_pa": limits.pressure_pa,
            "force_normal_n": limits.force_n,
            "force_shear_n": limits.shear_n,
        },
        "cautions": list(plan.cautions),
        "preparations": list(plan.preparations),
        "recordings": [
            {
                "name": recording.name,
                "kind": recording.kind,
                "purpose": recording.purpose,
                "optional": recording.optional,
                "without_it": recording.price or None,
                "duration_s": recording.duration_s,
                "warming_k": recording.warming_k,
                "steps": [
                    {
                        "start_s": step.start_s,
                        "duration_s": step.duration_s,
                        "text": step.text,
                        "optional": bool(step.price),
                        "without_it": step.price or None,
                    }
                    for step in recording.steps
                ],
                "path": [_waypoint(point, plan) for point in recording.path],
            }
            for recording in plan.recordings
        ],
    }


def _waypoint(point: Waypoint, plan: Plan) -> dict[str, float | None]:
    limits = plan.limits

    def scaled(share: float, full: float | None) -> float | None:
        return None if full is None else share * full

    return {
        "time_s": point.time_s,
        "pressure_share": point.pressure,
        "normal_share": point.normal,
        "shear_x_share": point.shear_x,
        "shear_y_share": point.shear_y,
        "place_x_m": None if point.place_m is None else point.place_m[0],
        "place_y_m": None if point.place_m is None else point.place_m[1],
        "pressure_pa": scaled(point.pressure, limits.pressure_pa),
        "force_x_n": scaled(point.shear_x, limits.shear_n),
        "force_y_n": scaled(point.shear_y, limits.shear_n),
        "force_z_n": scaled(point.normal, limits.force_n),
    }
