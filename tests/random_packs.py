"""Random packs under random work, as hobby loggers write them, with their true step responses beside them.

Nothing of the project computes them but the tables of the open-circuit curves: the pack is stepped through
several instants for each sample by numpy and scipy.signal.lfilter alone. Its resistances grow towards empty
and with cold, so each step has a true response of its own.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.signal import lfilter

from capture.open_circuit import PUBLISHED
from capture.run_card import RunCard
from capture.studies.columns import RunColumns
from capture.uncertainty.channels import ChannelUncertainty

#: Counts of the logger in A and V.
COUNTS = {"current_a": 0.005, "voltage_v": 0.00125}


@dataclass(frozen=True)
class Pack:
    """A pack: ohms at 25 degC and half full, (ohm, s) of each pair; `empty` is by how much they grow.

    It grows with exp(-state / `over`), and by Arrhenius' law (`activation_k`, in K) where it is cold.
    """

    r0: float
    pairs: tuple
    series: int
    capacity_ah: float
    chemistry: str
    bend_v: float
    bend_phase: float
    empty: float
    over: float
    activation_k: float
    heat_j_per_k: float
    cooling_w_per_k: float

    def open_v(self, state):
        """Return the open-circuit voltage of the pack: the table of its chemistry, bent a little."""
        table = PUBLISHED[self.chemistry]
        group_v = PchipInterpolator(table.states, table.group_v)(np.clip(state, 0.0, 1.0))
        return self.series * (group_v + self.bend_v * np.sin(2 * np.pi * (state + self.bend_phase)))

    def growth(self, state, degc):
        """Return what the resistances are multiplied by: (ohmic, pairs)."""
        depth = self.empty * np.exp(-np.clip(state, 0.0, 1.0) / self.over)
        cold = self.activation_k * (1 / (np.asarray(degc) + 273.15) - 1 / 298.15)
        return (1 + 0.6 * depth) * np.exp(0.4 * cold), (1 + depth) * np.exp(cold)

    def after(self, seconds, state, degc):
        """Return the true pulse resistance so long after a step, at a state of charge and a warmth."""
        ohmic, slow = self.growth(state, degc)
        return self.r0 * ohmic + slow * sum(ohm * -np.expm1(-seconds / tau) for ohm, tau in self.pairs)


@dataclass(frozen=True)
class Truth:
    """What happened in a run: `state` and `degc` at instants `step_s` apart."""

    pack: Pack
    step_s: float
    current: np.ndarray
    state: np.ndarray
    degc: np.ndarray

    def at(self, seconds, t_s):
        """Return the true pulse resistance of a step at `t_s`."""
        row = min(max(int(t_s / self.step_s), 0), len(self.state) - 1)
        return float(self.pack.after(seconds, self.state[row], self.degc[row]))

    def mean(self, seconds):
        """Return the mean of the true pulse resistance over the charge drawn."""
        weights = np.abs(self.current)
        return float(np.average(self.pack.after(seconds, self.state, self.degc), weights=weights))


@dataclass(frozen=True)
class RandomRun:
    """A run as its logger wrote it, what its card and bench file say, and the truth."""

    columns: RunColumns
    card: RunCard
    uncertainties: dict
    truth: Truth


def random_pack(random):
    """Return a pack of 2 to 10 Ah with one or two pairs."""
    series, capacity_ah = int(random.choice([5, 10, 15])), float(random.uniform(2.0, 10.0))
    whole = series * random.uniform(0.6, 1.4) * 0.020 / capacity_ah
    pairs = [
        (whole * random.uniform(0.15, 0.6), float(np.exp(random.uniform(np.log(0.3), np.log(3.0))))),
        (whole * random.uniform(0.15, 0.8), float(np.exp(random.uniform(np.log(8.0), np.log(60.0))))),
    ]
    mass_kg = 0.05 * series * capacity_ah / 2.5
    return Pack(
        r0=whole * random.uniform(0.7, 1.5),
        pairs=tuple(pairs if random.random() < 0.75 else pairs[1:]),
        series=series,
        capacity_ah=capacity_ah,
        chemistry=str(random.choice(["nmc", "nmc", "nca", "lco", "lfp"])),
        bend_v=0.02 * random.normal(),
        bend_phase=random.uniform(),
        empty=random.uniform(0.2, 1.2),
        over=random.uniform(0.08, 0.2),
        activation_k=random.uniform(1000, 3000),
        heat_j_per_k=900 * mass_kg,
        cooling_w_per_k=0.4 * mass_kg,
    )


def cuts(random, t_s, load_a, *, lasts_s=(2.0, 14.0), rests_s=(2.0, 20.0), idle_a=0.05):
    """Return a tool's current: inrush, ripple, wandering load, some of it chopped; pauses between cuts."""
    current = np.full(len(t_s), idle_a)
    step_s, now = t_s[1] - t_s[0], random.uniform(2.0, 5.0)
    ripple_hz, ripple, chopped = random.uniform(30, 150), random.uniform(0, 0.1), random.random() < 0.25
    while now < t_s[-1] - 1.0:
        lasts, level = random.uniform(*lasts_s), random.uniform(0.4, 1.0) * load_a
        start, stop = np.searchsorted(t_s, [now, now + lasts])
        since = np.arange(stop - start) * step_s
        wander = np.interp(
            since,
            np.arange(0.0, lasts + 1.0, 0.4),
            random.normal(0, 0.1, int(lasts / 0.4) + 4)[: len(np.arange(0.0, lasts + 1.0, 0.4))],
        )
        wave = level * (1 + wander + ripple * np.sin(2 * np.pi * ripple_hz * since))
        wave += level * random.uniform(0.2, 1.5) * np.exp(-since / random.uniform(0.02, 0.15))
        wave *= np.clip(since / random.uniform(0.0005, 0.03), 0, 1)
        if chopped:
            rate, duty = random.uniform(5.0, 25.0), random.uniform(0.5, 0.95)
            wave = np.where((since * rate) % 1.0 < duty, wave, idle_a)
        current[start:stop] = np.maximum(wave, idle_a)
        now += lasts + random.uniform(*rests_s)
    return current


