"""One finger of each pad for all tests of the estimator, recorded and calibrated once."""

from __future__ import annotations

import pytest

from unit.estimation.fingers import Finger, make_finger


@pytest.fixture(scope="session")
def iron_disc() -> Finger:
    """A finger of four channels."""
    return make_finger("iron_disc")


@pytest.fixture(scope="session")
def liquid_metal() -> Finger:
    """A finger of one channel."""
    return make_finger("liquid_metal")


@pytest.fixture(params=["iron_disc", "liquid_metal"])
def finger(request: pytest.FixtureRequest) -> Finger:
    """Run a test with both fingers."""
    found: Finger = request.getfixturevalue(request.param)
    return found
