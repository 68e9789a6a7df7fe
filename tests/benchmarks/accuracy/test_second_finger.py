"""The second simulator's own physics against closed forms, published figures and another library.

Its promises about recordings are tested here as well.
"""

from __future__ import annotations

import ast
import sys
from dataclasses import replace
from pathlib import Path

import magpylib
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import gamma

HERE = Path(__file__).resolve().parent
if str(HERE) not in sys.path:
    sys.path.append(str(HERE))

import cases  # noqa: E402  (the folder must be on the path first)
from second_finger import disc_pad, faults, loops, memory, metal_pad  # noqa: E402
from second_finger.chain import LINKS, Chain  # noqa: E402
from second_finger.specimen import IRON_DISC, LIQUID_METAL, draw_specimen  # noqa: E402
from second_finger.world import World, make_world  # noqa: E402

SEED = 7


@pytest.fixture(scope="module")
def world() -> World:
    """One iron-disc finger."""
    return make_world(IRON_DISC, SEED)


def test_mutual_inductance_is_maxwells():
    """Two coaxial loops have the mutual inductance of Maxwell's own example.

    Source: Treatise II, 1873, art. 701, as quoted by Grover 1946.
    """
    assert_allclose(loops.mutual(0.20, 0.25, 0.10), 248.79e-9, rtol=3e-5, atol=0.0)


def test_loop_field_is_another_librarys():
    """The field of a loop equals magpylib's, on and off the axis (source: magpylib.current.Circle)."""
    places = np.array([[3.0, 0.0, 2.0], [0.0, 0.0, 4.0], [9.0, 0.0, 0.5]]) * 1e-3
    wanted = magpylib.current.Circle(diameter=10e-3, current=1.0).getH(places)
    h_rho, h_z = loops.loop_field(5e-3, places[:, 0], places[:, 2])
    assert_allclose(
        np.column_stack([h_rho, h_z]), wanted[:, [0, 2]], rtol=1e-8, atol=1e-4
    )  # 1 nm off the axis, where terms cancel


def test_weak_disc_meets_the_energy_integral():
    """A weakly magnetic disc raises L by chi times the energy integral.

    That is 0.330433 nH for r 3 mm, 1 mm thick, 1 mm over a 5 mm loop.

    Source of the number: independent quadrature of mu0 chi int (H/I)^2 dV, first-order energy change (Jackson, sec.
    5.16).
    """
    chi = 1e-3
    points, volume = disc_pad.disc_elements(3e-3, 1e-3, 0.2e-3)
    flat = points + np.array([0.0, 0.0, 1e-3])
    h_rho, h_z = loops.loop_field(5e-3, np.hypot(flat[:, 0], flat[:, 1]), flat[:, 2])
    direct = 4e-7 * np.pi * chi * volume * np.sum(h_rho**2 + h_z**2)
    assert_allclose(direct / chi, 0.330433e-9, rtol=5e-3, atol=0.0)  # grain of the volume elements
    coarse, coarse_volume = disc_pad.disc_elements(3e-3, 1e-3, 0.5e-3)
    tables = disc_pad.coil_field_table(np.array([5e-3]))
    matrix = disc_pad.moment_matrix(coarse, coarse_volume, chi)
    shift = np.array([1e-3, 0.0, 0.0, 0.0, 0.0])
    change = disc_pad.disc_response(shift, coarse, matrix, np.zeros(2), tables)
    assert_allclose(change / chi, 0.330433e-9, rtol=0.03, atol=0.0)


def test_compact_body_demagnetises_like_a_sphere():
    """A ball in a uniform field has the moment 3 chi / (3 + chi) V H, not chi V H (Jackson, sec. 5.11)."""
    cell, chi = 0.5e-3, 2.5
    axis = (np.arange(-6, 6) + 0.5) * cell
    x, y, z = np.meshgrid(axis, axis, axis)
    points = np.stack([x, y, z], axis=-1).reshape(-1, 3)
    points = points[np.linalg.norm(points, axis=1) <= 2.75e-3]
    matrix = disc_pad.moment_matrix(points, cell**3, chi)
    field = np.tile([0.0, 0.0, 1.0], len(points))
    moment = (matrix @ field).reshape(-1, 3)[:, 2].sum()
    assert_allclose(
        moment / (cell**3 * len(points)), 3.0 * chi / (3.0 + chi), rtol=0.03, atol=0.0
    )  # a staircase sphere


