"""What the recordings to be judged contain.

Picks, light touches, holds, warmth, slips, held back, arm moves, free motion, faults.

Invented bakery scenario: choux buns (soft), rye rolls (firm), jam jars with a steel lid (rigid, slippery).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from second_finger.calibration_scripts import press, wander_pressure
from second_finger.world import Script, World

GRAVITY = 9.81


@dataclass(frozen=True)
class Item:
    """One kind of object: stiffness (N/m^1.5), friction factor, steel lid."""

    stiffness: float
    friction: float
    lid: float


ITEMS = {"bun": Item(8e3, 1.0, 0.0), "roll": Item(6e4, 0.95, 0.0), "jar": Item(3e6, 0.6, 1.0)}


def begin(rng: np.random.Generator) -> Script:
    """A script that starts with 2 s of unpressurised, untouched rest at the day's temperature."""
    return Script(temperature_c=22.5 + rng.uniform(-2.0, 2.0)).wait(2.2)


def grasp(
    script: Script,
    world: World,
    rng: np.random.Generator,
    *,
    item: str,
    force_n: float,
    hold_s: float,
    off_m: float = 0.6e-3,
    close_s: float | None = None,
    shear: bool = True,
    slips: int = 0,
    open_s: float | None = None,
) -> Script:
    """Close on an object that stands at a place, hold, lift (shear), perhaps slip, and open again."""
    thing = ITEMS[item]
    reach = world.travel(58e3, force_n) - world.compression(force_n) - (force_n / thing.stiffness) ** (2.0 / 3.0)
    surface = min(world.travel(60e3) * rng.uniform(0.25, 0.6), reach)
    pressure = world.closing_pressure(surface, force_n, thing.stiffness)
    place = np.clip(rng.normal(0.0, off_m, 2), -3.5e-3, 3.5e-3)
    script.jump(surface_m=surface, object_stiffness=thing.stiffness, friction=thing.friction, lid=thing.lid)
    script.jump(drive_x_m=0.0, drive_y_m=0.0, off_x_m=float(place[0]), off_y_m=float(place[1]))
    script.to(close_s or rng.uniform(0.5, 1.6), command_pa=pressure).wait(0.3 + 0.3 * hold_s)
    if shear:  # lifted: weight comes on the pad
        limit = 0.5 * world.specimen.friction_kinetic * thing.friction * force_n
        load = rng.uniform(0.3, 0.9) * limit / 800.0
        direction = rng.uniform(-1.0, 1.0)
        script.to(0.4, drive_x_m=load * direction, drive_y_m=load * np.sqrt(1 - direction**2) * rng.choice([-1.0, 1.0]))
    script.wait(0.3 * hold_s)
    for _ in range(slips):
        pull(script, rng, force_n)
    script.wait(0.3 * hold_s)
    if shear:  # set down: the tray takes the weight
        script.to(0.4, hold_stiffness=5.0)
    script.to(open_s or rng.uniform(0.3, 0.9), command_pa=0.0)
    return script.jump(surface_m=1.0, lid=0.0, friction=1.0, hold_stiffness=1500.0)


def pull(script: Script, rng: np.random.Generator, force_n: float) -> Script:
    """Pull the object sideways far enough to slide for 0.1 to 0.6 s."""
    angle = rng.uniform(0.0, 2.0 * np.pi)
    far = 1.2e-3 * force_n + rng.uniform(4e-3, 10e-3)
    x, y = script.state["drive_x_m"], script.state["drive_y_m"]
    script.to(rng.uniform(0.25, 0.7), drive_x_m=x + far * np.cos(angle), drive_y_m=y + far * np.sin(angle))
    return script.wait(rng.uniform(1.0, 2.0))


def rest(script: Script, rng: np.random.Generator, low_s: float = 2.0, high_s: float = 5.0) -> Script:
    """An unloaded rest between grasps."""
    return script.wait(rng.uniform(low_s, high_s))


