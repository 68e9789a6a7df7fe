"""Contact: statics by virtual work, unbending, viscoelastic pad, run-in, friction and its energy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.physics.kinematics import pad_pose
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.contact import bend_moment, solve_normal
from soft_tactile_node.simulation.objects import PROBE, draw_object, object_elastic
from soft_tactile_node.simulation.pad import pad_elastic, pad_indent, pad_memory, pad_scale, step_shear
from soft_tactile_node.simulation.sensors import draw_specimen
from soft_tactile_node.simulation.specimen import PAD_TIMES_S
from soft_tactile_node.simulation.timeline import Timeline
from soft_tactile_node.simulation.world import new_states
from unit.simulation.bench import P, press_script, run_bench

STEP_S = 0.25e-3


def new_state(bend_rad: float = 0.3) -> np.ndarray:
    """Return one finger's state, run in, at a bend."""
    now = new_states(1)[0][0]
    now[at.BEND], now[at.SOFTENING] = bend_rad, 1.0
    return now


@pytest.mark.parametrize("bend", [-0.2, 0.0, 0.4, 1.1])
def test_moment_of_a_touch_is_its_virtual_work(bend):
    """The moment on the bend is the work of force and torque per angle; a wrench's power is the same in all frames.

    Source: principle of virtual work; Murray, Li, Sastry (1994), sec. 2.5 (recalled).
    """
    finger = draw_specimen(0, "iron_disc").finger
    force, torque = np.array([0.7, -0.3, 2.1]), np.array([0.004, -0.006, 0.001])
    now = new_state(bend)
    now[at.FORCE_X : at.FORCE_Z + 1], now[at.TORQUE_X : at.TORQUE_Z + 1] = force, torque
    step = 1.0e-6
    ahead, _ = pad_pose(bend + step, finger.arc_length_m, finger.neutral_height_m)
    behind, _ = pad_pose(bend - step, finger.arc_length_m, finger.neutral_height_m)
    _, rotation = pad_pose(bend, finger.arc_length_m, finger.neutral_height_m)
    expected = (rotation @ force) @ (ahead - behind) / (2.0 * step) + (rotation @ torque)[1]
    assert_allclose(bend_moment(finger, now), expected, rtol=1.0e-6, atol=1.0e-12)


@pytest.mark.parametrize("pressure", [0.0, 30.0e3, 60.0e3])
def test_a_press_unbends_the_finger(pressure):
    """At the same pressure a pressed finger bends less, by its own compliance; let go, it comes back."""
    course = run_bench(draw_specimen(1, "iron_disc"), press_script((0.0, 0.0, 3.0), pressure_pa=pressure))
    free, pressed = course.at_time(at.BEND, 3.0), course.at_time(at.BEND, 6.0)
    assert_allclose(course.at_time(at.FORCE_Z, 6.0), 3.0, rtol=0.02, atol=0.0)
    assert 0.05 < free - pressed < 0.35
    back = course.states[-1, at.BEND] - pressed
    assert back > 0.5 * (free - pressed)


def test_pad_and_object_carry_the_same_force():
    """Pad and bun yield by the whole overlap, and both push with the same force."""
    finger = draw_specimen(2, "iron_disc").finger
    item = draw_object("bun", np.random.default_rng(3))._replace(relax_share=0.0)
    now = new_state()
    for overlap in np.linspace(0.0, 3.0e-3, 4000):
        normal = solve_normal(finger._replace(pad_loss_n_s_m=0.0), now, item, float(overlap), 22.0, STEP_S)
    assert normal > 0.5
    assert_allclose(now[at.INDENT] + now[at.OBJECT_INDENT], 3.0e-3, rtol=1.0e-6, atol=0.0)
    assert_allclose(object_elastic(item, now[at.OBJECT_INDENT])[0], normal, rtol=1.0e-6, atol=0.0)


def test_pad_law_and_inverse_agree():
    """The indentation found for a force gives that force back; the pad stiffens as it is pressed."""
    finger = draw_specimen(3, "iron_disc").finger
    for force in (1.0e-4, 0.01, 0.3, 5.0):
        assert_allclose(pad_elastic(finger, pad_indent(finger, force))[0], force, rtol=1.0e-9, atol=0.0)
    assert pad_elastic(finger, 1.0e-3)[1] > 1.5 * pad_elastic(finger, 0.3e-3)[1]


def test_pad_relaxes_like_its_branches():
    """Held at a constant indentation the force falls as 1 - sum g_k (1 - exp(-t/tau_k)).

    Source: quasi-linear viscoelasticity, Y. C. Fung, Biomechanics (1981), ch. 7 (recalled).
    """
    finger = draw_specimen(4, "iron_disc").finger._replace(pad_loss_n_s_m=0.0)
    now = new_state(0.0)
    forces = [solve_normal(finger, now, PROBE, 0.8e-3, 22.0, STEP_S) for _ in range(round(3.0 / STEP_S))]
    elastic = pad_scale(finger, now, 22.0) * pad_elastic(finger, now[at.INDENT])[0]
    shares = (finger.pad_relax_0, finger.pad_relax_1, finger.pad_relax_2, finger.pad_relax_3)
    for time in (0.05, 0.5, 2.9):
        left = 1.0 - sum(g * (1.0 - math.exp(-time / tau)) for g, tau in zip(shares, PAD_TIMES_S, strict=True))
        assert_allclose(forces[round(time / STEP_S)], elastic * left, rtol=3.0e-3, atol=0.0)