def held(random, t_s, load_a):
    """Return the current of a sag test: rest, a load held for 10 to 15 s, release; two or three times."""
    current, now = np.full(len(t_s), 0.02), 3.0
    while now < t_s[-1] - 12.0:
        lasts = random.uniform(10.5, 15.0)
        inside = (t_s >= now) & (t_s < now + lasts)
        current[inside] = (
            load_a * random.uniform(0.4, 1.0) * (1 + 0.01 * np.sin(2 * np.pi * 0.7 * t_s[inside]))
        )
        now += lasts + random.uniform(8.0, 15.0)
    return current


def lived(pack, t_s, current, *, state, degc):
    """Return the voltage and the truth of a current (n, constant from instant to instant)."""
    step_s = t_s[1] - t_s[0]
    drawn_ah = np.concatenate([[0.0], np.cumsum(current[:-1])]) * step_s / 3600
    states = state - drawn_ah / pack.capacity_ah
    whole = pack.r0 + sum(ohm for ohm, _ in pack.pairs)
    keep = np.exp(-step_s * pack.cooling_w_per_k / pack.heat_j_per_k)
    heat_k = whole * current**2 * step_s / pack.heat_j_per_k
    warmed = degc + lfilter([1.0], [1.0, -keep], np.concatenate([[0.0], heat_k[:-1]]))
    ohmic, slow = pack.growth(states, warmed)
    voltage = pack.open_v(states) - pack.r0 * ohmic * current
    for ohm, tau in pack.pairs:
        gone = -np.expm1(-step_s / tau)
        driven = np.concatenate([[0.0], (ohm * slow * current)[:-1]])
        voltage = voltage - lfilter([gone], [1.0, gone - 1.0], driven)
    return voltage, Truth(pack, step_s, current, states, warmed)


def logged(random, t_s, current, voltage, *, each, mean, skew, noise=(0.15, 0.003), gain=1.0, most_a=None):
    """Return the columns of every `each`th instant, voltage `skew` instants later."""
    rows = np.arange(2 * each, len(t_s) - 2 * each, each)

    def read(values, later):
        if mean:
            sums = np.concatenate([[0.0], np.cumsum(values)])
            return (sums[rows + later] - sums[rows + later - each]) / each
        return values[rows + later]

    values = {"current_a": gain * read(current, 0), "voltage_v": read(voltage, skew)}
    for (name, count), sd in zip(COUNTS.items(), noise, strict=True):
        values[name] = np.round((values[name] + random.normal(0, sd, len(rows))) / count) * count
    if most_a is not None:
        values["current_a"] = np.minimum(values["current_a"], most_a)
    at = t_s[rows] - (0.5 * each * (t_s[1] - t_s[0]) if mean else 0.0)
    interval_s = each * (t_s[1] - t_s[0])
    return RunColumns(at - at[0], values, np.empty(0, np.int64), interval_s, dict.fromkeys(values, 1)), at[0]