def picks(world: World, rng: np.random.Generator, grasps: int = 9) -> Script:
    """Grasps of all items from 0.4 N to over 4 N, near the centre."""
    script = begin(rng)
    for k in range(grasps):
        item = ("bun", "roll", "jar")[k % 3]
        force = float(np.exp(rng.uniform(np.log(0.5), np.log(2.5 if item == "bun" else 4.6))))
        rest(grasp(script, world, rng, item=item, force_n=force, hold_s=rng.uniform(2.0, 6.0)), rng)
    return script.wait(3.0)


def off_centre(world: World, rng: np.random.Generator) -> Script:
    """Grasps that touch up to 3.5 mm beside the pad's centre."""
    script = begin(rng)
    for k in range(8):
        item = ("roll", "jar", "bun")[k % 3]
        rest(grasp(script, world, rng, item=item, force_n=rng.uniform(0.5, 4.0), hold_s=3.0, off_m=1.6e-3), rng)
    return script.wait(3.0)


def light_touches(world: World, rng: np.random.Generator) -> Script:
    """Touches that peak between 0.05 and 0.3 N at several pressures, some while the finger still moves."""
    script = begin(rng)
    for pressure in (0.0, 25e3, 10e3, 45e3, 35e3):
        script.to(rng.uniform(0.6, 1.5), command_pa=pressure).wait(rng.uniform(1.0, 2.0))
        for _ in range(3):
            force = float(np.exp(rng.uniform(np.log(0.045), np.log(0.25))))
            stiffness = ITEMS[rng.choice(["bun", "roll", "jar"])].stiffness
            script.jump(off_x_m=rng.normal(0.0, 0.8e-3), off_y_m=rng.normal(0.0, 0.8e-3))
            press(
                script,
                world,
                force,
                rng.uniform(0.15, 0.5),
                hold_s=rng.uniform(0.3, 2.0),
                stiffness=stiffness,
                gap_m=1.5e-3,
            )
            rest(script, rng, 1.2, 3.5)
    return script.to(1.0, command_pa=0.0).wait(3.0)


def holds(world: World, rng: np.random.Generator) -> Script:
    """Two objects held for a minute."""
    script = begin(rng)
    for item, force in (("roll", rng.uniform(0.8, 1.6)), ("jar", rng.uniform(2.0, 3.5))):
        grasp(script, world, rng, item=item, force_n=force, hold_s=66.0)
        rest(script, rng, 6.0, 8.0)
    return script


def warm_up(world: World, rng: np.random.Generator) -> Script:
    """15 K of warming with grasps all along."""
    script = Script(temperature_c=19.0 + rng.uniform(-1.0, 1.0)).wait(2.2)
    start = script.state["temperature_c"]
    for k in range(8):
        script.to(8.0, "linear", temperature_c=start + 15.0 * (k + 0.5) / 8.0)
        grasp(script, world, rng, item=("roll", "bun", "jar")[k % 3], force_n=rng.uniform(0.4, 3.0), hold_s=3.0)
        script.to(6.0, "linear", temperature_c=start + 15.0 * (k + 1) / 8.0)
    return script.wait(3.0)


def slips(world: World, rng: np.random.Generator) -> Script:
    """Objects that slide on the pad while held."""
    script = begin(rng)
    for k in range(6):
        item = ("jar", "roll")[k % 2]
        grasp(script, world, rng, item=item, force_n=rng.uniform(1.2, 3.5), hold_s=2.5, slips=2)
        rest(script, rng)
    return script.wait(2.0)


def held_back(world: World, rng: np.random.Generator) -> Script:
    """Empty grasps, and grasps stopped at the flank or the tip without any force on the pad.

    A few on the pad between.
    """
    script = begin(rng)
    for k in range(9):
        pressure = rng.uniform(30e3, 60e3)
        stop = world.travel(pressure) * rng.uniform(0.4, 0.75)
        if k % 3 == 0:
            script.to(rng.uniform(0.6, 1.5), command_pa=pressure).wait(rng.uniform(2.0, 4.0))
        elif k % 3 == 1:
            script.jump(flank_m=stop).to(rng.uniform(0.6, 1.5), command_pa=pressure).wait(rng.uniform(3.0, 6.0))
        else:
            script.jump(tip_m=stop).to(rng.uniform(0.6, 1.5), command_pa=pressure).wait(rng.uniform(3.0, 6.0))
        script.to(rng.uniform(0.4, 0.9), command_pa=0.0).jump(flank_m=1.0, tip_m=1.0).wait(rng.uniform(2.0, 4.0))
        if k in (2, 5):
            grasp(script, world, rng, item="roll", force_n=rng.uniform(0.8, 2.5), hold_s=3.0)
            rest(script, rng)
    return script


