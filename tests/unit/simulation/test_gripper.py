"""The stepped gripper: holds, lifts, drops; action and reaction; clocks, seeds and faults."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from soft_tactile_node.errors import RangeError, ShapeError
from soft_tactile_node.simulation import Fault, Gripper, simulate
from soft_tactile_node.simulation import state as at

BOTH = ("left_finger", "right_finger")


def close_on(gripper, pressure_pa, seconds, lift_m=0.0, ramp_s=1.2, vent=False):
    """Step for some seconds with the same ramped command for all fingers; return the steps."""
    rate = 1.0 / gripper.scan_s
    steps = []
    for k in range(round(seconds * rate)):
        share = min(1.0, k / rate / ramp_s)
        command = pressure_pa * (1.0 - share if vent else share)
        steps.append(gripper.step([command] * len(gripper.fingers), lift_m))
    return steps


def keep(gripper, pressure_pa, seconds, lift_m):
    """Step for some seconds with a constant command; return the steps."""
    count = round(seconds / gripper.scan_s)
    return [gripper.step([pressure_pa] * len(gripper.fingers), lift_m) for _ in range(count)]


@pytest.mark.parametrize("name", ["bun", "roll", "jar"])
@pytest.mark.parametrize("fingers", [BOTH, ("finger",)])
def test_a_firm_grip_lifts_and_puts_down(fingers, name):
    """Closed firmly, the object follows the arm up and down, is not dropped, and lies on the tray again at the end."""
    gripper = Gripper(fingers, name, seed=1)
    close_on(gripper, 50.0e3, 2.5)
    up = keep(gripper, 50.0e3, 2.0, 0.1)
    assert_allclose(up[-1].lift_m, 0.1, rtol=0.0, atol=2.0e-3)
    assert_allclose(up[-1].height_m, 0.1, rtol=0.0, atol=5.0e-3)
    assert all(truth.in_contact for truth in up[-1].truths)
    assert all(truth.force_n[2] > 0.5 for truth in up[-1].truths)
    keep(gripper, 50.0e3, 1.5, 0.0)
    end = close_on(gripper, 50.0e3, 2.0, ramp_s=0.4, vent=True)
    assert not any(step.dropped for step in end)
    assert end[-1].height_m < 1.0e-3
    assert not any(truth.in_contact for truth in end[-1].truths)


def test_a_weak_grip_leaves_the_jar_behind_sliding():
    """Too weak for its weight, the jar slips along the pads and stays on the tray."""
    gripper = Gripper(BOTH, "jar", seed=2)
    closed = close_on(gripper, 29.0e3, 2.5)
    force = closed[-1].truths[0].force_n[2]
    assert 0.1 < force < 1.2
    up = keep(gripper, 29.0e3, 1.5, 0.1)
    assert max(step.height_m for step in up) < 0.02
    assert sum(step.truths[0].slip for step in up) > 50
    assert not up[-1].truths[0].in_contact


def test_letting_go_in_the_air_drops_the_object():
    """Vented while lifted, the object falls back onto the tray and is reported as dropped until the next is placed."""
    gripper = Gripper(BOTH, "roll", seed=3)
    close_on(gripper, 42.0e3, 2.5)
    up = keep(gripper, 42.0e3, 1.5, 0.1)
    assert not up[-1].dropped
    end = keep(gripper, 0.0, 1.5, 0.1)
    assert end[-1].dropped
    # it is reported while the object falls, not when it lies there
    assert next(step.height_m for step in end if step.dropped) > 0.02
    assert end[-1].height_m < 1.0e-3
    gripper.place("bun")
    fresh = keep(gripper, 0.0, 0.1, 0.1)
    assert not fresh[-1].dropped


def test_two_fingers_share_weight_and_squeeze():
    """Held at rest, the squeeze of both pads is equal and opposite and together they carry the weight.

    Source: statics of the held object.
    """
    gripper = Gripper(BOTH, "roll", seed=4)
    close_on(gripper, 45.0e3, 2.5)
    keep(gripper, 45.0e3, 4.0, 0.1)
    palm = []
    for i, body in enumerate(gripper._bodies):
        tilt = gripper._states[i, at.BEND] - gripper._mount.angle_rad
        x, z = gripper._states[i, at.FORCE_X], gripper._states[i, at.FORCE_Z]
        side = 1.0 if i == 0 else -1.0
        palm.append((math.cos(tilt) * x + math.sin(tilt) * z, side * (math.cos(tilt) * z - math.sin(tilt) * x)))
        assert body.arc_length_m > 0.0
    weight = gripper._item.mass_kg * 9.80665
    assert_allclose(palm[0][1] + palm[1][1], 0.0, rtol=0.0, atol=0.01)
    # the object pulls the pads down with its weight, once more friction holds them nowhere else
    assert_allclose(palm[0][0] + palm[1][0], weight, rtol=0.0, atol=0.02)
    assert palm[0][1] > 1.0


def test_light_objects_need_less_than_heavy_ones():
    """A lifted jar pulls harder along the pad than a bun."""
    pulls = {}
    for name in ("bun", "jar"):
        gripper = Gripper(BOTH, name, seed=5)
        close_on(gripper, 50.0e3, 2.5)
        before = gripper.step([50.0e3, 50.0e3], 0.0).truths[0].force_n[0]
        pulls[name] = keep(gripper, 50.0e3, 2.0, 0.1)[-1].truths[0].force_n[0] - before
    assert pulls["jar"] > pulls["bun"] + 0.2


def test_an_empty_gripper_touches_nothing():
    """Without an object there is no contact, no height and no width."""
    gripper = Gripper(BOTH, "none", seed=6)
    step = close_on(gripper, 60.0e3, 2.0)[-1]
    assert math.isnan(step.height_m)
    assert math.isnan(step.width_m)
    assert not any(truth.in_contact for truth in step.truths)
    assert all(truth.bend_rad > 0.6 for truth in step.truths)


def test_softer_things_yield_more():
    """At the same pressure the fingers bend further into a bun than onto a jar, relative to where they touch."""
    further = {}
    for name in ("bun", "jar"):
        gripper = Gripper(BOTH, name, seed=7)
        steps = close_on(gripper, 48.0e3, 3.0)
        touched = next(step.truths[0].bend_rad for step in steps if step.truths[0].in_contact)
        further[name] = steps[-1].truths[0].bend_rad - touched
    assert further["bun"] > 2.0 * further["jar"]


def test_same_seed_same_steps():
    """Steps follow from seed and commands alone."""
    first = close_on(Gripper(BOTH, "roll", seed=8), 40.0e3, 1.0)
    again = close_on(Gripper(BOTH, "roll", seed=8), 40.0e3, 1.0)
    other = close_on(Gripper(BOTH, "roll", seed=9), 40.0e3, 1.0)
    for a, b, c in zip(first, again, other, strict=True):
        assert_array_equal(a.scans[1].inductance_h, b.scans[1].inductance_h)
        assert_array_equal(a.truths[0].force_n, b.truths[0].force_n)
        assert np.all(a.scans[0].inductance_h != c.scans[0].inductance_h)


@pytest.mark.parametrize("pad", ["iron_disc", "liquid_metal"])
def test_fingers_are_the_specimens_their_seeds_name(pad):
    """A finger of the gripper reads at rest what a recording of its specimen reads."""
    gripper = Gripper(BOTH, "none", seed=10, pad=pad, temperature_c=22.0)
    scans = [step.scans for step in keep(gripper, 0.0, 0.5, 0.0)]
    for i, specimen_seed in enumerate(gripper.specimen_seeds):
        recording, _ = simulate("ramps", pad=pad, specimen_seed=specimen_seed, duration_s=3.0, temperature_c=22.0)
        mean = np.mean([scan[i].inductance_h for scan in scans], axis=0)
        assert_allclose(mean, recording.inductance_h[:500].mean(axis=0), rtol=3.0e-3, atol=0.0)
    # and the two fingers differ
    assert np.max(np.abs(scans[0][0].inductance_h / scans[0][1].inductance_h - 1.0)) > 3.0e-4


def test_clocks():
    """Time advances by one scan a step; pressure comes every 10 ms, NaN in between."""
    gripper = Gripper(("finger",), "none", seed=11, rate_hz=1000.0)
    steps = keep(gripper, 0.0, 0.5, 0.0)
    assert_allclose([step.time_s for step in steps], np.arange(1, 501) / 1000.0, rtol=1.0e-12, atol=0.0)
    fresh = np.flatnonzero([not math.isnan(step.pressure_pa[0]) for step in steps])
    assert_allclose(np.diff(fresh[1:]), 10.0, rtol=0.0, atol=1.0)


def test_options_fill_the_scan():
    """Loss and base motion come when asked for; a lifted arm is felt as more than gravity."""
    gripper = Gripper(("finger",), "none", seed=12, with_loss=True, with_motion=True)
    still = keep(gripper, 0.0, 0.2, 0.0)
    moving = keep(gripper, 0.0, 0.06, 0.3)
    assert still[-1].scans[0].loss_ohm.shape == (4,)
    rest = np.mean([np.linalg.norm(step.scans[0].acceleration_m_s2) for step in still])
    assert_allclose(rest, 9.80665, rtol=0.01, atol=0.0)
    assert np.linalg.norm(moving[-1].scans[0].acceleration_m_s2) > rest + 1.0
    plain = Gripper(("finger",), "none", seed=12).step([0.0]).scans[0]
    assert plain.loss_ohm is None
    assert plain.acceleration_m_s2 is None


def test_frozen_coils_of_one_finger():
    """A frozen finger repeats its readings; the other goes on; the truth is not touched; it ends when it ends."""
    gripper = Gripper(BOTH, "bun", seed=13, faults=[Fault("frozen", 0.5, 1.0, finger=1)])
    steps = close_on(gripper, 40.0e3, 1.5, ramp_s=1.5)
    frozen = np.array([step.scans[1].inductance_h for step in steps[250:498]])
    other = np.array([step.scans[0].inductance_h for step in steps[250:498]])
    assert np.all(np.ptp(frozen, axis=0) == 0.0)
    assert np.all(np.ptp(other, axis=0) > 0.0)
    after = np.array([step.scans[1].inductance_h for step in steps[502:]])
    assert np.all(np.ptp(after, axis=0) > 0.0)


def test_faults_can_be_added_while_running():
    """A fault added later acts from then on, on its finger only."""
    gripper = Gripper(BOTH, "none", seed=14)
    keep(gripper, 0.0, 0.1, 0.0)
    gripper.add_fault(Fault("open", 0.0, channel=2, finger=0))
    gripper.add_fault(Fault("pressure_lost", 0.0, finger=1))
    steps = keep(gripper, 0.0, 0.1, 0.0)
    assert all(math.isnan(step.scans[0].inductance_h[2]) for step in steps)
    assert all(np.isfinite(step.scans[1].inductance_h).all() for step in steps)
    assert all(math.isnan(step.pressure_pa[1]) for step in steps)
    assert any(math.isfinite(step.pressure_pa[0]) for step in steps)


def test_held_elsewhere_and_metal_near():
    """A finger stopped away from its pad bends no further; steel near it lowers its inductances; neither touches."""
    gripper = Gripper(("finger",), "none", seed=15)
    close_on(gripper, 25.0e3, 2.0)
    gripper.add_fault(Fault("held_elsewhere", 2.0))
    before = gripper.step([25.0e3])
    after = keep(gripper, 55.0e3, 1.5, 0.0)
    assert after[-1].truths[0].bend_rad < before.truths[0].bend_rad + 0.06
    gripper.add_fault(Fault("metal_near", 0.0))
    near = keep(gripper, 55.0e3, 0.2, 0.0)
    mean = [np.mean([step.scans[0].inductance_h for step in part[-50:]]) for part in (after, near)]
    assert mean[1] < mean[0] * (1.0 - 5.0e-4)
    assert not any(step.truths[0].in_contact for step in after + near)


@pytest.mark.parametrize(
    ("call", "error", "text"),
    [
        (lambda: Gripper(("a", "a")), RangeError, "fingers must be one or two different names"),
        (lambda: Gripper(()), RangeError, "fingers must be one or two different names"),
        (lambda: Gripper(BOTH, "plum"), RangeError, "object must be one of bun, roll, jar, none; got 'plum'"),
        (lambda: Gripper(BOTH, rate_hz=1.0), RangeError, "rate_hz must be >= 20"),
        (lambda: Gripper(BOTH, "none").step([0.0]), ShapeError, "pressure_command_pa must be of shape (2,); got (1,)"),
        (
            lambda: Gripper(BOTH, "none").step([0.0, math.nan]),
            RangeError,
            "pressure_command_pa must be finite; got nan",
        ),
        (lambda: Gripper(BOTH, "none").step([0.0, 0.0], 2.0), RangeError, "lift_m must be >= 0 and <= 1; got 2"),
    ],
)
def test_bad_arguments_are_named(call, error, text):
    """A wrong argument is refused with its name, the rule and what came."""
    with pytest.raises(error) as caught:
        call()
    assert text in str(caught.value)
