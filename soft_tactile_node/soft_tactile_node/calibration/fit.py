"""Calibrate a finger from free-bend and press recordings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date

import numpy as np
from threadpoolctl import threadpool_limits

from soft_tactile_node.calibration.bending_fit import (
    LAG_S,
    PLAY_RADIUS,
    BendingFit,
    fit_bending,
    slope_table,
)
from soft_tactile_node.calibration.contamination import check_untouched
from soft_tactile_node.calibration.figures import figures_of_merit
from soft_tactile_node.calibration.noise_fit import fit_health, fit_noise, measure_tails
from soft_tactile_node.calibration.pad_fit import PAD_RATE_HZ, PadFit, fit_pad
from soft_tactile_node.calibration.preparation import Prepared, prepare, thin
from soft_tactile_node.calibration.record import (
    SCHEMA_VERSION,
    BendingModel,
    Calibration,
    Geometry,
    PadModel,
    Ranges,
    SourceFile,
    nested,
)
from soft_tactile_node.calibration.refusals import check_free_bend, check_press, find_gaps
from soft_tactile_node.recordings import Recording

FORCE_RATE_N = 4.0
"""Random walk of the force in the contact filter (N per square root of a second): quick enough for any grasp."""

UNITS = {
    "pressure": "gauge Pa",
    "load": "pressure over the highest calibrated pressure (1)",
    "inductance": "H",
    "change": "relative to the tare (1)",
    "force": "N, pad frame",
    "temperature": "degC",
    "time": "s",
    "angle": "rad",
}

Progress = Callable[[str], None]


def calibrate(
    free_bend: Sequence[Recording],
    press: Sequence[Recording],
    *,
    pad: str | None = None,
    serial: str = "",
    geometry: Geometry | None = None,
    made_on: date | None = None,
    progress: Progress | None = None,
) -> Calibration:
    """Return the calibration of one finger.

    Parameters
    ----------
    free_bend : sequence of Recording
        Pressure sweeps without contact.
    press : sequence of Recording
        Presses with a reference force on the pad.
    pad : str, optional
        `iron_disc` or `liquid_metal`; None = told from the sign of the press response.
    serial : str
        Serial number of the pad, empty = none.
    geometry : Geometry, optional
        Lengths of the finger (m), for outputs in the root frame.
    made_on : datetime.date, optional
        Date to write; None leaves 1970-01-01 (the core reads no clock).
    progress : callable, optional
        Called with the name of each phase.

    Returns
    -------
    Calibration
        The record.

    Raises
    ------
    CalibrationError
        The recordings cannot give a calibration; the message says why and what to record instead.
    """
    # with more threads the many small products of two fits at once take ten times as long
    with threadpool_limits(1, user_api="blas"):
        return _calibrate(free_bend, press, pad, serial, geometry, made_on, progress or (lambda _: None))


def _calibrate(
    free_bend: Sequence[Recording],
    press: Sequence[Recording],
    pad: str | None,
    serial: str,
    geometry: Geometry | None,
    made_on: date | None,
    tell: Progress,
) -> Calibration:
    """Fit, and put the record together."""
    tell("checking the recordings")
    free = [prepare(recording) for recording in free_bend]
    pressed = [prepare(recording) for recording in press]
    check_free_bend(free_bend, free)
    check_press(press, pressed, free)
    everything = [*free, *pressed]
    scale_pa = float(max(np.quantile(p.pressure_pa, 0.999) for p in free))
    tell("fitting the free-bend model")
    bending = fit_bending(free, scale_pa)
    check_untouched(free, bending.residuals)
    tell("fitting the pad model")
    # fewer rows make minutes into seconds
    pressed = [thin(recording, PAD_RATE_HZ) for recording in pressed]
    pad_fit = _fit_pad(pressed, [thin(recording, PAD_RATE_HZ) for recording in free], bending)
    tell("measuring noise and figures of merit")
    noise = fit_noise(free, bending, pressed, pad_fit)
    slope_load, slope = slope_table(bending.weights)
    temperature = _temperature_range([*free_bend, *press])
    response = float(np.sum(pad_fit.force_n[:, 2:3] * np.vstack(pad_fit.contacts)))
    calibration = Calibration(
        schema_version=SCHEMA_VERSION,
        channels=free_bend[0].channels,
        pad=pad or ("iron_disc" if response > 0.0 else "liquid_metal"),
        units=UNITS,
        made_on=made_on or date(1970, 1, 1),
        sources=tuple(
            SourceFile(name=recording.source, kind=kind, sha256=recording.sha256)
            for kind, group in (("free_bend", free_bend), ("press", press))
            for recording in group
        ),
        tare_inductance_h=nested(np.mean([p.tare_inductance_h for p in everything], axis=0)),
        tare_temperature_c=None if temperature is None else float(f"{np.nanmean(free_bend[0].temperature_c[:50]):.4g}"),
        ranges=_ranges(free, pad_fit, bending, scale_pa, temperature),
        bending=BendingModel(
            lag_s=nested(LAG_S),
            play_radius=nested(PLAY_RADIUS),
            weights=nested(bending.weights),
            angle_weights=None if bending.angle_weights is None else nested(bending.angle_weights),
            angle_deviation_rad=bending.angle_deviation_rad,
            slope_load=nested(slope_load),
            slope=nested(slope),
        ),
        pad_model=PadModel(
            axes=pad_fit.axes,
            scale=nested(pad_fit.pad.scale),
            lean=nested(pad_fit.pad.lean),
            low=nested(pad_fit.pad.low),
            high=nested(pad_fit.pad.high),
            weights=nested(pad_fit.pad.weights),
            lag_s=nested(pad_fit.pad.lag_s),
            fill=nested(pad_fit.pad.fill),
            empty=nested(pad_fit.pad.empty),
            directions=nested(pad_fit.directions),
            pattern=nested(pad_fit.pattern),
            error_floor=nested(pad_fit.error_floor),
            error_relative=nested(pad_fit.error_relative),
            noise_gain=nested(pad_fit.noise_gain),
            shear_ratio=nested(pad_fit.shear_ratio),
            compliance=pad_fit.compliance,
            force_rate_n=FORCE_RATE_N,
        ),
        noise=noise,
        health=fit_health([*free_bend, *press], everything, scale_pa),
        figures=figures_of_merit(free, bending, pad_fit),
        not_identified=find_gaps(free, pressed, pad_fit),
        serial=serial,
        geometry=geometry,
    )
    tails = measure_tails(calibration, free, bending)
    return calibration.model_copy(update={"noise": noise.model_copy(update={"tail": tails})})


def _fit_pad(pressed: Sequence[Prepared], free: Sequence[Prepared], bending: BendingFit) -> PadFit:
    """Fit with shear where there are channels and shear enough to tell, else normal force only."""
    channels = pressed[0].change.shape[1]
    shear = max(float(np.nanquantile(np.abs(p.force_n[:, :2]), 0.995)) for p in pressed if p.force_n is not None)
    return fit_pad(pressed, free, bending, 3 if channels >= 3 and shear > 0.1 else 1)


def _temperature_range(recordings: Sequence[Recording]) -> tuple[float, float] | None:
    """Return the coldest and warmest calibrated temperature (degC), None where it was never measured."""
    values = [r.temperature_c[np.isfinite(r.temperature_c)] for r in recordings]
    values = [v for v in values if v.size]
    if not values:
        return None
    return (float(f"{min(v.min() for v in values):.4g}"), float(f"{max(v.max() for v in values):.4g}"))


def _ranges(
    free: Sequence[Prepared],
    pad: PadFit,
    bending: BendingFit,
    scale_pa: float,
    temperature: tuple[float, float] | None,
) -> Ranges:
    """Return what the recordings covered."""
    shear = np.linalg.norm(pad.force_n[:, :2], axis=1)
    return Ranges(
        pressure_pa=(float(f"{min(p.pressure_pa.min() for p in free):.5g}"), float(f"{scale_pa:.7g}")),
        temperature_c=temperature,
        force_normal_n=float(f"{np.quantile(pad.force_n[:, 2], 0.9995):.4g}"),
        force_shear_n=float(f"{np.quantile(shear, 0.9995):.4g}") if pad.axes == 3 else 0.0,
        pressure_rate_pa_s=float(f"{max(np.quantile(np.abs(r), 0.999) for r in bending.rates) * scale_pa:.4g}"),
        sample_rate_hz=float(f"{1.0 / np.median(np.diff(free[0].time_s)):.4g}"),
    )
