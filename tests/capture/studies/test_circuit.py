"""The circuit fitted to a run: random packs within their uncertainties, and runs that tell nothing."""

from dataclasses import replace

import numpy as np
import pytest
from circuit_runs import EXACT_GAINS, Truth, cuts_at_random, drawn_ah, run_of, voltage_of
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.open_circuit import PUBLISHED
from capture.run_card import RunCard
from capture.studies.circuit import fit_circuit
from capture.studies.columns import RunColumns
from capture.uncertainty.channels import HOBBY_DIVIDER, HOBBY_SHUNT

PACK = RunCard(series=10, capacity_ah=5.0, chemistry="nmc")
CARDS = (PACK, RunCard(), replace(PACK, chemistry="unheard of"), replace(PACK, capacity_ah=0.001))


def random_pack(random):
    """Return a pack as tools have them: 3 to 9 Ah, 5 or 10 groups, a fast and a slow pair."""
    series, capacity_ah = int(random.choice([5, 10])), float(random.uniform(3.0, 9.0))
    whole = series * 0.010 / (capacity_ah / 2.5)
    fast = (whole * random.uniform(0.15, 0.6), float(np.exp(random.uniform(np.log(0.05), 0.0))))
    slow = (whole * random.uniform(0.15, 0.6), float(np.exp(random.uniform(np.log(8.0), np.log(30.0)))))
    curve = PUBLISHED[str(random.choice(["nmc", "nca", "lco"]))].volts
    start = float(random.uniform(0.7, 0.98))
    return Truth(whole * random.uniform(0.4, 1.0), (fast, slow), series, capacity_ah, curve, start)


def fitted(seed):
    """Return the truth and the circuit of a run of two minutes; every other card knows the pack."""
    random = np.random.default_rng(seed)
    truth = random_pack(random)
    times, current = cuts_at_random(
        random, duration_s=120.0, load_a=6.0 * truth.capacity_ah, interval_s=0.004
    )
    run = run_of(times, current, voltage_of(truth, current, times), random=random)
    rated_ah = truth.capacity_ah * float(np.exp(0.05 * random.normal()))
    card = RunCard(series=truth.series, capacity_ah=rated_ah, chemistry="nmc") if seed % 2 else RunCard()
    fall_v = truth.series * (
        truth.open_circuit(np.array(truth.start))
        - truth.open_circuit(np.array(truth.start - drawn_ah(current, times)[-1] / truth.capacity_ah))
    )
    return truth, float(fall_v), fit_circuit(run, (), card, EXACT_GAINS)


def test_random_packs_lie_within_their_uncertainties():
    """Of the figures of 30 random packs 85 to 100 % lie within two standard uncertainties (JCGM 100:2008)."""
    within = []
    for seed in range(30):
        truth, fall_v, circuit = fitted(seed)
        assert len(circuit.branches) == 2
        fast, slow = circuit.branches
        assert fast.tau.value < slow.tau.value
        known = [(circuit.r0, truth.r0), (circuit.open_circuit.fall, fall_v)]
        for branch, (ohm, tau) in zip(circuit.branches, truth.pairs, strict=True):
            known += [(branch.r, ohm), (branch.tau, tau)]
        within.append([abs(figure.value - true) <= 2 * figure.u for figure, true in known])
        assert circuit.r0.value == pytest.approx(truth.r0, rel=0.005)
    assert np.mean(within) >= 0.85
    assert np.all(np.mean(within, axis=0) >= 0.75)


def test_gains_of_the_logger_are_part_of_the_uncertainty():
    """R is volts over amperes: 1 % of the shunt and 0.5 % of the divider leave 1.1 % (JCGM 100, 5.1.6)."""
    truth, random = random_pack(np.random.default_rng(1)), np.random.default_rng(1)
    times, current = cuts_at_random(random, duration_s=60.0, load_a=30.0, interval_s=0.004)
    voltage = voltage_of(truth, current, times)
    run = run_of(times, current, voltage, random=random)
    hobby = {"current_a": HOBBY_SHUNT, "voltage_v": HOBBY_DIVIDER}
    r0 = fit_circuit(run, (), RunCard(), hobby).r0
    assert r0.u / r0.value == pytest.approx(np.hypot(0.01, 0.005), rel=0.05)


def columns_of(times, current, voltage, breaks=()):
    named = {"current_a": np.asarray(current, float), "voltage_v": np.asarray(voltage, float)}
    return RunColumns(
        np.asarray(times, float), named, np.array(breaks, np.int64), 0.002, dict.fromkeys(named, 1)
    )


TIMES = np.arange(5000) * 0.002
PULSES = np.where(TIMES % 2 > 1, 20.0, 0.0)
NONE = np.full(5000, np.nan)


