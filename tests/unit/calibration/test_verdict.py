"""Recordings that do not fit physics or each other are refused, or the verdict names the limit."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import fields, replace
from functools import cache

import numpy as np
import pytest

from soft_tactile_node.calibration import Calibration, calibrate
from soft_tactile_node.calibration.judgement import Health, describe_calibration
from soft_tactile_node.calibration.record import Figure
from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.recordings import Recording
from soft_tactile_node.samples import Array
from soft_tactile_node.simulation import simulate

RATE_HZ = 200.0


@cache
def record(scenario: str, pad: str = "iron_disc", specimen: int = 3) -> Recording:
    """Return a bench recording of a simulated finger."""
    seed = {"free-bend": 33, "press": 34}[scenario]
    return simulate(scenario, pad=pad, seed=seed, rate_hz=RATE_HZ, specimen_seed=specimen)[0]


@cache
def good_record() -> Calibration:
    """Return the calibration of sound recordings."""
    return calibrate([record("free-bend")], [record("press")])


def judge(free: Recording, press: Recording) -> Health:
    """Return the verdict on a calibration from two recordings."""
    made = calibrate([free], [press])
    return describe_calibration(made, made.made_on)


def keep_rows(recording: Recording, rows: Array) -> Recording:
    """Return a recording of some rows at an even rate."""
    count = len(recording)
    columns = {f.name: getattr(recording, f.name) for f in fields(recording)}
    kept = {n: v[rows] for n, v in columns.items() if isinstance(v, np.ndarray) and len(v) == count}
    kept["time_s"] = recording.time_s[0] + np.arange(len(rows)) / RATE_HZ
    return replace(recording, **kept)


def order_channels(recording: Recording, *order: int) -> Recording:
    """Return a recording with its channels in another order."""
    return replace(recording, inductance_h=recording.inductance_h[:, list(order)])


def test_sound_recordings_are_healthy() -> None:
    """Without anything wrong there is neither problem nor limit, and the figures of the verdict are all there."""
    made = good_record()
    health = describe_calibration(made, made.made_on)
    assert (health.problems, health.limits, health.verdict, health.exit_code) == ((), (), "healthy", 0)
    assert {"press_bending", "tare_shift", "unloading", "press_pressure", "shear_x_zero"} <= set(made.figures)
    for axis in "xyz":
        assert 0.93 <= made.figures[f"within_two_sigma_{axis}"].value <= 1.0


@pytest.mark.parametrize(
    ("free", "press", "reason"),
    [
        (
            lambda: record("free-bend"),
            lambda: replace(record("press"), force_n=record("press").force_n * 101.97),
            r"force_z_n: presses reach 5[34]\d N.*5[34]\d grams-force would be 5\.3 N",
        ),
        (
            lambda: record("free-bend"),
            lambda: replace(record("press"), pressure_pa=record("press").pressure_pa / 1000.0),
            r"pressure_pa: reaches 60\.\d Pa.*give pascals, not kilopascals",
        ),
        (
            lambda: replace(record("free-bend"), pressure_pa=record("free-bend").pressure_pa / 1000.0),
            lambda: record("press"),
            r"must span at least 3 kPa.*give pascals",
        ),
        (
            lambda: record("free-bend"),
            lambda: order_channels(record("press"), 1, 0, 2, 3),
            r"channels 1 and 2 are exchanged",
        ),
        (
            lambda: record("free-bend"),
            lambda: order_channels(record("press"), 2, 1, 0, 3),
            r"channels 1 and 3 are exchanged",
        ),
        (
            lambda: record("free-bend"),
            lambda: record("press", specimen=8),
            r"bends otherwise than the free-bend recordings say",
        ),
    ],
    ids=["grams", "kilopascals pressed", "kilopascals free", "like channels", "unlike channels", "another finger"],
)
def test_what_does_not_fit_is_refused(
    free: Callable[[], Recording], press: Callable[[], Recording], reason: str
) -> None:
    """Another unit, other plugs or another finger is refused in one line that says which."""
    with pytest.raises(CalibrationError, match=reason) as caught:
        calibrate([free()], [press()])
    assert "\n" not in str(caught.value)


def test_another_finger_that_bends_alike_is_named() -> None:
    """Where the other finger bends much alike, its rest still tells; the limit says so."""
    health = judge(record("free-bend", "liquid_metal"), record("press", "liquid_metal", 8))
    assert health.exit_code == 3
    assert any("another finger" in text for text in health.limits)


def test_presses_that_never_unload_are_limited() -> None:
    """Without an unloading branch the verdict is usable with that limit."""
    press = record("press")
    assert press.force_n is not None
    smooth = np.convolve(press.force_n[:, 2], np.ones(9) / 9, "same")
    kept = ~(np.gradient(smooth) < -0.004)
    kept[:600] = True
    health = judge(record("free-bend"), keep_rows(press, np.flatnonzero(kept)))
    assert health.exit_code == 3
    assert [text for text in health.limits if text.startswith("no unloading branch")]


def test_channels_in_another_unit_are_limited() -> None:
    """Coils in microhenry serve, but the verdict says that no coil has so much."""
    free, press = (replace(r, inductance_h=r.inductance_h * 1e6) for r in (record("free-bend"), record("press")))
    health = judge(free, press)
    assert health.exit_code == 3
    assert any(re.match(r"coil 1 rests at 1\.7\d H", text) for text in health.limits)


def test_shear_that_tells_nothing_is_limited() -> None:
    """A shear axis whose reference has nothing to do with the channels is not healthy."""
    press = record("press")
    assert press.force_n is not None
    force = press.force_n.copy()
    signs = np.random.default_rng(4).choice([-1.0, 1.0], size=len(press) // 400 + 1)
    force[:, 0] *= np.repeat(signs, 400)[: len(press)]
    health = judge(record("free-bend"), replace(press, force_n=force))
    assert health.exit_code == 3
    assert any("do not use force_x" in text for text in health.limits)
    assert not any("do not use force_y" in text for text in health.limits)


@pytest.mark.parametrize(("share", "code"), [(0.87, 3), (0.95, 0)])
def test_a_variance_that_is_too_small_is_limited(share: float, code: int) -> None:
    """87 % within two standard deviations is no honest variance."""
    made = good_record()
    figure: Figure = made.figures["within_two_sigma_z"].model_copy(update={"value": share})
    other = made.model_copy(update={"figures": made.figures | {"within_two_sigma_z": figure}})
    health = describe_calibration(other, other.made_on)
    assert health.exit_code == code
    assert any("87% of the pressed samples" in text for text in health.limits) == (code == 3)


def test_the_share_is_counted_and_not_assumed() -> None:
    """With a reference that strays by half a newton from press to press fewer samples are within two sigma."""
    press = record("press")
    assert press.force_n is not None
    from soft_tactile_node.calibration.verdict_figures import replayed_figures

    off = press.force_n.copy()
    off[:, 2] += np.where(off[:, 2] > 0.2, 0.5, 0.0)
    counted = replayed_figures(good_record(), [replace(press, force_n=off)])
    assert counted["within_two_sigma_z"].value < 0.8 * good_record().figures["within_two_sigma_z"].value
