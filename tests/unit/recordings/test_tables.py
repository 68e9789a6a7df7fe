"""Tables in memory refuse arrays that do not fit together."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from soft_tactile_node.errors import ShapeError
from soft_tactile_node.recordings import EstimateTable, Recording, Truth


def make(**changes: object) -> Recording:
    """Return a recording of five rows and two channels, with changes."""
    columns: dict[str, object] = {
        "time_s": np.arange(5.0),
        "pressure_pa": np.zeros(5),
        "inductance_h": np.arange(10.0).reshape(5, 2),
        "temperature_c": np.full(5, 20.0),
    }
    return Recording(**{**columns, **changes})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "changes",
    [
        {"pressure_pa": np.zeros(4)},
        {"temperature_c": np.zeros(6)},
        {"inductance_h": np.zeros(5)},
        {"inductance_h": np.zeros((5, 0))},
        {"inductance_h": np.zeros((5, 17))},
        {"loss_ohm": np.zeros((5, 3))},
        {"force_n": np.zeros((5, 2))},
        {"acceleration_m_s2": np.zeros((4, 3))},
        {"bend_rad": np.zeros((5, 1))},
    ],
)
def test_a_recording_has_one_entry_a_row(changes: dict[str, object]) -> None:
    """Every column of a recording has one entry a row, and there are 1 to 16 channels."""
    with pytest.raises(ShapeError, match="must be of"):
        make(**changes)


def test_rows_can_be_taken_from_a_recording() -> None:
    """A part of a recording keeps the columns and cuts every one of them."""
    part = make(force_n=np.ones((5, 3)), extra={"note": ("a", "b", "c", "d", "e")}, source="log", sha256="12")
    part = part.select_rows(slice(1, 3))
    assert len(part) == 2
    assert_array_equal(part.inductance_h, [[2, 3], [4, 5]])
    assert part.force_n is not None
    assert part.force_n.shape == (2, 3)
    assert part.extra == {"note": ("b", "c")}
    assert (part.source, part.sha256) == ("log", "")


def test_truth_and_estimate_have_one_entry_a_row() -> None:
    """Truth and estimate refuse columns of different length."""
    n = np.zeros(4)
    with pytest.raises(ShapeError, match="slip must be of shape"):
        Truth(n, np.zeros((4, 3)), n, n > 0, np.zeros(3, dtype=bool))
    with pytest.raises(ShapeError, match="flags must be of shape"):
        EstimateTable(n, flags=np.zeros(5, dtype=np.int64))


def test_a_column_that_is_not_given_is_blank_in_every_row() -> None:
    """Who makes a table names what it knows; the rest is as the declaration of the field says."""
    table = EstimateTable(np.arange(4.0), in_contact=True, force_n=np.ones((4, 3)))  # type: ignore[arg-type]
    assert np.isnan(table.force_variance_n2).all()
    assert table.force_variance_n2.shape == (4, 3)
    assert_array_equal(table.in_contact, [True] * 4)
    assert_array_equal(table.contact_probability, np.zeros(4))
    assert (table.flags.dtype, table.in_contact.dtype) == (np.int64, np.bool_)
