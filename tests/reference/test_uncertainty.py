"""Group M, uncertainty: worked examples of the GUM, certified regressions, correlated samples against closed forms."""

import math

import numpy as np
import pytest

from soft_tactile_node.calibration.ridge import Ridge, split_blocks
from soft_tactile_node.calibration.uncertainty import combine, coverage_factor, effective_size, fit_line, jackknife

GUM = "JCGM 100:2008 (GUM)"


def column(rows, name):
    """Return a column of a table as an array."""
    return np.array([row[name] for row in rows], dtype=float)


def test_end_gauge(table, read_table):
    """GUM H.1: combined uncertainty, effective degrees of freedom and expanded uncertainty of an end gauge."""
    rows = read_table("gum_h1.csv")
    spread, degrees, slope = (column(rows, name) for name in ("uncertainty", "dof", "sensitivity"))
    result = combine(spread, slope, degrees, level=0.99)
    table.close("H.1 combined (nm)", result.standard, 32.0, f"{GUM} H.1.6 [SEEN]", atol=0.5)
    table.close("H.1 squared (nm2)", result.standard**2, 1002.0, f"{GUM} H.1.4 [RECALL (reproduced)]", atol=2.0)
    table.close(
        "H.1 degrees of freedom", result.degrees_of_freedom, 16.7, f"{GUM} H.1.6 [RECALL (reproduced)]", atol=0.1
    )
    table.close("H.1 coverage, 99 %", result.coverage, 2.92, f"{GUM} H.1.6 [RECALL (reproduced)]", atol=0.005)
    # the GUM multiplies the rounded 32 nm
    expanded = result.coverage * round(result.standard)
    table.close("H.1 expanded, 99 % (nm)", expanded, 93.0, f"{GUM} H.1.6 [RECALL (reproduced)]", atol=0.5)
    assert result.expanded == pytest.approx(result.coverage * result.standard, rel=1e-15)
    comparison = combine(spread[1:4], np.ones(3), degrees[1:4])
    table.close("H.1 comparison (nm)", comparison.standard, 9.7, f"{GUM} H.1.3.2 [RECALL (reproduced)]", atol=0.05)
    # 25.6 comes of the rounded 9.7 nm
    degrees = comparison.degrees_of_freedom * (9.7 / comparison.standard) ** 4
    table.close("H.1 its degrees", degrees, 25.6, f"{GUM} H.1.6 [RECALL (reproduced)]", atol=0.05)


def test_effective_degrees_of_freedom(table):
    """GUM G.4.1: three inputs of 10, 5 and 15 readings, relative uncertainties in per cent."""
    result = combine(np.array([0.25, 0.57, 0.82]), np.ones(3), np.array([9.0, 4.0, 14.0]))
    source = f"{GUM} G.4.1 example [RECALL (reproduced)]"
    table.close("G.4.1 combined (%)", result.standard, 1.03, source, atol=0.005)
    table.close("G.4.1 degrees of freedom", result.degrees_of_freedom, 19.0, source, atol=0.05)
    table.close("G.4.1 coverage, 95 %", result.coverage, 2.09, source, atol=0.005)


def test_coverage_factors(table):
    """GUM table G.2: Student's t; the last row is the normal distribution."""
    got = [coverage_factor(n, 0.95) for n in (1, 9, 20, math.inf)] + [coverage_factor(n, 0.9973) for n in (5, math.inf)]
    wanted = [12.71, 2.26, 2.09, 1.96, 5.51, 3.0]
    table.close("Table G.2", got, wanted, f"{GUM} table G.2 [RECALL (reproduced)]", atol=0.006)
    table.close("M11 t(0.975), 9", coverage_factor(9.7), 2.262157, "tables; degrees cut to a whole one", atol=1e-6)


