"""Chamber and valve against the closed forms of filling and emptying through an ISO 6358 restriction."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.chamber import step_chamber
from soft_tactile_node.simulation.sensors import draw_specimen
from soft_tactile_node.simulation.specimen import FingerParameters
from soft_tactile_node.simulation.world import new_states

ATMOSPHERE_PA = 101325.0
STEP_S = 2.5e-5


@pytest.fixture
def rigid() -> FingerParameters:
    """Return a finger whose chamber is a rigid isothermal 50 ml vessel behind a quick valve, supplied with 200 kPa."""
    return draw_specimen(0, "iron_disc").finger._replace(
        conductance_m3_s_pa=2.0e-10,
        critical_ratio=0.3,
        supply_pa=2.0e5 - ATMOSPHERE_PA,
        volume_m3=50.0e-6,
        volume_per_rad_m3=0.0,
        polytropic=1.0,
        valve_lag_s=1.0e-9,
    )


def run_chamber(finger: FingerParameters, start_pa: float, command_pa: float, duration_s: float) -> float:
    """Return the absolute pressure (Pa) after a time, starting from an absolute pressure."""
    now = new_states(1)[0][0]
    now[at.PRESSURE] = start_pa - ATMOSPHERE_PA
    for _ in range(round(duration_s / STEP_S)):
        step_chamber(finger, now, command_pa, STEP_S)
    return float(now[at.PRESSURE]) + ATMOSPHERE_PA


def test_filling_follows_the_closed_form(rigid):
    """Filling through a subsonic restriction takes the time of the exact solution.

    Source: ISO 6358-1:2013 flow equation with index 0.5; x(t) = sin(asin x0 + k t), x = (p/ps - b)/(1 - b),
    k = R T C rho0/(V (1 - b)): integrated by hand and by an ODE solver. After 0.1 s: 107575.708 Pa.
    """
    assert_allclose(run_chamber(rigid, 1.0e5, 1.0e6, 0.1), 107575.708, rtol=1.0e-5, atol=0.0)
    k = 287.05 * 293.15 * 2.0e-10 * 1.185 / (50.0e-6 * 0.7)
    x = math.sin(math.asin((0.5 - 0.3) / 0.7) + k * 1.0)
    assert_allclose(run_chamber(rigid, 1.0e5, 1.0e6, 1.0), 2.0e5 * (0.3 + 0.7 * x), rtol=1.0e-4, atol=0.0)


def test_choked_emptying_is_exponential(rigid):
    """A vessel empties through a choked restriction with the time constant V/(R T C rho0).

    Source: ISO 6358-1:2013; tau = 2.507115 s for 50 ml and C = 2e-10 m3/(s Pa), integrated by hand.
    """
    after = run_chamber(rigid, 5.0e5, -1.0e6, 0.9)
    assert_allclose(after, 5.0e5 * math.exp(-0.9 / 2.507115), rtol=1.0e-4, atol=0.0)


def test_regulator_reaches_its_command_without_much_overshoot():
    """A commanded 60 kPa is there within half a second, and never exceeded by more than 3 %."""
    finger = draw_specimen(1, "iron_disc").finger
    now = new_states(1)[0][0]
    course = []
    for _ in range(2000):
        step_chamber(finger, now, 60.0e3, 0.25e-3)
        course.append(float(now[at.PRESSURE]))
    assert_allclose(course[-1], 60.0e3, rtol=5.0e-3, atol=0.0)
    assert max(course) < 61.8e3


def test_a_pushed_finger_raises_the_pressure(rigid):
    """Straightening the finger squeezes its chamber: p V stays constant while the valve is shut.

    Source: Boyle's law.
    """
    finger = rigid._replace(volume_per_rad_m3=6.0e-6, conductance_m3_s_pa=0.0)
    now = new_states(1)[0][0]
    now[at.PRESSURE], now[at.BEND], now[at.BEND_RATE] = 30.0e3, 0.5, -1.0
    start = (ATMOSPHERE_PA + 30.0e3) * (50.0e-6 + 6.0e-6 * 0.5)
    for _ in range(4000):
        step_chamber(finger, now, 30.0e3, STEP_S)
        now[at.BEND] += now[at.BEND_RATE] * STEP_S
    end = (ATMOSPHERE_PA + now[at.PRESSURE]) * (50.0e-6 + 6.0e-6 * now[at.BEND])
    assert now[at.PRESSURE] > 31.0e3
    assert_allclose(end, start, rtol=1.0e-5, atol=0.0)


def test_line_delays_the_sensor():
    """The sensor sees a pressure step through the line's lag: 63.2 % after one time constant.

    Source: step response of a first-order lag, any control text.
    """
    finger = draw_specimen(2, "iron_disc").finger._replace(line_lag_s=0.02, conductance_m3_s_pa=0.0)
    now = new_states(1)[0][0]
    now[at.PRESSURE] = 10.0e3
    for _ in range(round(0.02 / STEP_S)):
        step_chamber(finger, now, 10.0e3, STEP_S)
    assert_allclose(now[at.LINE_PRESSURE], 10.0e3 * (1.0 - np.exp(-1.0)), rtol=1.0e-3, atol=0.0)
