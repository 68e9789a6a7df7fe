"""A calibration's health as text for people."""

from __future__ import annotations

from soft_tactile_node.calibration.judgement import Health
from soft_tactile_node.calibration.storage import calibration_id
from soft_tactile_node.reports.numbers import format_figure


def format_health(health: Health) -> str:
    """Return `health` as lines: verdict, ranges, figures, what is missing."""
    record = health.record
    ranges = record.ranges
    age = "undated" if health.age_days is None else f"{health.age_days} days old"
    serial = f", serial {record.serial}" if record.serial else ""
    temperature = ranges.temperature_c
    channels = f"{record.channels} channel{'s' if record.channels > 1 else ''}"
    low_kpa, high_kpa = max(ranges.pressure_pa[0], 0.0) / 1000, ranges.pressure_pa[1] / 1000
    lines = [
        f"Calibration {calibration_id(record)}: {health.verdict}. Pad {record.pad}{serial}, {channels}, {age}.",
        f"Valid for pressures of {low_kpa:.1f} to {high_kpa:.1f} kPa (gauge), "
        f"normal force up to {ranges.force_normal_n:.3g} N, "
        + (f"shear up to {ranges.force_shear_n:.3g} N, " if record.force_map.axes == 3 else "no shear, ")
        + (f"{temperature[0]:.1f} to {temperature[1]:.1f} degC." if temperature else "temperature not measured."),
    ]
    lines += [f"Problem: {text}." for text in health.problems]
    lines += [f"Limit: {text}." for text in health.limits]
    lines += [f"Not identified: {text}." for text in record.not_identified]
    lines += [f"Remark: {text}." for text in health.remarks]
    for name, figure in record.figures.items():
        value = format_figure(figure.value, figure.expanded)
        lines.append(f"{name.replace('_', ' '):<18} {value:>18} {figure.unit:<10} {figure.definition}")
    return "\n".join(lines)