def test_correlated_inputs(table, read_table):
    """GUM H.2: resistance, reactance and impedance from five sets of correlated readings."""
    rows = read_table("gum_h2.csv")
    readings = np.stack([column(rows, name) for name in ("V", "I", "phi")])
    mean = readings.mean(axis=1)
    covariance = np.cov(readings) / readings.shape[1]
    spread = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(spread, spread)
    volt, ampere, phi = mean
    z = volt / ampere
    slopes = {
        "R": (z * math.cos(phi), [math.cos(phi) / ampere, -z * math.cos(phi) / ampere, -z * math.sin(phi)]),
        "X": (z * math.sin(phi), [math.sin(phi) / ampere, -z * math.sin(phi) / ampere, z * math.cos(phi)]),
        "Z": (z, [1.0 / ampere, -z / ampere, 0.0]),
    }
    published = {"R": (127.732, 0.071), "X": (219.847, 0.295), "Z": (254.260, 0.236)}
    for name, (value, slope) in slopes.items():
        result = combine(spread, np.array(slope), np.full(3, 4.0), correlation)
        table.close(f"H.2 {name} (ohm)", value, published[name][0], f"{GUM} H.2 [SEEN]", atol=1e-3)
        table.close(f"H.2 u({name}) (ohm)", result.standard, published[name][1], f"{GUM} H.2 [SEEN]", atol=1e-3)
        assert result.degrees_of_freedom == 4.0


def test_calibration_line(table, read_table):
    """GUM H.3: calibration of a thermometer, parameters, their correlation, and a predicted correction."""
    rows = read_table("gum_h3.csv")
    line = fit_line(column(rows, "t_C"), column(rows, "b_C"), origin=20.0)
    source = f"{GUM} H.3 [SEEN]"
    table.close("H.3 intercept (degC)", line.intercept, -0.1712, source, atol=5e-5)
    table.close("H.3 its uncertainty", line.intercept_uncertainty, 0.0029, source, atol=5e-5)
    table.close("H.3 slope (1)", line.slope, 0.00218, source, atol=5e-6)
    table.close("H.3 its uncertainty", line.slope_uncertainty, 0.00067, source, atol=5e-6)
    table.close("H.3 correlation (1)", line.correlation, -0.930, source, atol=5e-4)
    table.close("H.3 residual (degC)", line.deviation, 0.0035, source, atol=5e-5)
    value, spread = line.at(30.0)
    table.close("H.3 b(30) (degC)", value, -0.1494, source, atol=5e-5)
    table.close("H.3 u(b(30)) (degC)", spread.standard, 0.0041, source, atol=5e-5)
    table.close("H.3 degrees of freedom", spread.degrees_of_freedom, 9.0, source, atol=0.0)


def test_blocks_of_correlated_readings(table, read_table):
    """GUM H.5: ten days of five readings; the uncertainty comes from the scatter between days, not of all readings."""
    rows = read_table("gum_h5.csv")
    days, scatter = column(rows, "mean_uv"), column(rows, "deviation_uv")
    # readings with the published mean and standard deviation of their day
    pattern = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
    pattern /= pattern.std(ddof=1)
    readings = (days[:, None] + scatter[:, None] * pattern).ravel()
    value, spread = jackknife(lambda v: float(v.mean()), (readings,), 10)
    source = f"{GUM} H.5.2 [RECALL (reproduced)]"
    table.close("H.5 mean less 10 V (uV)", value, 97.0, source, atol=0.5)
    table.close("H.5 standard uncertainty (uV)", spread.standard, 18.0, source, atol=0.5)
    table.close("H.5 degrees of freedom", spread.degrees_of_freedom, 9.0, source, atol=0.0)