def test_disc_polynomial_is_true_to_the_solution():
    """The fitted polynomial repeats solved poses it has not seen within a part in two hundred."""
    specimen = draw_specimen(IRON_DISC, SEED)
    pad = disc_pad.make_disc_pad(specimen)
    rng = np.random.default_rng(1)
    poses = disc_pad.CENTRE + disc_pad.SCALE * rng.uniform(-0.7, 0.7, (40, 5))
    other = disc_pad.make_disc_pad(specimen, samples=1200)
    assert_allclose(other.change(poses), pad.change(poses), rtol=5e-3, atol=0.0)
    assert np.all(np.diff(pad.change(np.array([[g, 0, 0, 0, 0] for g in (3e-3, 2.5e-3, 2e-3, 1.5e-3)])), axis=0) > 0)


def test_metal_rings_mirror_the_coil_at_high_frequency():
    """Rings without resistance act like the image coil: -M(2h) (method of images; A-row formula of Maxwell)."""
    radii = np.array([2.0e-3])
    impedance = metal_pad.ring_impedance(radii, 6.9e-3, 1.0e-3, 0.3e-3, 1e10)
    change = impedance.imag / (2 * np.pi * 1e10)
    assert_allclose(change, -float(loops.mutual(2e-3, 2e-3, 2e-3)), rtol=0.06, atol=0.0)  # a finite sheet of rings


def test_more_metal_over_the_coil_lowers_its_inductance():
    """Inductance falls strictly with the wetted radius over the range a press uses, and metal adds loss.

    It never takes loss away.
    """
    radii = loops.turn_radii(metal_pad.COIL_INNER, metal_pad.COIL_OUTER, metal_pad.COIL_TURNS)
    z = [metal_pad.ring_impedance(radii, r, 1.1e-3, 0.3e-3, 3e6) for r in np.linspace(2e-3, 5.4e-3, 8)]
    assert np.all(np.diff([v.imag for v in z]) < 0)
    assert np.all([v.real > 0 for v in z])


def _relays(table: np.ndarray, inputs: list[float]) -> np.ndarray:
    stack, depth, out = np.full(memory.STACK, memory.EVERETT_LOW), 1, []
    for value in inputs:
        y, depth = memory.relays_step(table, stack, depth, value)
        out.append(y)
    return np.array(out)


def test_relays_forget_inner_extrema_and_are_no_play_operators():
    """A passed extremum is wiped out (Madelung's rules, as in Mayergoyz 1991).

    Equal minor loops differ in size by their place.
    """
    table = memory.tabulate_everett(0.35, 0.35)
    with_inner = _relays(table, [0.0, 0.8, 0.3, 0.6, 0.2, 0.9])[-1]
    without = _relays(table, [0.0, 0.8, 0.2, 0.9])[-1]
    assert_allclose(with_inner, without, rtol=1e-12, atol=1e-12)
    low, high = (np.ptp(_relays(table, [0.0, b + 0.2, b, b + 0.2])[1:]) for b in (0.25, 0.75))
    assert low > 1.3 * high  # congruent loops, as of play operators, would be equal


def test_creep_is_a_power_law():
    """The sum of exponentials follows t^-order / Gamma(1 - order) from 20 ms to half an hour (Scott Blair element)."""
    order = 0.16
    rates, weights = memory.creep_nodes(order)
    t = np.geomspace(0.02, 1800.0, 40)
    assert_allclose(np.exp(-np.outer(t, rates)) @ weights, t**-order / gamma(1.0 - order), rtol=0.01, atol=0.0)


