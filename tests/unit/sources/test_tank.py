from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.errors import SourceError
from soft_tactile_node.physics.resonator import resonance_frequency
from soft_tactile_node.sources.tank import Tank, load_tank

COILS_H = np.array([8e-6, 12e-6, 15e-6, 20e-6])


def counts_of(tank: Tank, coils_h: np.ndarray, resistance_ohm: float) -> np.ndarray:
    """Return what an ideal counter would count, from the tank's own circuit."""
    c = np.asarray(tank.capacitor_f) + np.asarray(tank.parasitic_capacitance_f)
    f = resonance_frequency(coils_h + np.asarray(tank.parasitic_inductance_h), c, resistance_ohm)
    if tank.counter == "gated":
        return f / tank.divider * tank.gate_ticks / tank.reference_hz
    return tank.divider * tank.reference_hz / f


@pytest.mark.parametrize(
    "counter", [{"counter": "reciprocal", "divider": 1000.0}, {"counter": "gated", "gate_ticks": 1.0e6}]
)
@pytest.mark.parametrize("capacitor_f", [470e-12, [460e-12, 470e-12, 480e-12, 490e-12]])
def test_counts_become_inductance(counter: dict[str, float], capacitor_f: object) -> None:
    """Counts of a tank with stray capacitance, lead inductance and loss give back the coil's own inductance."""
    tank = Tank(
        **counter, reference_hz=50e6, capacitor_f=capacitor_f,
        parasitic_capacitance_f=12e-12, parasitic_inductance_h=40e-9, resistance_ohm=4.5,
    )  # fmt: skip
    counts = counts_of(tank, COILS_H, 4.5)
    assert_allclose(tank.inductance(counts), COILS_H, rtol=1e-12, atol=0.0)
    # a measured loss replaces the one described, channel by channel
    loss = np.array([9.0, np.nan, 9.0, np.nan])
    mixed = np.where(np.isnan(loss), counts, counts_of(tank, COILS_H, 9.0))
    assert_allclose(tank.inductance(mixed, loss), COILS_H, rtol=1e-12, atol=0.0)


def test_a_textbook_tank() -> None:
    """100 uH and 100 pF without loss ring at 1.5915 MHz, 1/(2 pi sqrt(L C)); the counts of that are 100 uH again."""
    tank = Tank(reference_hz=50e6, divider=1000.0, capacitor_f=100e-12)
    frequency_hz = 1.0 / (2.0 * np.pi * 1e-7)
    assert frequency_hz == pytest.approx(1.5915e6, rel=1e-4)
    assert_allclose(tank.inductance(np.array([1000.0 * 50e6 / frequency_hz])), [100e-6], rtol=1e-12)


def test_no_count_is_no_reading() -> None:
    """A count of 0, and one that only a coil of no inductance could give, are NaN, never a number."""
    tank = Tank(reference_hz=50e6, capacitor_f=470e-12, parasitic_inductance_h=1e-3)
    assert np.isnan(tank.inductance(np.array([0.0, 10.0]))).all()


def test_another_number_of_channels_is_refused() -> None:
    """Counts of three channels do not fit a description of two."""
    tank = Tank(reference_hz=50e6, capacitor_f=[1e-10, 1e-10])
    with pytest.raises(SourceError, match="described for 2 channels; got counts of 3"):
        tank.inductance(np.ones(3))


def test_a_file_is_read(tmp_path: Path) -> None:
    """A description in YAML gives the tank it describes."""
    (tmp_path / "tank.yaml").write_text("reference_hz: 50.0e6\ndivider: 2\ncapacitor_f: [1.0e-10, 2.0e-10]\n")
    assert load_tank(tmp_path / "tank.yaml") == Tank(reference_hz=50e6, divider=2.0, capacitor_f=[1e-10, 2e-10])


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("reference_hz: 4.0e7\n", "key capacitor_f: is missing"),
        ("reference_hz: -1\ncapacitor_f: 1.0e-10\n", "key reference_hz: input should be greater than 0; got -1"),
        ("reference_hz: .nan\ncapacitor_f: 1.0e-10\n", "key reference_hz: "),
        ("reference_hz: 4.0e7\ncapacitor_f: [1.0e-10, -2]\n", "key capacitor_f"),
        ("reference_hz: 4.0e7\ncapacitor_f: 1.0e-10\ncolour: red\n", "key colour: is not a known key"),
        ("reference_hz: 4.0e7\ncapacitor_f: 1.0e-10\ncounter: gated\n", "gate_ticks must be given for a gated counter"),
        (
            "reference_hz: 4.0e7\ncapacitor_f: [1.0e-10, 1.0e-10]\nresistance_ohm: [1, 2, 3]\n",
            "one value for each channel; capacitor_f has 2, resistance_ohm has 3",
        ),
        ("- 1\n", "tank.yaml, key (whole file): "),
        ("a: [", "line 1: is no YAML file"),
        ("!!python/object/apply:os.getcwd []\n", "is no YAML file"),
        ("x" * 200_000, "is larger than"),
    ],
)
def test_a_bad_file_is_refused(tmp_path: Path, content: str, words: str) -> None:
    """What is wrong is said in one line with the file and the key, and nothing in the file is executed."""
    (tmp_path / "tank.yaml").write_text(content)
    with pytest.raises(SourceError) as caught:
        load_tank(tmp_path / "tank.yaml")
    assert words in str(caught.value)
    assert "tank.yaml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    """A file that is not there is named."""
    with pytest.raises(SourceError, match=r"gone.yaml: cannot be read \(No such file"):
        load_tank(tmp_path / "gone.yaml")
