"""The logger's clock against the host's: a straight line through the arrivals, kept beside the samples.

The logger's ticks stay the time base of a recording; the fit only says how fast they run and when the first
sample was taken by the host's clock. Bytes arrive late by a varying while, never early, so the date of the
first sample is late by the link's usual delay; the rate does not suffer from a delay that stays the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

FEWEST_ARRIVALS: Final = 20
SHORTEST_SPAN_S: Final = 2.0


@dataclass(frozen=True, slots=True)
class ClockFit:
    """Running sums of logger time x and host time y (s, from the first arrival), in Welford's form."""

    origin_tick_us: int = 0
    origin_host_ns: int = 0
    count: int = 0
    mean_x: float = 0.0
    mean_y: float = 0.0
    sum_xx: float = 0.0
    sum_xy: float = 0.0
    sum_yy: float = 0.0

    def as_json(self, first_tick_us: int | None) -> dict[str, Any] | None:
        """Return the rate of the logger's clock and the host's time of the first sample, None if too short.

        `rate_ppm` is by how much the logger's second differs from the host's, with its standard uncertainty
        (ordinary least squares; arrivals are taken as independent).
        """
        if first_tick_us is None or self.count < FEWEST_ARRIVALS or self.sum_xx <= 0:
            return None
        if math.sqrt(12 * self.sum_xx / self.count) < SHORTEST_SPAN_S:
            return None
        slope = self.sum_xy / self.sum_xx
        residual = max(0.0, self.sum_yy - slope * self.sum_xy) / (self.count - 2)
        first_x = (first_tick_us - self.origin_tick_us) * 1e-6
        first_s = self.mean_y + slope * (first_x - self.mean_x)
        return {
            "rate_ppm": {
                "value": (1 / slope - 1) * 1e6,
                "u": math.sqrt(residual / self.sum_xx) / slope**2 * 1e6,
                "unit": "ppm",
            },
            "first_sample_host_ns": self.origin_host_ns + round(first_s * 1e9),
            "arrivals": self.count,
        }


def update(fit: ClockFit, tick_us: int, host_ns: int) -> ClockFit:
    """Return the fit with one more arrival: the tick of the newest sample and when its bytes came."""
    if fit.count == 0:
        fit = ClockFit(tick_us, host_ns)
    x = (tick_us - fit.origin_tick_us) * 1e-6
    y = (host_ns - fit.origin_host_ns) * 1e-9
    count = fit.count + 1
    from_mean_x, from_mean_y = x - fit.mean_x, y - fit.mean_y
    mean_x, mean_y = fit.mean_x + from_mean_x / count, fit.mean_y + from_mean_y / count
    return ClockFit(
        fit.origin_tick_us,
        fit.origin_host_ns,
        count,
        mean_x,
        mean_y,
        fit.sum_xx + from_mean_x * (x - mean_x),
        fit.sum_xy + from_mean_x * (y - mean_y),
        fit.sum_yy + from_mean_y * (y - mean_y),
    )