def test_a_released_pad_recovers_slowly():
    """Right after a hold the unloaded surface stays dented, most of it recovers within seconds, no force pulls."""
    course = run_bench(draw_specimen(5, "iron_disc"), press_script((0.0, 0.0, 4.0), hold_s=5.0))
    normal, indent = course.column(at.NORMAL), course.column(at.INDENT)
    assert np.all(normal >= 0.0)
    gone = np.flatnonzero(normal > 0.0)[-1] + 1
    held = indent.max()
    assert 0.02 * held < indent[gone] < 0.3 * held
    assert indent[-1] < 0.8 * indent[gone]


def test_first_cycles_soften_a_new_pad():
    """A new pad takes more force for the same indentation than after some full loads; the change dies out."""
    script = Timeline(22.0)
    script.wait(1.0)
    starts = []
    for _ in range(6):
        script.put(at.COMMAND_STAGE, 1.0)
        starts.append(script.now_s)
        script.move(at.COMMAND_FORCE_Z, 4.5, 1.0)
        script.wait(0.5)
        script.move(at.COMMAND_FORCE_Z, 0.0, 0.5)
        script.put(at.COMMAND_STAGE, 0.0)
        script.wait(8.0)
    course = run_bench(draw_specimen(6, "iron_disc"), script, softening=0.0)
    depth = [course.at_time(at.INDENT, start + 1.4) for start in starts]
    assert depth[1] > 1.003 * depth[0]
    assert depth[5] > depth[1]
    assert depth[5] - depth[4] < 0.5 * (depth[1] - depth[0])


def test_shear_sticks_then_slides_at_the_friction_limit():
    """A dragged surface holds up to mu N and then slides with the kinetic coefficient.

    Source: Coulomb's friction law.
    """
    finger = draw_specimen(7, "iron_disc").finger
    now = new_state()
    force = [step_shear(finger, now, 2.0e-6, 0.0, 2.0, 0.6, 0.5, STEP_S)[0] for _ in range(2000)]
    peak = max(force)
    # it begins to slide at the static coefficient, within what one substep resolves
    assert_allclose(peak, 0.6 * 2.0, rtol=0.02, atol=0.0)
    assert_allclose(force[-1], 0.5 * 2.0, rtol=0.03, atol=0.0)
    assert now[at.SLIP_SPEED] == pytest.approx(2.0e-6 / STEP_S, rel=0.1)


def test_sliding_takes_energy_and_never_gives_any():
    """Dragged to and fro, the work put in is never less than what sliding took, and never negative over a cycle."""
    finger = draw_specimen(8, "iron_disc").finger
    now = new_state()
    work, stored = 0.0, []
    for k in range(24000):
        move = 8.0e-7 if (k // 4000) % 2 == 0 else -8.0e-7
        before = now[at.FRICTION_WORK]
        force, _ = step_shear(finger, now, move, 0.0, 1.5, 0.5, 0.4, STEP_S)
        work += force * move
        assert now[at.FRICTION_WORK] >= before
        stored.append(work - now[at.FRICTION_WORK])
    # the difference is elastic and viscous: bounded by half of force times deflection, up to rounding never negative
    limit = 0.5 * 0.5 * 1.5 * (0.5 * 1.5 / finger.shear_stiffness_n_m) * 4.0
    assert min(stored) > -1.0e-7
    assert now[at.FRICTION_WORK] > 5.0 * limit
    assert max(np.diff(stored)) < limit


def test_off_centre_force_turns_the_pad():
    """A force beside the centre has the torque r x F and tilts the inside of the pad the same way."""
    script = press_script((0.0, 0.0, 3.0))
    script.now_s = 0.5
    script.put(at.COMMAND_OFFSET_X, 2.0e-3)
    script.put(at.COMMAND_OFFSET_Y, -1.0e-3)
    script.now_s = 9.0
    now = run_bench(draw_specimen(9, "iron_disc"), script).states[round(6.0 * 500.0)]
    force, torque = now[at.FORCE_X : at.FORCE_Z + 1], now[at.TORQUE_X : at.TORQUE_Z + 1]
    assert_allclose(torque, np.cross([2.0e-3, -1.0e-3, 0.0], force), rtol=1.0e-9, atol=1.0e-12)
    assert now[at.TILT_X] < -1.0e-3
    assert now[at.TILT_Y] < -1.0e-3


def test_memory_of_a_rested_pad_is_empty():
    """A pad never touched answers with its full instantaneous stiffness and no memory."""
    finger = draw_specimen(10, "iron_disc").finger
    gain, memory = pad_memory(finger, new_state(), 1.0e-9)
    assert_allclose(gain, 1.0, rtol=0.0, atol=1.0e-6)
    assert memory == 0.0


def test_held_elsewhere_blocks_the_bend_without_force_on_the_pad():
    """Something that stops the finger away from the pad takes the bend, not the pad."""
    from soft_tactile_node.simulation import Fault, simulate

    faults = [Fault("held_elsewhere", 4.0, 20.0)]
    held = simulate("ramps", seed=2, duration_s=12.0, faults=faults)[1]
    free = simulate("ramps", seed=2, duration_s=12.0)[1]
    assert_allclose(held.bend_rad[:2000], free.bend_rad[:2000], rtol=0.0, atol=0.0)
    stop = held.bend_rad[2000]
    assert free.bend_rad.max() > stop + 0.1
    assert held.bend_rad.max() < stop + 0.06
    assert not held.in_contact.any()


def test_pressure_column_is_the_only_way_in():
    """An untouched, vented finger stays where it is."""
    script = Timeline(22.0)
    script.wait(5.0)
    course = run_bench(draw_specimen(11, "iron_disc"), script)
    assert np.all(course.column(at.NORMAL) == 0.0)
    assert np.ptp(course.column(at.BEND)) < 5.0e-3
    assert np.all(course.commands[:, P] == 0.0)