def test_chain_bends_like_a_beam():
    """With plain springs and no weight, a small force at the pad moves it by F s^3 / (3 E I).

    Source: Euler-Bernoulli cantilever.
    """
    plain = replace(draw_specimen(IRON_DISC, SEED), stiffening=0.0, back_stiffness=1.0, finger_mass=0.0, taper=0.0)
    chain = Chain(plain)
    phi = chain.solve(0.0, plain.pad_place, 0.2, np.zeros(2), np.zeros(LINKS))
    assert_allclose(-chain.point(phi)[1], 0.2 / plain.tip_stiffness, rtol=0.04, atol=0.0)  # 15 links
    arc = chain.solve(1.0, plain.pad_place, 0.0, np.zeros(2), np.zeros(LINKS))
    assert_allclose(arc, np.full(LINKS, arc.mean()), rtol=1e-6, atol=1e-9)
    assert_allclose(chain.angle(arc), plain.full_bend, rtol=1e-3, atol=0.0)


def test_contact_on_the_pad_unbends_the_finger(world: World):
    """At equal pressure a finger that presses on something bends less than a free one.

    The harder it presses the less it bends.
    """
    from second_finger.calibration_scripts import press
    from second_finger.world import Script

    bends = []
    for force in (0.0, 1.0, 3.0):
        script = Script().wait(2.0).to(1.0, command_pa=40e3).wait(2.0)
        if force:
            press(script, world, force, 1.0, hold_s=2.0)
        state, _ = world.play(script, np.array([script.duration_s - 1.2]), 1.0, 1)
        bends.append(float(state["bend_rad"][0]))
        assert_allclose(state["force_z_n"][0], force, rtol=0.2, atol=1e-12)
    assert bends[0] > bends[1] + 0.02
    assert bends[1] > bends[2] + 0.05


def test_held_at_flank_or_tip_without_force_on_the_pad(world: World):
    """A stop beside the pad blocks bending and puts no force on the pad."""
    from second_finger.world import Script

    free = Script().wait(2.0).to(1.0, command_pa=50e3).wait(2.0)
    open_bend = world.play(free, np.array([4.9]), 1.0, 1)[0]["bend_rad"][0]
    for stop in ("flank_m", "tip_m"):
        held = Script().wait(2.0).jump(**{stop: 0.5 * world.travel(50e3)}).to(1.0, command_pa=50e3).wait(2.0)
        state = world.play(held, np.array([4.9]), 1.0, 1)[0]
        assert state["bend_rad"][0] < 0.85 * open_bend
        assert state["force_z_n"][0] == 0.0


def test_released_pad_recovers_slowly(world: World):
    """After a hold the pad keeps part of its compression for seconds and loses it in the end."""
    from second_finger.calibration_scripts import press
    from second_finger.world import Script

    script = press(Script().wait(2.0), world, 3.0, 0.5, hold_s=30.0).wait(120.0)
    times = np.array([20.0, 34.0, 36.0, 150.0])
    state, _ = world.play(script, times, 1.0, 1)
    held, soon, later, end = state["compression_m"]
    assert state["force_z_n"][1] == 0.0
    assert held > soon > later > end
    assert soon > 0.02 * held
    assert end < 0.2 * soon


def test_metal_is_quick_in_and_slow_back():
    """The metal follows a fast press within tens of milliseconds and takes several times longer to return."""
    from second_finger.calibration_scripts import press
    from second_finger.world import Script

    world = make_world(LIQUID_METAL, SEED)
    script = press(Script().wait(2.0), world, 2.0, 0.02, hold_s=2.0, unloading_s=0.02).wait(3.0)
    t = np.arange(1.9, 6.9, 1e-3)
    state, _ = world.play(script, t, 1.0, 1)
    fill = state["fill"] - state["fill"][0]
    begin, end = t[state["force_z_n"] > 0.05][[0, -1]]
    top = fill[(t > end - 0.2) & (t < end)].mean()
    into = t[np.flatnonzero(fill > 0.63 * top)[0]] - begin
    back = t[np.flatnonzero((t > end) & (fill < 0.37 * top))[0]] - end
    assert 0.0 < into < 0.08
    assert back > 2.5 * into


