"""Calibrate a finger from free-bend and press recordings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date

import numpy as np

from soft_tactile_node.calibrated import BaseModelPart, ForceMap, Ranges, SubstituteModel, TouchModel
from soft_tactile_node.calibration.base_fit import BaseFit, departures, fill_gaps, fit_base, measure_drift
from soft_tactile_node.calibration.contamination import check_untouched
from soft_tactile_node.calibration.figures import figures_of_merit
from soft_tactile_node.calibration.health_fit import fit_health, fit_substitutes, white_noise
from soft_tactile_node.calibration.map_fit import Pressed, count_squeezes, fit_map, make_pressed, map_gain, reference
from soft_tactile_node.calibration.plausibility import check_same_finger
from soft_tactile_node.calibration.preparation import Prepared, prepare
from soft_tactile_node.calibration.record import SCHEMA_VERSION, Calibration, Geometry, SourceFile, nested
from soft_tactile_node.calibration.refusals import check_free_bend, check_press, find_gaps
from soft_tactile_node.calibration.touch_fit import fit_touch
from soft_tactile_node.calibration.verdict_figures import protocol_figures, replayed_figures
from soft_tactile_node.recordings import Recording
from soft_tactile_node.registry import PADS, likely_pad
from soft_tactile_node.samples import Array

UNITS = {
    "pressure": "gauge Pa",
    "inductance": "H",
    "change, departure": "relative to the tare (1)",
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
        A name in `registry.PADS`; None = told from the sign of the press response and the axes it tells.
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
        The recordings cannot give a calibration, or do not tell which pad it is; the message says why and what to do.
    """
    tell = progress or (lambda _: None)
    tell("checking the recordings")
    free = [prepare(recording) for recording in free_bend]
    pressed = [prepare(recording) for recording in press]
    check_free_bend(free_bend, free)
    check_press(press, pressed, free)
    everything = [*free, *pressed]
    scale_pa = float(max(np.quantile(p.pressure_pa, 0.999) for p in free))
    tell("fitting the free-bend model")
    base = fit_base(free, scale_pa)
    check_untouched(free, base.residuals)
    same = check_same_finger(free, pressed, base)
    tell("fitting the pad model")
    items, held_out, drift = _press_rows(free, pressed, base)
    axes = _count_axes(items, pad)
    response = float(sum((p.departure * p.force_n[:, 2:3]).sum() for p in items))
    variant = pad or likely_pad(response, axes).name
    fit = fit_map(items, axes)
    tell("measuring noise and figures of merit")
    touch = fit_touch(items, held_out, fit, scale_pa)
    substitutes = fit_substitutes(items, scale_pa)
    temperature = _temperature_range([*free_bend, *press])
    record = Calibration(
        schema_version=SCHEMA_VERSION,
        channels=free_bend[0].channels,
        pad=variant,
        units=UNITS,
        made_on=made_on or date(1970, 1, 1),
        sources=tuple(
            SourceFile(name=recording.source, kind=kind, sha256=recording.sha256)
            for kind, group in (("free_bend", free_bend), ("press", press))
            for recording in group
        ),
        tare_inductance_h=nested(np.mean([p.tare_inductance_h for p in everything], axis=0)),
        tare_temperature_c=None if temperature is None else float(f"{np.nanmean(free_bend[0].temperature_c[:50]):.4g}"),
        ranges=_ranges(free, items, fit.axes, scale_pa, temperature),
        base=BaseModelPart(
            weights=nested(base.weights),
            stretch=nested(base.stretch),
            angle_weights=None if base.angle_weights is None else nested(base.angle_weights),
            angle_deviation_rad=base.angle_deviation_rad,
            noise=nested(np.sqrt(np.mean([np.diag(white_noise(item.change)) for item in free], axis=0))),
            drift=nested(drift),
            slope=nested(base.slope),
            slope_deviation=nested(base.slope_deviation),
        ),
        force_map=ForceMap(
            axes=3 if fit.axes == 3 else 1,
            directions=nested(fit.directions),
            low=nested(fit.low),
            high=nested(fit.high),
            rise_s=fit.rise_s,
            fall_s=fit.fall_s,
            weights=nested(fit.weights),
            leverage=nested(fit.leverage),
            normal_variance=nested(touch.normal_variance),
            shear_variance=nested(touch.shear_variance),
            gain=nested(map_gain(fit, items)),
        ),
        touch=TouchModel(spread=nested(touch.spread), location=nested(touch.location), scale=nested(touch.scale)),
        substitute=SubstituteModel(
            weights=nested(substitutes.weights),
            deviation=nested(substitutes.deviation),
            pressure=nested(substitutes.pressure),
        ),
        health=fit_health([*free_bend, *press], everything, scale_pa),
        figures=figures_of_merit(free, items, base, fit, touch)
        | same
        | protocol_figures(pressed, touch, fit.axes, scale_pa),
        not_identified=find_gaps(free, pressed, fit.axes, count_squeezes(items)),
        serial=serial,
        geometry=geometry,
    )
    return record.model_copy(update={"figures": record.figures | replayed_figures(record, press)})


