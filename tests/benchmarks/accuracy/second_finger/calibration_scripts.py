"""What is done on the bench for calibration: two free-bend and two press recordings of about 150 s each.

Content by the usual bench protocol: run-in cycles, free sweeps at several rates with reversals, presses at several
pressures with unloading branches and shear, a 60 s hold, a 10 K change.
"""

from __future__ import annotations

import numpy as np

from second_finger.world import Script, World

FULL = 60e3
BENCH_PROBE = 4e5  # N/m^1.5, a firm rubber-faced probe


def free_bend_scripts(rng: np.random.Generator) -> list[Script]:
    """Two scripts without contact; the second with a 10 K rise."""
    first = Script(temperature_c=22.0 + rng.uniform(-1.5, 1.5)).wait(2.0)
    for _ in range(6):
        first.to(0.9, "linear", command_pa=FULL).to(0.9, "linear", command_pa=0.0)
    first.wait(3.0)
    for half in (11.0, 4.0, 1.2, 0.5):
        first.to(half, "linear", command_pa=FULL).to(half, "linear", command_pa=0.0).wait(2.0)
    for target in (60e3, 12e3, 50e3, 20e3, 42e3, 28e3, 36e3, 0.0):
        first.to(1.6, "linear", command_pa=target)
    first.wait(6.0).to(1.0, command_pa=FULL).wait(24.0).to(0.6, command_pa=0.0).wait(14.0)
    wander_pressure(first, rng, 152.0 - first.duration_s - 6.0)
    first.to(1.0, command_pa=0.0).wait(5.0)

    start = 21.0 + rng.uniform(-1.0, 1.0)
    second = Script(temperature_c=start).wait(2.0)
    wander_pressure(second, rng, 28.0)
    second.to(1.0, command_pa=0.0).wait(3.0)
    warm = np.linspace(start, start + 10.0, 6)[1:]
    for k, temperature in enumerate(warm):
        second.to(9.0, temperature_c=temperature)
        second.to(2.0, "linear", command_pa=FULL * (0.5 + 0.1 * k)).wait(1.0).to(2.0, "linear", command_pa=0.0).wait(
            1.0
        )
    for half in (6.0, 0.8):
        second.to(half, "linear", command_pa=FULL).to(half, "linear", command_pa=15e3).to(
            half, "linear", command_pa=45e3
        )
        second.to(half, "linear", command_pa=0.0).wait(2.0)
    wander_pressure(second, rng, 152.0 - second.duration_s - 4.0)
    second.to(0.8, command_pa=0.0).wait(3.2)
    return [first, second]


def wander_pressure(script: Script, rng: np.random.Generator, duration_s: float) -> Script:
    """Random targets, ramps and holds."""
    end = script.duration_s + duration_s
    while script.duration_s < end - 0.1:
        target = rng.choice([0.0, 1.0], p=[0.2, 0.8]) * rng.uniform(5e3, FULL)
        moving = float(np.exp(rng.uniform(np.log(0.25), np.log(4.0))))
        script.to(min(moving, end - script.duration_s), command_pa=target)
        left = end - script.duration_s
        if left > 0.05:
            script.wait(min(rng.exponential(1.5), left))
    return script


def press(
    script: Script,
    world: World,
    force_n: float,
    loading_s: float,
    *,
    hold_s: float = 0.2,
    unloading_s: float | None = None,
    stiffness: float = BENCH_PROBE,
    gap_m: float = 2e-3,
    shear: tuple[tuple[float, float], ...] = (),
    shear_s: float = 0.8,
    shape: str = "smooth",
) -> Script:
    """Bring a probe in from a gap, press to about a force, hold, shear, and draw it back.

    The finger's pressure stays.
    """
    depth = world.indentation(script.state["command_pa"], force_n, stiffness)
    script.relative = True
    script.jump(surface_m=gap_m, object_stiffness=stiffness, drive_x_m=0.0, drive_y_m=0.0)
    script.to(loading_s, shape, surface_m=-depth).wait(hold_s)
    for x, y in shear:
        script.to(shear_s, drive_x_m=x, drive_y_m=y)
    if shear:
        script.to(shear_s, drive_x_m=0.0, drive_y_m=0.0)
    script.to(loading_s if unloading_s is None else unloading_s, shape, surface_m=gap_m)
    script.relative = False
    return script.jump(surface_m=1.0)


def press_scripts(world: World, rng: np.random.Generator) -> list[Script]:
    """Two scripts with a force reference; the second with a 60 s hold and a 10 K rise."""
    first = Script(temperature_c=22.0 + rng.uniform(-1.5, 1.5)).wait(2.0)
    for _ in range(5):
        press(first, world, 4.5, 0.7).wait(0.4)
    first.wait(4.0)
    around = ((2.0e-3, 0.0), (-2.0e-3, 0.0), (0.0, 2.2e-3), (0.0, -2.2e-3))
    for pressure in (0.0, 15e3, 30e3, 45e3, 60e3):
        first.to(1.0, command_pa=pressure).wait(1.5)
        place = rng.normal(0.0, 0.6e-3, 2)
        first.jump(off_x_m=place[0], off_y_m=place[1])
        press(first, world, 4.8, 3.0, unloading_s=3.0, shape="linear").wait(1.5)
        press(first, world, rng.uniform(0.2, 0.5), 0.6, hold_s=0.5).wait(0.8)
        press(first, world, rng.uniform(1.5, 3.8), 0.25, hold_s=0.6, shear=around, shear_s=0.6).wait(1.6)
    first.to(1.0, command_pa=0.0)
    first.wait(max(150.0 - first.duration_s, 2.0))

    start = 21.5 + rng.uniform(-1.0, 1.0)
    second = Script(temperature_c=start).wait(2.0)
    second.to(0.8, command_pa=30e3).wait(1.0)
    press(second, world, 2.5, 0.5, hold_s=60.0).wait(8.0)
    second.to(0.8, command_pa=0.0).wait(2.0)
    for k, pressure in enumerate((10e3, 50e3, 0.0, 38e3, 22e3)):
        second.to(0.8, command_pa=pressure, temperature_c=start + 2.0 * (k + 0.5)).wait(0.8)
        place = rng.normal(0.0, 0.6e-3, 2)
        second.jump(off_x_m=place[0], off_y_m=place[1])
        press(
            second, world, rng.uniform(3.0, 4.8), 1.0, shear=((1.4e-3, 1.6e-3), (-1.4e-3, -1.2e-3)), shear_s=0.5
        ).wait(1.0)
        press(second, world, rng.uniform(0.08, 0.3), 0.4, hold_s=0.6).wait(0.6)
        second.to(2.4, temperature_c=start + 2.0 * (k + 1.0))
    second.to(0.8, command_pa=0.0).wait(max(150.0 - second.duration_s, 2.0))
    return [first, second]
