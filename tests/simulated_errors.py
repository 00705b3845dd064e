"""Runs whose truth is known, read by a logger whose errors are drawn from what is stated of it."""

from dataclasses import dataclass, replace

import numpy as np
from fold_blocks import after_gap, block_of

from capture.folds.run import RunFolds

INTERVAL_S = 0.004
FINE = 8  # instants a sample, for the truth between samples
SECONDS = 5.0
RESISTANCE_OHM = 0.06
#: Charge draws the open-circuit voltage down by so much a coulomb.
FALL_V_PER_C = 0.002


@dataclass(frozen=True)
class Logger:
    """How a logger reads: means over the interval or instants, and the standard deviations of its errors."""

    averaged: bool
    gain_i: float = 0.004
    offset_i: float = 0.01
    correlation_i: float = -0.5
    gain_v: float = 0.003
    offset_v: float = 0.01
    noise_i: float = 0.05
    noise_v: float = 0.004
    step_i: float = 0.02
    step_v: float = 0.005
    skew_us: int = 300

    def document(self):
        """Return what a recording would say of the channels, with their calibrations."""
        statistic = "mean" if self.averaged else "instantaneous"
        window_us = round(INTERVAL_S * 1e6) if self.averaged else 0
        same = {"divisor": 1, "wire_type": "i16", "statistic": statistic, "window_us": window_us}
        calibrations = (
            ("current_a", self.gain_i, self.offset_i, self.correlation_i),
            ("voltage_v", self.gain_v, self.offset_v, 0.0),
        )
        return {
            "logger": {"interval_ns": round(INTERVAL_S * 1e9)},
            "channels": [
                {"column": "current_a", "scale": str(self.step_i), "delay_us": self.skew_us, **same},
                {"column": "voltage_v", "scale": str(self.step_v), "delay_us": 0, **same},
            ],
            "calibrations": [
                {"column": column, "scale": 1.0, "offset": 0.0, "u_scale": gain, "u_offset": offset}
                | {"correlation": correlation}
                for column, gain, offset, correlation in calibrations
            ],
        }


@dataclass(frozen=True)
class Truth:
    """What really went through, FINE instants a sample: seconds, and means over a chopping period."""

    t_s: np.ndarray
    current_a: np.ndarray
    voltage_v: np.ndarray
    ripple: float
    first_cut: tuple[float, float]

    @property
    def power_w(self):
        """True power: the mean of the product, less than the product of means by R times the variance."""
        return self.current_a * self.voltage_v - RESISTANCE_OHM * self.ripple * self.current_a**2

    def mean(self, values, start_s, end_s):
        inside = (self.t_s >= start_s) & (self.t_s < end_s)
        return float(values[inside].mean())

    def integral(self, values):
        return float(values.sum()) * INTERVAL_S / FINE


def lived(random):
    """Return the truth of a run: rest, two cuts of a load that sways, each with an inrush, and a brake."""
    count = round(SECONDS / INTERVAL_S) * FINE
    t = (np.arange(count) + 0.5) * INTERVAL_S / FINE
    current = np.zeros(count)
    cuts = [(begins + random.uniform(0, 0.1), begins + random.uniform(1.5, 1.6)) for begins in (0.8, 2.9)]
    for begin, end in cuts:
        level, sway, pace = random.uniform(15, 40), random.uniform(0, 5), random.uniform(3, 20)
        since = t - begin
        load = level + sway * np.sin(pace * since) + level * np.exp(-since.clip(0) / 0.05)
        load *= 1 - np.exp(-since.clip(0) / 0.004)
        current += np.where((t >= begin) & (t < end), load, 0)
        current -= np.where((t >= end) & (t < end + 0.05), 0.2 * level, 0)
    drawn = np.cumsum(current) * INTERVAL_S / FINE
    full_v = random.uniform(38, 42)
    voltage = full_v - FALL_V_PER_C * drawn - RESISTANCE_OHM * current
    return Truth(t, current, voltage, random.uniform(0, 0.09), cuts[0])


def read(truth, logger, random):
    """Return the blocks that the logger makes of the truth, its errors drawn anew; perhaps with a gap."""
    true_i, true_v = _sampled(truth, logger, random)
    z = random.standard_normal(4)
    across = logger.correlation_i
    gain_i = logger.gain_i * z[0]
    offset_i = logger.offset_i * (across * z[0] + np.sqrt(1 - across**2) * z[1])
    current = _counted(true_i, gain_i, offset_i, logger.noise_i, logger.step_i, random)
    voltage = _counted(
        true_v, logger.gain_v * z[2], logger.offset_v * z[3], logger.noise_v, logger.step_v, random
    )
    block = block_of(current, voltage, interval_us=round(INTERVAL_S * 1e6))
    if random.random() < 0.5:
        return [block]
    first = int(random.integers(50, len(block) - 50))
    return [block.part(0, first), after_gap(block.part(first + int(random.integers(1, 4)), len(block)))]


def _sampled(truth, logger, random):
    """Return true current and voltage at the samples: window means, or instants of the chopped current."""
    late = round(logger.skew_us * 1e-6 / INTERVAL_S * FINE)
    current, voltage = np.roll(truth.current_a, late), truth.voltage_v
    if logger.averaged:
        return current.reshape(-1, FINE).mean(1), voltage.reshape(-1, FINE).mean(1)
    current, voltage = current[FINE - 1 :: FINE], voltage[FINE - 1 :: FINE]
    swing = np.sqrt(2 * truth.ripple) * current
    phase = random.uniform(0, 2 * np.pi, len(current))
    chop_s = 1 / 8000
    lag = 2 * np.pi * logger.skew_us * 1e-6 / chop_s
    return (
        current + swing * np.sin(phase),
        voltage - RESISTANCE_OHM * swing * np.sin(phase + lag),
    )


def _counted(true, gain, offset, noise, step, random):
    """Return readings such that true = reading (1 + gain) + offset, noisy and rounded to steps."""
    read = (true - offset) / (1 + gain) + noise * random.standard_normal(len(true))
    return np.rint(read / step) * step


def figures_of(blocks):
    folds = RunFolds()
    folds.feed(blocks)
    return folds.figures()


UNDITHERED = replace(Logger(averaged=False), noise_v=0.0005, step_v=0.02, noise_i=0.002, step_i=0.05)