@pytest.mark.parametrize("card", CARDS)
@pytest.mark.parametrize(
    "run",
    [
        columns_of([], [], []),
        columns_of([0.0, 0.002, 0.004], [0, 1, 2], [36, 35.9, 35.8]),
        columns_of(TIMES, np.full(5000, 20.0), 36 - 0.01 * TIMES),
        columns_of(TIMES, np.zeros(5000), np.full(5000, 36.0)),
        columns_of(TIMES, NONE, NONE),
        columns_of(TIMES, PULSES, NONE),
        columns_of(TIMES, NONE, 36 - 0.04 * PULSES),
        columns_of(TIMES, PULSES, np.zeros(5000)),
        columns_of(np.zeros(5000), PULSES, 36 - 0.04 * PULSES),
        columns_of(TIMES, PULSES * 1e29, 36 - 0.04 * PULSES),
        columns_of(TIMES, PULSES, 36 + 0.04 * PULSES),
        replace(columns_of(TIMES, PULSES, PULSES), columns={"speed_rpm": PULSES}),
    ],
    ids=[
        *("empty", "three samples", "constant", "no load", "nothing", "no voltage", "no current"),
        *("no volts", "no time", "absurd", "rises under load", "other channels"),
    ],
)
def test_a_run_that_tells_nothing_has_no_circuit(run, card):
    assert fit_circuit(run, (), card, EXACT_GAINS) is None


@pytest.mark.parametrize("card", CARDS)
@pytest.mark.parametrize(
    "run",
    [
        columns_of(
            TIMES, np.where(abs(TIMES - 4) < 2, 20, 0), 36 - 0.04 * np.where(abs(TIMES - 4) < 2, 20, 0)
        ),
        columns_of(TIMES, PULSES, 36 - 0.04 * PULSES, breaks=range(1, 5000, 7)),
        columns_of(
            TIMES + np.repeat(np.arange(4), 1250) * 60, PULSES, 36 - 0.04 * PULSES, range(1250, 5000, 1250)
        ),
        columns_of(TIMES, PULSES, np.where(np.arange(5000) % 4, np.nan, 36 - 0.04 * PULSES)),
    ],
    ids=["one cut", "gaps everywhere", "long gaps", "a slow voltage"],
)
def test_a_mere_resistance_is_found_and_no_pair(run, card):
    """40 mohm and nothing else, whatever the gaps: R0 it is, and no pair is claimed."""
    circuit = fit_circuit(run, (), card, EXACT_GAINS)
    assert circuit.r0.value == pytest.approx(0.040, rel=1e-3)
    assert circuit.branches == ()
    assert [text.split()[0] for text in circuit.undetermined] == ["second", "first"]


def test_slow_or_uneven_samples_tell_no_r0():
    """At 10 Hz, and with steps that differ by half, what answers at once is told but is not called R0."""
    truth, random = random_pack(np.random.default_rng(4)), np.random.default_rng(4)
    times, current = cuts_at_random(random, duration_s=120.0, load_a=30.0, interval_s=0.002)
    voltage = voltage_of(truth, current, times)
    uneven = np.unique(np.cumsum(random.integers(2, 8, 15_000)))
    for rows in (slice(None, None, 50), uneven[uneven < len(times)]):
        circuit = fit_circuit(
            run_of(times[rows], current[rows], voltage[rows], random=random), (), PACK, EXACT_GAINS
        )
        assert circuit.r0 is None
        assert circuit.at_once.value > 0
        assert circuit.as_json()["r0"] is None


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from(CARDS), st.floats(0.0, 0.3))
def test_any_run_has_a_sane_circuit_or_none(seed, card, missing):
    """Random currents, voltages, holes and breaks: nothing raises or is negative, time constants rise."""
    random = np.random.default_rng(seed)
    count = int(random.integers(0, 3000))
    times = np.cumsum(random.choice([0.002, 0.0021, 0.05, 3.0], count, p=[0.9, 0.08, 0.018, 0.002]))
    current = np.repeat(random.uniform(-20, 80, count // 50 + 1), 50)[:count]
    voltage = 36 - random.normal(0.03, 0.02) * current + random.normal(0, random.choice([0, 0.01, 3]), count)
    current, voltage = (np.where(random.random(count) < missing, np.nan, row) for row in (current, voltage))
    breaks = np.unique(random.integers(1, max(count, 2), int(random.integers(0, 9))))
    circuit = fit_circuit(columns_of(times, current, voltage, breaks[breaks < count]), (), card, EXACT_GAINS)
    if circuit is None:
        return
    taus = [branch.tau.value for branch in circuit.branches]
    figures = [circuit.at_once, *(branch.r for branch in circuit.branches)]
    assert taus == sorted(taus)
    assert all(figure.value > 0 and np.isfinite(figure.u) for figure in figures)
    assert np.isfinite(circuit.rmse_v)


def test_a_circuit_as_json():
    """The keys that scripts rely on, figures with value, u and unit, null where nothing is known."""
    columns = columns_of(TIMES, PULSES, 36 - 0.04 * PULSES)
    told = fit_circuit(columns, (), RunCard(), EXACT_GAINS).as_json()
    assert told["r0"].keys() == {"value", "u", "unit"}
    assert (told["r0"]["unit"], told["branches"]) == ("Ohm", [])
    assert told["rmse_v"] < 0.001
    assert told["open_circuit"].keys() == {"start", "end", "capacity", "fall", "source"}
    assert told["open_circuit"]["start"] is None
    known = fit_circuit(columns, (), PACK, EXACT_GAINS).as_json()["open_circuit"]
    assert known["start"]["unit"] == "%"
    assert 0 < known["end"]["value"] < known["start"]["value"] <= 100