def without(random, run):
    """Return the run with some readings missing and two gaps in it."""
    columns = {
        name: np.where(random.random(len(run)) < 0.002, np.nan, row) for name, row in run.columns.items()
    }
    kept = np.ones(len(run), dtype=bool)
    breaks = []
    for share in (0.35, 0.7):
        begin = int(share * len(run))
        end = begin + int(random.choice([0.1, 0.3, 1.5]) / run.interval_s)
        kept[begin:end] = False
        breaks.append(begin)
    gone = np.cumsum(~kept)
    return replace(
        run,
        t_s=run.t_s[kept],
        columns={name: row[kept] for name, row in columns.items()},
        clipped={name: row[kept] for name, row in run.clipped.items()},
        breaks=np.array([begin - (gone[begin - 1] if begin else 0) for begin in breaks], np.int64),
    )


def random_run(seed, *, duty=None, skew=None, clip=False, says=False, missing=None, rate_hz=None):
    """Return a random run; what is not given is drawn. Whether it clipped a run knows that `says` so."""
    random = np.random.default_rng(seed)
    pack = random_pack(random)
    duty = duty or str(random.choice(["cuts", "cuts", "run-down", "sag"]))
    rate_hz = rate_hz or float(random.choice([200, 500, 500, 500, 1000]))
    missing = random.random() < 0.2 if missing is None else missing
    load_a = min(pack.capacity_ah * random.uniform(5.0, 12.0), 80.0)
    state, degc, each = random.uniform(0.5, 1.0), random.uniform(5.0, 32.0), 10
    if duty == "run-down":
        state, each, rate_hz = random.uniform(0.95, 1.0), 4, min(rate_hz, 500.0)
        seconds = 3600 * 1.35 * pack.capacity_ah / (0.7 * load_a)
    else:
        seconds = random.uniform(90.0, 200.0) if duty == "cuts" else random.uniform(70.0, 110.0)
    t_s = np.arange(int(seconds * rate_hz) * each) / (rate_hz * each)
    if duty == "sag":
        current = held(random, t_s, load_a)
    elif duty == "cuts":
        current = cuts(random, t_s, load_a)
    else:
        current = cuts(random, t_s, load_a, lasts_s=(5.0, 40.0), rests_s=(2.0, 8.0))
    voltage, truth = lived(pack, t_s, current, state=state, degc=degc)
    low = np.flatnonzero(
        (truth.state < 0.015) | (voltage < pack.series * (2.2 if pack.chemistry == "lfp" else 2.8))
    )
    end = int(low[0]) if len(low) else len(t_s)
    gain_u = 0.005
    run, began_s = logged(
        random,
        t_s[:end],
        current[:end],
        voltage[:end],
        each=each,
        mean=bool(random.random() < 0.3),
        skew=0 if skew is None else round(skew * each),
        noise=(random.uniform(0.1, 0.3), random.uniform(0.001, 0.005)),
        gain=1 + gain_u * random.normal(),
        most_a=0.9 * load_a if clip else None,
    )
    if says:
        at_end = {name: row == run.columns["current_a"].max() for name, row in run.columns.items()}
        run = replace(run, clipped={**at_end, "voltage_v": np.zeros(len(run), dtype=bool)})
    if missing:
        run = without(random, run)
    kept = int(began_s / truth.step_s)
    truth = replace(truth, current=current[kept:end], state=truth.state[kept:end], degc=truth.degc[kept:end])
    known = {"current_a": ChannelUncertainty(gain_u, 0.0), "voltage_v": ChannelUncertainty(0.0, 0.0)}
    rated_ah = pack.capacity_ah * float(np.exp(0.04 * random.normal()))
    card = RunCard(series=pack.series, capacity_ah=rated_ah, chemistry=pack.chemistry)
    return RandomRun(run, RunCard() if random.random() < 0.25 else card, known, truth)
