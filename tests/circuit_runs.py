"""Runs of packs that are a known circuit, computed apart from the project: each pair by scipy.signal.lsim."""

from dataclasses import dataclass

import numpy as np
from scipy.signal import lsim

from capture.studies.columns import RunColumns
from capture.uncertainty.channels import ChannelUncertainty

#: A logger whose gains are exact, so that what is left of the uncertainty is the fit's own.
COUNTS = {"current_a": 0.005, "voltage_v": 0.00125}
EXACT_GAINS = {name: ChannelUncertainty(0.0, 0.0, resolution=count) for name, count in COUNTS.items()}
EXACT = dict.fromkeys(COUNTS, ChannelUncertainty(0.0, 0.0))


@dataclass(frozen=True)
class Truth:
    """A pack: ohms of R0, (ohm, seconds) of each pair, groups, capacity, curve of a group, first charge."""

    r0: float
    pairs: tuple
    series: int
    capacity_ah: float
    open_circuit: object
    start: float = 0.95


def polynomial(soc):
    """Return the open-circuit voltage in V of the cell that stored/make_thevenin.py solves."""
    return 3.0 + 1.2 * soc - 0.35 * soc**2 + 0.33 * soc**3 - 0.25 * np.exp(-25 * soc)


def low_passed(current, times, tau):
    """Return x of tau dx/dt = i - x from 0, the current a straight line between the samples."""
    return lsim(([1.0], [tau, 1.0]), current, times)[1]


def drawn_ah(current, times):
    steps = 0.5 * (current[1:] + current[:-1]) * np.diff(times)
    return np.concatenate([[0.0], np.cumsum(steps)]) / 3600


def voltage_of(truth, current, times):
    """Return the pack's voltage in V."""
    soc = truth.start - drawn_ah(current, times) / truth.capacity_ah
    voltage = truth.series * truth.open_circuit(soc) - truth.r0 * current
    for ohm, tau in truth.pairs:
        voltage = voltage - ohm * low_passed(current, times, tau)
    return voltage


def cuts_at_random(random, *, duration_s, load_a, interval_s=0.002, lead_s=5.0):
    """Return times and a current: cuts of 4 to 11 s with inrush and uneven load, rests between."""
    times = np.arange(round(duration_s / interval_s)) * interval_s
    current, now = np.zeros(len(times)), lead_s
    while now < duration_s:
        lasts = random.uniform(4.0, 11.0)
        rows = (times >= now) & (times < now + lasts)
        since = times[rows] - now
        waves = np.interp(since, np.arange(0.0, 12.0, 0.15), random.normal(1.0, 0.12, 80))
        rise = np.minimum(1.0, since / 0.02) * (1.0 + 1.2 * np.exp(-since / 0.08))
        current[rows] = load_a * random.uniform(0.7, 1.3) * waves * rise
        now += lasts + random.uniform(3.0, 7.0)
    return times, current


def run_of(times, current, voltage, *, breaks=(), random=None):
    """Return the run that a hobby logger makes of it, noise and counts in it; an exact one without chance."""
    columns = {"current_a": current, "voltage_v": voltage}
    if random is not None:
        noise = {"current_a": 0.04, "voltage_v": 0.003}
        columns = {
            name: np.round((values + random.normal(0, noise[name], len(times))) / count) * count
            for (name, values), count in zip(columns.items(), COUNTS.values(), strict=True)
        }
    interval_s = float(np.median(np.diff(times))) if len(times) > 1 else 0.002
    return RunColumns(times, columns, np.array(breaks, np.int64), interval_s, dict.fromkeys(columns, 1))