def test_certified_line(table, read_table):
    """M1: Norris; estimates, their standard deviations and the residual's, as certified."""
    rows = read_table("nist_norris.csv")
    line = fit_line(column(rows, "x"), column(rows, "y"))
    source = "NIST StRD Norris, certified [SEEN]"
    table.close(
        "Norris B0, B1", [line.intercept, line.slope], [-0.262323073774029, 1.00211681802045], source, rtol=1e-9
    )
    table.close(
        "Norris sd of B0, B1",
        [line.intercept_uncertainty, line.slope_uncertainty],
        [0.232818234301152, 0.429796848199937e-3],
        source,
        rtol=1e-9,
    )
    table.close("Norris residual", line.deviation, 0.884796396144373, source, rtol=1e-9)


def test_certified_load_cell(table, read_table):
    """M2: Pontius, a load cell; the fit of the calibration, without penalty, gives the certified quadratic."""
    rows = read_table("nist_pontius.csv")
    x, y = column(rows, "load_x"), column(rows, "deflection_y")
    design = np.column_stack([np.ones_like(x), x, x**2])
    weights = Ridge(design, y[:, None], split_blocks([np.arange(float(x.size))])).weights(0.0)[:, 0]
    wanted = [6.73565789473684e-4, 7.32059160401003e-7, -3.16081871345029e-15]
    table.close("Pontius B0, B1, B2", weights, wanted, "NIST StRD Pontius, certified [SEEN]", rtol=1e-7)
    residual = y - design @ weights
    deviation = math.sqrt(residual @ residual / (x.size - 3))
    table.close("Pontius residual", deviation, 2.05177424076185e-4, "NIST StRD Pontius, certified [SEEN]", rtol=1e-7)


@pytest.mark.parametrize("memory", [0.0, 0.5, 0.9, 0.98])
def test_effective_size_of_a_first_order_process(table, memory):
    """Of n samples of x' = phi x + e, n (1 - phi) / (1 + phi) independent ones tell as much about the mean.

    The sum over lags scatters itself, at phi = 0.98 by about the square root of 4 * 100 lags / 400 000, 3 %.
    """
    n, rng = 400_000, np.random.default_rng(11)
    from scipy.signal import lfilter

    process = lfilter([1.0], [1.0, -memory], rng.standard_normal(n))
    wanted = n * (1.0 - memory) / (1.0 + memory)
    table.close(
        f"effective size, phi = {memory}",
        effective_size(process),
        wanted,
        "closed form, any time-series text",
        rtol=0.1,
    )


@pytest.mark.parametrize("memory", [0.0, 0.9])
def test_block_uncertainty_of_a_first_order_process(table, memory):
    """The scatter between blocks gives the variance of the mean in closed form, correlated or not."""
    from scipy.signal import lfilter

    n, runs = 6000, 300
    rng = np.random.default_rng(12)
    square = []
    for _ in range(runs):
        process = lfilter([1.0], [1.0, -memory], rng.standard_normal(n))
        square.append(jackknife(lambda v: float(v.mean()), (process,), 12)[1].standard ** 2)
    wanted = 1.0 / (n * (1.0 - memory) ** 2)
    # 300 runs with 11 degrees of freedom each know the variance to sqrt(2 / 3300) = 2.5 %; three of those
    table.close(f"variance of a mean, phi = {memory}", np.mean(square), wanted, "closed form", rtol=0.075)


def test_too_little_is_refused():
    """A line needs three points in two places, a jackknife two blocks, a coverage factor a degree of freedom."""
    with pytest.raises(ValueError, match="number of points must be >= 3; got 2"):
        fit_line(np.array([0.0, 1.0]), np.array([0.0, 1.0]))
    with pytest.raises(ValueError, match="spread of x must be > 0; got 0"):
        fit_line(np.ones(3), np.arange(3.0))
    with pytest.raises(ValueError, match="blocks must be >= 2; got 1"):
        jackknife(np.mean, (np.arange(9.0),), 1)
    with pytest.raises(ValueError, match=r"degrees_of_freedom must be >= 1; got 0\.5"):
        coverage_factor(0.5)
    with pytest.raises(ValueError, match="level must be > 0 and <= 1; got 0"):
        coverage_factor(5, 0.0)