def _press_rows(
    free: Sequence[Prepared], pressed: Sequence[Prepared], base: BaseFit
) -> tuple[list[Pressed], list[Pressed], Array]:
    """Return all recordings ready for the map, the same with free bend held out, and the drift of the channels."""
    everything = [*free, *pressed]
    raw = [item.change - base.bending(item) for item in everything]
    held_out = [r + item.temperature_change[:, None] * base.slope for r, item in zip(base.residuals, free, strict=True)]
    honest = [*held_out, *raw[len(free) :]]
    touched = [reference(item)[1] for item in everything]
    drift = measure_drift(everything, honest, touched)
    stretch = [base.bending(item) @ base.stretch for item in everything]

    def ready(values: Sequence[Array]) -> list[Pressed]:
        return [
            make_pressed(item, departures(item, fill_gaps(value), contact, base, drift), bent)
            for item, value, contact, bent in zip(everything, values, touched, stretch, strict=True)
        ]

    return ready(raw), ready(honest), drift


def _count_axes(items: Sequence[Pressed], pad: str | None) -> int:
    """Return 3 where pad, channels and shear are such that shear can be told, else 1: normal force only."""
    told = PADS[pad].axes if pad in PADS else 3
    shear = max(float(np.quantile(np.abs(p.force_n[:, :2]), 0.995)) for p in items)
    return 3 if told == 3 and items[0].departure.shape[1] >= 3 and shear > 0.1 else 1


def _temperature_range(recordings: Sequence[Recording]) -> tuple[float, float] | None:
    """Return the coldest and warmest calibrated temperature (degC), None where it was never measured."""
    values = [r.temperature_c[np.isfinite(r.temperature_c)] for r in recordings]
    values = [v for v in values if v.size]
    if not values:
        return None
    return (float(f"{min(v.min() for v in values):.4g}"), float(f"{max(v.max() for v in values):.4g}"))


def _ranges(
    free: Sequence[Prepared],
    items: Sequence[Pressed],
    axes: int,
    scale_pa: float,
    temperature: tuple[float, float] | None,
) -> Ranges:
    """Return what the recordings covered."""
    force = np.concatenate([p.force_n for p in items if p.touched.any()])
    shear = np.linalg.norm(force[:, :2], axis=1)
    rates = [np.gradient(item.pressure_pa[::5], item.time_s[::5]) for item in free]
    return Ranges(
        pressure_pa=(float(f"{min(item.pressure_pa.min() for item in free):.5g}"), float(f"{scale_pa:.7g}")),
        temperature_c=temperature,
        force_normal_n=float(f"{np.quantile(force[:, 2], 0.9995):.4g}"),
        force_shear_n=float(f"{np.quantile(shear, 0.9995):.4g}") if axes == 3 else 0.0,
        pressure_rate_pa_s=float(f"{max(np.quantile(np.abs(rate), 0.999) for rate in rates):.4g}"),
        sample_rate_hz=float(f"{1.0 / np.median(np.diff(free[0].time_s)):.4g}"),
    )
