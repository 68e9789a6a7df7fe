from __future__ import annotations

import math

import numpy as np
import pytest

from soft_tactile_node.merging import PressureMerge, VentedReference


class TestPressureMerge:
    """Which reading belongs to which scan."""

    def test_hands_out_the_newest_reading_not_younger_than_the_scan(self) -> None:
        """Of several readings up to the scan the newest counts, and a younger one waits for a later scan."""
        merge = PressureMerge()
        for time_s, pressure_pa in ((0.1, 1.0), (0.2, 2.0), (0.31, 3.0)):
            merge.add(time_s, pressure_pa)
        assert merge.take(0.3) == 2.0
        assert merge.take(0.4) == 3.0

    def test_hands_out_each_reading_once(self) -> None:
        """A scan without a new reading gets NaN, which means: hold the last one."""
        merge = PressureMerge()
        merge.add(0.1, 1.0)
        assert merge.take(0.1) == 1.0
        assert math.isnan(merge.take(0.2))

    def test_does_not_grow_without_end(self) -> None:
        """Readings without scans are dropped, oldest first."""
        merge = PressureMerge()
        for number in range(5000):
            merge.add(float(number), float(number))
        merge.clear()
        assert math.isnan(merge.take(1e9))


class TestVentedReference:
    """What gauge pressure is measured against."""

    def test_is_the_mean_of_the_tare(self) -> None:
        """The reference after a tare is the mean of its readings; before that, the first reading serves."""
        reference = VentedReference()
        assert math.isnan(reference.value_pa)
        for reading_pa in (101300.0, 101310.0, 101320.0):
            reference.add(reading_pa)
            assert reference.value_pa == 101300.0
        reference.finish()
        assert reference.value_pa == pytest.approx(101310.0, rel=1e-12)

    def test_keeps_the_old_value_until_the_next_tare_is_done(self) -> None:
        """A second tare replaces the reference only at its end, and an empty one not at all."""
        reference = VentedReference()
        reference.add(101300.0)
        reference.finish()
        reference.begin()
        reference.add(99000.0)
        assert reference.value_pa == 101300.0
        reference.finish()
        assert reference.value_pa == 99000.0
        reference.begin()
        reference.finish()
        assert reference.value_pa == 99000.0

    def test_follows_a_line_that_is_still_being_vented(self) -> None:
        """A tare that begins on the way down ends with the vented line, not with where it began."""
        reference = VentedReference()
        for reading_pa in [*np.linspace(109e3, 99e3, 50), *[99e3] * 100]:
            reference.add(reading_pa)
        assert reference.value_pa == pytest.approx(99e3, abs=200.0)
        reference.finish()
        assert reference.value_pa == pytest.approx(99e3, abs=50.0)

    def test_follows_neither_a_rise_nor_a_single_reading(self) -> None:
        """A finger that is pressurised during its tare stays pressurised, and one wild reading moves nothing."""
        reference = VentedReference()
        for reading_pa in [99e3] * 20 + [60e3] + [99e3] * 20 + [106e3] * 50:
            reference.add(reading_pa)
        assert reference.value_pa == 99e3

    def test_a_given_value_stays(self) -> None:
        """Where the atmospheric pressure was given, readings do not move it."""
        reference = VentedReference(100000.0)
        reference.add(101300.0)
        reference.finish()
        assert reference.value_pa == 100000.0
