"""How well cuts are found: random runs whose cuts are known, made here of plain arithmetic.

Tools from a driver of 1 A to a saw of 60 A; offset of the shunt, lamp, noise, ripple, chopping, inrush, soft
start, pauses shorter than the hold, braking and spikes. Every cut is found, none invented, and both ends lie
within 40 ms.
"""

from dataclasses import dataclass

import numpy as np
from fold_blocks import block_of, fed

INTERVAL_US = 2000
RATE = 500
EDGE_S = 0.04
RUNS = 300


@dataclass(frozen=True)
class Tool:
    """What makes one tool and logger unlike another."""

    load_a: float
    noise_a: float
    standing_a: float
    chopped: bool
    ripple: float
    inrush: float
    soft_s: float
    brakes: bool
    spikes: bool


def tool_of(random):
    """Return a random tool; noise up to half an ampere, and no more than half the load of a driver."""
    load_a = float(np.exp(random.uniform(np.log(1.0), np.log(60.0))))
    return Tool(
        load_a=load_a,
        noise_a=float(min(random.choice([0.05, 0.1, 0.2, 0.35, 0.5]), load_a / 2)),
        standing_a=float(random.uniform(-0.3, 0.3) + random.choice([0.0, random.uniform(0.1, 0.5)])),
        chopped=bool(load_a > 8 and random.random() < 0.3),
        ripple=float(random.uniform(0, 0.2)),
        inrush=float(random.choice([1.0, random.uniform(1.5, 3.0)])),
        soft_s=float(random.choice([0.0, random.uniform(0.05, 0.2)]) if load_a > 10 else 0.0),
        brakes=bool(random.random() < 0.4),
        spikes=bool(random.random() < 0.4),
    )


def work_of(tool, seconds, random):
    """Return the current of one cut: it begins at once or softly, and pauses for less than the hold."""
    t = np.arange(round(seconds * RATE)) / RATE
    current = tool.load_a * (1 + tool.ripple * np.sin(2 * np.pi * random.uniform(5, 80) * t))
    current *= 1 + (tool.inrush - 1) * np.exp(-t / 0.03)
    if tool.soft_s:
        current *= np.minimum((t + 1 / RATE) / tool.soft_s, 1.0)
    if tool.chopped:
        current[1::2] = 0.0
    if seconds > 1.5 and random.random() < 0.3:
        begin = random.integers(RATE // 2, len(t) - RATE // 2)
        current[begin : begin + int(random.uniform(0.05, 0.25) * RATE)] = 0.0
    current[-1] = max(current[-1], tool.load_a)
    return current


def run_of(seed):
    """Return the readings of a run and the true (start, end) of its cuts, in s."""
    random = np.random.default_rng(seed)
    tool = tool_of(random)
    parts, cuts, at = [np.zeros(int(random.uniform(0.15, 3.0) * RATE))], [], 0
    for _ in range(random.integers(2, 5)):
        seconds = float(np.exp(random.uniform(np.log(0.3), np.log(20.0))))
        at = sum(map(len, parts))
        parts.append(work_of(tool, seconds, random))
        cuts.append((at / RATE, (at + len(parts[-1]) - 1) / RATE))
        rest = np.zeros(int(random.uniform(1.0, 4.0) * RATE))
        if tool.brakes:
            rest[: int(random.uniform(0.05, 0.3) * RATE)] = -0.4 * tool.load_a
        parts.append(rest)
    current = np.concatenate(parts)
    if tool.spikes:
        rows = random.integers(0, len(current), 5)
        current[rows] += random.uniform(5, 60, 5)
    return current + tool.standing_a + random.normal(0, tool.noise_a, len(current)), cuts


def errors_of(seed):
    """Return how many cuts a run has and how many were told, and the errors of the ends of each pair in s."""
    current, cuts = run_of(seed)
    records = fed(block_of(current, np.full(len(current), 18.0), interval_us=INTERVAL_US)).cut_records
    told = [(record.start_us * 1e-6, record.end_us * 1e-6) for record in records]
    return len(cuts), len(told), np.array(told) - np.array(cuts) if len(told) == len(cuts) else None


def test_every_cut_is_found_and_none_invented_with_its_ends_within_40_ms():
    errors = {}
    for seed in range(RUNS):
        count, told, ends = errors_of(seed)
        assert (seed, told) == (seed, count)
        errors[seed] = float(np.abs(ends).max())
    assert {seed: error for seed, error in errors.items() if error > EDGE_S} == {}
