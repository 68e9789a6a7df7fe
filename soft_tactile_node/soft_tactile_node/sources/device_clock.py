"""Tells when a scan was taken on the clock of the host, from the device's own clock and the arrival of its frames.

A frame arrives later than it was sent, by a delay that is never negative and now and then near its least. So in a plot
of arrival against device time the truth is a straight line along the lower edge of the points: its slope is the ratio
of the two clocks. The line is the one below all points that is nearest to them, summed over all of them.

Notes
-----
Sources: S. B. Moon, P. Skelly, D. Towsley, Estimation and removal of clock skew from network delay measurements,
IEEE INFOCOM 1999 (the line as a linear programme); L. Zhang, Z. Liu, C. H. Xia, Clock synchronization algorithms for
network measurements, IEEE INFOCOM 2002 (it is the edge of the lower convex hull above the mean); both recalled. The
limits below are own choices.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

Point = tuple[float, float]

MAX_POINTS = 64
"""Points kept of the past, the lowest of a stretch of time each."""

WINDOW_S = 60.0
"""The past that counts: long against the jitter, short against changes of temperature (s)."""

FIRST_STRETCH_S = 0.02
"""Stretch of the first points (s); doubled whenever there are too many points, until they fill the window."""

LEAST_SPAN_S = 1.0
"""Before this the two clocks are taken to run equally fast (s)."""

MOST_SKEW = 0.05
"""No oscillator is further off than this (1); RC oscillators of microcontrollers reach some per cent."""

SLEW_S = 0.5
"""A better line is taken up with this time constant (s), so that stamps never jump."""

MOST_SLEW, LEAST_PACE = 0.5, 0.05
"""Share of the time passed by which a stamp is moved at most, and by which it moves on at least (1, 1)."""

EARLY_S = 0.5
"""An arrival this much earlier than the line means that a clock was set (s)."""

LATE_S, HELD_S = 0.1, 3.0
"""Nothing but arrivals this much later than the line for that long means that a clock was set (s, s)."""


def lower_hull(points: Sequence[Point]) -> list[Point]:
    """Return the lower convex hull of points.

    Parameters
    ----------
    points : sequence of (float, float)
        Points (s, s) in order of their first coordinate.

    Returns
    -------
    list of (float, float)
        Its corners from left to right.

    Notes
    -----
    Source: A. M. Andrew, Another efficient algorithm for convex hulls in two dimensions, Information Processing
    Letters 9 (1979) 216-219.
    """
    hull: list[Point] = []
    for x, y in points:
        while len(hull) >= 2:
            (x1, y1), (x2, y2) = hull[-2], hull[-1]
            if (x2 - x1) * (y - y1) > (y2 - y1) * (x - x1):
                break
            hull.pop()
        hull.append((x, y))
    return hull


def line_below(points: Sequence[Point]) -> tuple[float, float]:
    """Return the line below all points that is nearest to them in the sum.

    Parameters
    ----------
    points : sequence of (float, float)
        Device time and arrival (s, s) in order of device time; at least one.

    Returns
    -------
    tuple of float
        Height at device time 0 (s) and slope (1); slope 1 if there is one point only.
    """
    middle = math.fsum(x for x, _ in points) / len(points)
    hull = lower_hull(points)
    for (x1, y1), (x2, y2) in itertools.pairwise(hull):
        if x2 >= middle and x2 > x1:
            slope = (y2 - y1) / (x2 - x1)
            return y1 - slope * x1, slope
    x, y = hull[-1]
    return y - x, 1.0


class DeviceClock:
    """Turns readings of a wrapping device clock into times of the host, with the jitter of the way removed.

    The stamps lag the truth by the least delay of the way, which no one-way message can show.

    Parameters
    ----------
    tick_s : float
        Tick of the device clock (s).
    bits : int
        The clock wraps at 2^bits ticks.
    """

    def __init__(self, tick_s: float = 1e-6, bits: int = 32) -> None:
        self._tick_s = tick_s
        self._wrap = 1 << bits
        self.steps = 0
        self.reset()

    def reset(self) -> None:
        """Begin afresh: the device has restarted, or the line was interrupted."""
        self._ticks: int | None = None  # since the first reading, without wrap
        self._raw = 0
        self._origin_s = 0.0
        self._points: list[Point] = []
        self._lowest: Point | None = None
        self._stretch_s, self._stretch_end_s = FIRST_STRETCH_S, FIRST_STRETCH_S
        self._height_s, self._slope = 0.0, 1.0
        self._ahead_s = 0.0  # of the stamps over the line, while a better line is taken up
        self._last: Point = (-math.inf, -math.inf)
        self._late_since_s = math.nan

    @property
    def skew(self) -> float:
        """How much faster the device's second is counted by the host than by the device (1)."""
        return self._slope - 1.0

    def to_host(self, clock: int, arrival_s: float) -> float:
        """Return when something was done on the device.

        Parameters
        ----------
        clock : int
            Reading of the device clock (ticks), wrapping; readings come in order, less than half a wrap apart.
        arrival_s : float
            When the host had it (s).

        Returns
        -------
        float
            Time on the host's clock (s); later than the one returned last as long as the device's clock advances, and
            not after `arrival_s` unless that asks for it (scans that arrive together).
        """
        if self._ticks is None:
            self._ticks, self._raw, self._origin_s = 0, clock, arrival_s
        moved = (clock - self._raw + self._wrap // 2) % self._wrap - self._wrap // 2
        self._ticks, self._raw = self._ticks + moved, clock
        device_s, host_s = self._ticks * self._tick_s, arrival_s - self._origin_s
        if self._is_step(device_s, host_s):
            self.reset()
            self.steps += 1
            return self.to_host(clock, arrival_s)
        self._learn(device_s, host_s)
        return self._origin_s + self._stamp(device_s, host_s)

    def _is_step(self, device_s: float, host_s: float) -> bool:
        """Return whether this arrival shows that one of the clocks was set."""
        late_s = host_s - self._line(device_s)
        if late_s <= LATE_S:
            self._late_since_s = math.nan
        elif math.isnan(self._late_since_s):
            self._late_since_s = host_s
        settled = bool(self._points) and device_s - self._points[0][0] > LEAST_SPAN_S
        return (settled and late_s < -EARLY_S) or host_s - self._late_since_s > HELD_S

    def _line(self, device_s: float) -> float:
        return self._height_s + self._slope * device_s

    def _learn(self, device_s: float, host_s: float) -> None:
        """Keep the lowest point of each stretch; fit a line at its end, and lower it at once under any point."""
        late_s = host_s - self._line(device_s)
        if self._lowest is None or late_s <= self._lowest[1] - self._line(self._lowest[0]):
            self._lowest = (device_s, host_s)
        if late_s < 0.0:
            self._use_line(self._height_s + late_s, self._slope)
        if device_s >= self._stretch_end_s:
            self._points.append(self._lowest)
            self._lowest = None
            self._thin_out()
            self._stretch_end_s = device_s + self._stretch_s
            self._fit()

    def _thin_out(self) -> None:
        if len(self._points) <= MAX_POINTS:
            return
        if self._stretch_s * MAX_POINTS < WINDOW_S:
            pairs = zip(self._points[::2], self._points[1::2], strict=False)
            odd = self._points[-1:] if len(self._points) % 2 else []
            self._points = [min(pair, key=lambda point: point[1] - self._line(point[0])) for pair in pairs] + odd
            self._stretch_s *= 2.0
        else:
            del self._points[0]

    def _fit(self) -> None:
        if self._points[-1][0] - self._points[0][0] < LEAST_SPAN_S:
            return
        height_s, slope = line_below(self._points)
        if abs(slope - 1.0) <= MOST_SKEW:
            self._use_line(height_s, slope)

    def _use_line(self, height_s: float, slope: float) -> None:
        """Change the line; the stamps stay where they are for now."""
        x = self._last[0]
        if math.isfinite(x):
            self._ahead_s += self._line(x) - (height_s + slope * x)
        self._height_s, self._slope = height_s, slope

    def _stamp(self, device_s: float, host_s: float) -> float:
        before_s, last_s = self._last
        passed_s = max(device_s - before_s, 0.0) if math.isfinite(before_s) else 0.0
        change_s = self._ahead_s * -math.expm1(-passed_s / SLEW_S)
        most_s = MOST_SLEW * passed_s
        self._ahead_s -= min(max(change_s, -most_s), most_s)
        self._ahead_s = min(self._ahead_s, host_s - self._line(device_s))
        stamp_s = self._line(device_s) + self._ahead_s
        stamp_s = max(stamp_s, last_s + LEAST_PACE * passed_s)
        self._last = (device_s, stamp_s)
        return stamp_s