def test_friction_never_exceeds_its_limit_and_slip_is_as_defined(world: World):
    """Shear stays within the static limit (Coulomb; 15 % for roughness), and slip rows carry at least 0.03 N."""
    recording, truth = cases.make_judged(world, "slips", SEED)
    shear = np.hypot(*truth.force_n[:, :2].T)
    assert np.all(shear <= 1.15 * world.specimen.friction_static * truth.force_n[:, 2] + 1e-3)
    assert truth.slip.mean() > 0.005
    assert np.linalg.norm(truth.force_n[truth.slip], axis=1).min() >= 0.03
    assert recording.channels == 4
    assert recording.acceleration_m_s2 is None


@pytest.mark.parametrize("name", ["light_touches", "held_back", "jittered_200hz"])
def test_recordings_start_from_rest(world: World, name: str):
    """Every judged recording starts with two seconds of unpressurised, untouched rest, and its stamps increase."""
    recording, truth = cases.make_judged(world, name, SEED)
    rest = recording.time_s < 2.0
    assert np.nanmax(np.abs(recording.pressure_pa[rest])) < 1000.0
    assert np.all(truth.force_n[rest] == 0.0)
    assert np.all(np.diff(recording.time_s) > 0.0)
    slope = np.ptp(recording.inductance_h[rest], axis=0) / recording.inductance_h[0]
    assert np.all(slope < 12.0 * world.specimen.noise)


def test_light_touches_are_light(world: World):
    """Light touches peak between 0.03 and 0.4 N and most within 0.05 to 0.3 N."""
    _, truth = cases.make_judged(world, "light_touches", SEED)
    touched = np.flatnonzero(np.diff(np.concatenate([[0], truth.force_n[:, 2] > 0, [0]])))
    peaks = np.array([truth.force_n[a:b, 2].max() for a, b in touched.reshape(-1, 2)])
    peaks = peaks[peaks > 0.01]
    assert len(peaks) >= 12
    assert peaks.max() < 0.4
    assert np.mean((peaks > 0.05) & (peaks < 0.3)) > 0.7


def test_same_seed_same_recording(world: World):
    """A seed gives the same recording again, another seed another one, and final seeds are not development seeds."""
    first, again = (cases.make_judged(world, "light_touches", SEED)[0] for _ in range(2))
    assert np.array_equal(first.inductance_h, again.inductance_h)
    assert not np.array_equal(
        first.inductance_h[:500], cases.make_judged(world, "light_touches", SEED + 1)[0].inductance_h[:500]
    )
    assert not set(cases.DEV_SEEDS) & set(cases.FINAL_SEEDS)


@pytest.mark.parametrize("kind", faults.FAULTS)
def test_faults_are_where_they_should_be(world: World, kind: str):
    """A fault changes the recording inside its windows and nowhere else."""
    from second_finger.judged_scripts import fault_motion
    from second_finger.readout import record

    good, _, _ = record(world, fault_motion(world, np.random.default_rng(3)), 5)
    bad = faults.put_fault(good, kind, cases.fault_windows(kind), np.random.default_rng(4))
    inside = np.zeros(len(good), dtype=bool)
    for start, end in cases.fault_windows(kind):
        inside |= (good.time_s >= start) & (good.time_s < end)
    same = [np.array_equal(a[~inside], b[~inside], equal_nan=True) for a, b in (
        (good.inductance_h, bad.inductance_h), (good.pressure_pa, bad.pressure_pa))]  # fmt: skip
    changed = (
        (good.pressure_pa, bad.pressure_pa) if kind.startswith("pressure") else (good.inductance_h, bad.inductance_h)
    )
    assert all(same)
    assert not np.array_equal(changed[0][inside], changed[1][inside], equal_nan=True)


def test_shares_no_code_with_the_package_it_judges():
    """The second simulator and the baselines import neither the shipped simulator nor its physics nor the estimator."""
    allowed = {"soft_tactile_node.compiled", "soft_tactile_node.recordings", "soft_tactile_node.samples"}
    for path in [*HERE.glob("second_finger/*.py"), *HERE.glob("baselines/*.py"), HERE / "cases.py"]:
        for node in ast.walk(ast.parse(path.read_text())):
            modules = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            modules += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            strangers = {m for m in modules if m.startswith("soft_tactile")} - allowed
            assert not strangers, f"{path.name} imports {strangers}"