def move_arm(script: Script, rng: np.random.Generator) -> Script:
    """Swing the wrist (gravity turns) and jerk the base."""
    angle = rng.uniform(-0.6, 0.6)
    if rng.random() < 0.3:
        angle = 0.0
    script.to(rng.uniform(0.4, 1.5), gravity_x=GRAVITY * (np.cos(angle) - 1.0), gravity_z=GRAVITY * np.sin(angle))
    still = script.state["gravity_z"]
    push = rng.uniform(-2.0, 2.0)
    script.to(0.15, gravity_z=still + push).to(0.3, gravity_z=still - push).to(0.15, gravity_z=still)
    return script.wait(rng.uniform(0.5, 2.0))


def arm_moves(world: World, rng: np.random.Generator) -> Script:
    """The arm moves while the gripper is empty, vented and pressurised; some grasps in between."""
    script = begin(rng)
    for k in range(5):
        for _ in range(3):
            move_arm(script, rng)
        script.to(0.8, command_pa=rng.uniform(15e3, 45e3))
        for _ in range(2):
            move_arm(script, rng)
        script.to(0.8, command_pa=0.0)
        if k % 2:
            script.to(0.8, gravity_x=0.0, gravity_z=0.0).wait(2.0)
            grasp(script, world, rng, item="roll", force_n=rng.uniform(0.8, 2.5), hold_s=3.0)
            rest(script, rng)
    return script.to(0.8, gravity_x=0.0, gravity_z=0.0).wait(3.0)


def free_motion(world: World, rng: np.random.Generator, duration_s: float = 720.0) -> Script:
    """Twelve minutes of bending without any contact: ramps, holds, sines, long rests, a slow change of temperature."""
    script = begin(rng)
    while script.duration_s < duration_s - 20.0:
        script.jump()
        kind = rng.integers(4)
        warm = float(np.clip(script.state["temperature_c"] + rng.normal(0.0, 0.4), 19.0, 28.0))
        if kind == 0:
            wander_pressure(script, rng, rng.uniform(10.0, 30.0))
        elif kind == 1:
            period, top = rng.uniform(1.0, 8.0), rng.uniform(20e3, 60e3)
            count = int(rng.uniform(10.0, 25.0) / period) + 1
            script.to(1.0, command_pa=0.0)
            phase = np.arange(1, int(count * period / 5e-3) + 1) * 5e-3 / period
            script.follow("command_pa", 0.5 * top * (1.0 - np.cos(2 * np.pi * phase)))
        elif kind == 2:
            script.to(rng.uniform(0.4, 2.0), command_pa=rng.uniform(10e3, 60e3)).wait(rng.uniform(8.0, 30.0))
        else:
            script.to(rng.uniform(0.4, 1.5), command_pa=0.0).wait(rng.uniform(3.0, 15.0))
        script.to(1.0, temperature_c=warm)
    return script.to(1.0, command_pa=0.0).wait(4.0)


FAULT_WINDOWS_S = ((14.0, 27.0), (38.0, 50.0))


def fault_motion(world: World, rng: np.random.Generator) -> Script:
    """64 s with five grasps, two of them inside the fault windows."""
    script = begin(rng)
    for start in (4.5, 17.0, 29.5, 40.0, 52.0):
        script.wait(max(start - script.duration_s, 0.05))
        grasp(
            script,
            world,
            rng,
            item=str(rng.choice(["roll", "bun"])),
            force_n=rng.uniform(0.8, 3.0),
            hold_s=3.5,
            off_m=0.5e-3,
        )
    return script.wait(max(64.0 - script.duration_s, 1.0))
