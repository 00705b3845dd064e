"""Runs of a pack that is a circuit, made with scipy.signal.lsim and numpy alone: an oracle for the studies.

Nothing of the project computes them. Current is a straight line between samples, as lsim has it.
"""

from dataclasses import dataclass

import numpy as np
from scipy.signal import lsim

from capture.studies.columns import RunColumns


@dataclass(frozen=True)
class Pack:
    """A circuit: open-circuit volts against the share of charge drawn, R0, and RC pairs as (ohm, s)."""

    r0: float
    pairs: tuple[tuple[float, float], ...]
    capacity_ah: float = 5.0
    full_v: float = 41.0
    fall_v: float = 8.0
    bend_v: float = 1.5

    def open_v(self, drawn_ah):
        share = drawn_ah / self.capacity_ah
        return self.full_v - self.fall_v * share - self.bend_v * np.sin(3 * np.pi * share) * share

    def after(self, seconds):
        """Return the true pulse resistance so long after a step."""
        return self.r0 + sum(ohm * (1 - np.exp(-seconds / tau)) for ohm, tau in self.pairs)

    def voltage(self, t_s, current):
        drawn_ah = np.concatenate([[0.0], np.cumsum(np.diff(t_s) * (current[1:] + current[:-1]) / 2)]) / 3600
        volts = self.open_v(drawn_ah) - self.r0 * current
        for ohm, tau in self.pairs:
            _, response, _ = lsim(([ohm], [tau, 1.0]), current, t_s)
            volts = volts - response
        return volts


def columns(t_s, current, voltage, **more):
    """Return the arrays as a run."""
    interval_s = float(np.median(np.diff(t_s)))
    named = {"current_a": current, "voltage_v": voltage, **more}
    return RunColumns(
        t_s - t_s[0],
        {name: np.asarray(column, np.float64) for name, column in named.items()},
        np.empty(0, np.int64),
        interval_s,
        dict.fromkeys(named, 1),
    )


def drawn_current(random, *, seconds, rate_hz=500.0, most_a=50.0, idle_a=0.05):
    """Return times and a tool's current: cuts with inrush, ripple, wandering load, contact and release."""
    t_s = np.arange(int(seconds * rate_hz)) / rate_hz
    current = np.full(len(t_s), idle_a)
    at = random.uniform(2.0, 6.0)
    while at < seconds - 15.0:
        lasts, level = random.uniform(1.5, 14.0), random.uniform(0.3, 1.0) * most_a
        inside = (t_s >= at) & (t_s < at + lasts)
        since = t_s[inside] - at
        wander = np.interp(
            since,
            np.arange(0, lasts + 2, 0.7),
            random.normal(0, 0.08, int(lasts / 0.7) + 4)[: len(np.arange(0, lasts + 2, 0.7))],
        )
        shape = level * (1 + wander + 0.04 * np.sin(2 * np.pi * random.uniform(40, 120) * since))
        shape += level * random.uniform(0.3, 1.5) * np.exp(-since / random.uniform(0.02, 0.08))
        current[inside] += shape * np.clip(since / random.uniform(0.004, 0.04), 0, 1)
        at += lasts + random.uniform(2.0, 20.0)
    return t_s, current


def as_logged(random, t_s, current, voltage, *, noise_a=0.05, noise_v=0.004, gain=1.0):
    """Return the run as a hobby logger writes it: noise, counts of 5 mA and 1.25 mV, a gain of the shunt."""
    read_a = np.round((current * gain + random.normal(0, noise_a, len(t_s))) / 0.005) * 0.005
    read_v = np.round((voltage + random.normal(0, noise_v, len(t_s))) / 0.00125) * 0.00125
    return columns(t_s, read_a, read_v)
