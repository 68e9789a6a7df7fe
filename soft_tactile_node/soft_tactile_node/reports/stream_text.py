"""A stream's health as text for people."""

from __future__ import annotations

import math

from soft_tactile_node.sources.health import StreamHealth


def format_stream(name: str, health: StreamHealth) -> str:
    """Return the stream `name` by its `health`, as lines: verdict, rate, problems, channels, pressure."""
    verdict = "healthy" if health.healthy else "NOT healthy"
    lines = [f"Source {name}: {verdict}."]
    if health.scans > 1:
        lines.append(
            f"{health.scans} scans in {health.duration_s:.2f} s, {health.rate_hz:.1f} Hz, interval strays by "
            f"{health.jitter_s * 1e3:.3f} ms, longest {health.longest_gap_s * 1e3:.1f} ms, {health.counters.lost} lost."
        )
    lines += [f"Problem: {text}." for text in health.problems]
    lines += [f"Remark: {text}." for text in health.remarks]
    for number, channel in enumerate(health.channels, start=1):
        if math.isnan(channel.inductance_h):
            lines.append(f"channel {number:>2}  no reading")
            continue
        relative = channel.noise_h / channel.inductance_h
        lines.append(
            f"channel {number:>2}  {channel.inductance_h * 1e6:10.4f} uH  noise {channel.noise_h * 1e9:8.3f} nH "
            f"({relative * 1e6:.1f} ppm)  {channel.problem or 'good'}"
        )
    if math.isfinite(health.pressure_pa):
        kind = "absolute" if health.pressure_is_absolute else "gauge"
        lines.append(
            f"pressure    {health.pressure_pa:.0f} Pa {kind}, strays by {health.pressure_spread_pa:.1f} Pa, "
            f"{health.pressure_rate_hz:.0f} Hz"
        )
    if math.isfinite(health.temperature_c):
        lines.append(f"temperature {health.temperature_c:.1f} degC")
    return "\n".join(lines)
