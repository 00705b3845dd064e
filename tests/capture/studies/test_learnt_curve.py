"""A pack's own open-circuit curve, from its runs."""

import numpy as np
import pytest
from circuit_runs import EXACT_GAINS, Truth, cuts_at_random, drawn_ah, run_of, voltage_of

from capture.open_circuit import PUBLISHED, default_curve, own_curve
from capture.run_card import RunCard
from capture.studies.circuit import fit_circuit
from capture.studies.learnt_curve import CurveRun, learnt_curve
from capture.studies.open_circuit_fall import open_circuit_fall

#: A pack of another chemistry than its card says, so that there is something to learn.
OWN = PUBLISHED["nca"]
CARD = RunCard(pack="heron", series=10, capacity_ah=5.0, chemistry="nmc")


def pack_at(start):
    return Truth(0.030, ((0.012, 0.12), (0.015, 30.0)), 10, 5.0, OWN.volts, start)


def runs_in_turn(starts, duration_s=240.0, load_a=35.0):
    """Return runs of one pack, each begun at a state of charge, rested."""
    runs = []
    for number, start in enumerate(starts):
        random = np.random.default_rng(number)
        times, current = cuts_at_random(random, duration_s=duration_s, load_a=load_a, interval_s=0.004)
        run = run_of(times, current, voltage_of(pack_at(start), current, times), random=random)
        runs.append(CurveRun(f"run {number}", run, EXACT_GAINS))
    return runs


@pytest.fixture(scope="module")
def learnt():
    """Return what four runs from full to nearly empty teach, each begun in what the one before has shown."""
    return learnt_curve(runs_in_turn((0.99, 0.76, 0.55, 0.34)), CARD)


def test_the_curve_is_that_of_the_pack(learnt):
    """An NCA pack that was taken for NMC: 10 mV a group from 0.2 to 0.95, where NMC's curve is 70 mV off."""
    states = np.linspace(0.2, 0.95, 31)
    off_v = learnt.curve.volts(states) - OWN.volts(states)
    assert np.abs(off_v).max() < 0.015
    assert np.sqrt(np.mean(off_v**2)) < 0.008
    before_v = PUBLISHED["nmc"].volts(states) - OWN.volts(states)
    assert np.sqrt(np.mean(before_v**2)) > 5 * np.sqrt(np.mean(off_v**2))
    assert np.all(np.abs(off_v) < 4 * learnt.curve.u_volts(states))
    assert learnt.curve.learnt
    assert "run 0" in learnt.curve.source
    assert learnt.left_out == {}


def test_a_learnt_curve_tells_the_state_of_charge_and_the_capacity(learnt):
    """A later run of the same pack, begun at 0.8: within two uncertainties, smaller than before."""
    run = runs_in_turn((0.8,), duration_s=300.0)[0]
    known = fit_circuit(run.columns, (), CARD, EXACT_GAINS, curve=learnt.curve).open_circuit
    guessed = fit_circuit(run.columns, (), CARD, EXACT_GAINS).open_circuit
    drawn = drawn_ah(run.columns.columns["current_a"], run.columns.t_s)[-1] / 5.0
    assert abs(known.start.value - 80.0) < 2 * known.start.u
    assert abs(known.end.value - (80.0 - 100 * drawn)) < 2 * known.end.u
    assert known.start.u < 0.5 * guessed.start.u
    assert guessed.capacity is None


def test_what_no_run_has_shown_is_the_chemistry_s_and_known_no_better(learnt):
    empty = learnt.curve.u_volts(np.array([0.0]))[0]
    assert empty == PUBLISHED["nmc"].u_volts(np.array([0.0]))[0]
    assert learnt.curve.u_volts(np.array([0.6]))[0] < 0.2 * empty


def test_runs_that_teach_nothing_are_left_out():
    """A run of 6 s draws too little, one without load has no circuit; of such alone there is no curve."""
    short = runs_in_turn((0.9,), duration_s=12.0)[0]
    idle = run_of(np.arange(5000) * 0.002, np.zeros(5000), np.full(5000, 41.0))
    good = runs_in_turn((0.95,))[0]
    runs = [CurveRun("short", short.columns, EXACT_GAINS), CurveRun("idle", idle, EXACT_GAINS), good]
    learnt = learnt_curve(runs, CARD)
    assert set(learnt.left_out) == {"short", "idle"}
    assert [piece.name for piece in learnt.pieces] == ["run 0"]
    assert learnt_curve(runs[:2], CARD) is None


@pytest.mark.parametrize("card", [RunCard(), RunCard(series=10, capacity_ah=5.0), RunCard(chemistry="nmc")])
def test_a_card_that_knows_too_little(card):
    with pytest.raises(ValueError, match="series, capacity_ah and chemistry"):
        learnt_curve([], card)


def test_the_fall_along_a_run_without_a_fit(learnt):
    """Within two uncertainties of the truth, with either curve, and told better by the pack's own."""
    random = np.random.default_rng(8)
    times, current = cuts_at_random(random, duration_s=120.0, load_a=35.0, interval_s=0.004)
    run = run_of(times, current, voltage_of(pack_at(0.8), current, times), random=random)
    drawn = drawn_ah(current, times) / 5.0
    fall_v = 10 * (OWN.volts(np.array(0.8)) - OWN.volts(0.8 - drawn))
    told = [open_circuit_fall(run, CARD, EXACT_GAINS, curve=curve) for curve in (None, learnt.curve)]
    for along in told:
        assert np.all(np.abs(along.fall_v - fall_v) <= 2 * along.u_v + 0.003)
        assert np.all(np.diff(along.u_v[:: len(times) - 1]) > 0)
    assert told[1].u_v[-1] < told[0].u_v[-1]


def test_the_fall_is_not_told_where_it_cannot_be():
    random = np.random.default_rng(8)
    times, current = cuts_at_random(random, duration_s=20.0, load_a=35.0, interval_s=0.004, lead_s=0.0)
    run = run_of(times, current, voltage_of(pack_at(0.8), current, times), random=random)
    assert open_circuit_fall(run, CARD) is None  # begins under load
    rested = run_of(times + 1, np.zeros(len(times)), np.full(len(times), 38.0))
    assert open_circuit_fall(rested, RunCard(series=10, capacity_ah=5.0)) is None
    assert open_circuit_fall(rested, CARD).fall_v.tolist() == [0.0] * len(times)


def test_default_curves():
    """A name without a curve gets that of nmc, which says so; no name none."""
    assert default_curve("LFP ") is PUBLISHED["lfp"]
    assert default_curve(None) is None
    assert default_curve(" ") is None
    guess = default_curve("lmo")
    assert guess.assumed
    assert "no curve for lmo" in guess.source
    assert np.array_equal(guess.group_v, PUBLISHED["nmc"].group_v)


@pytest.mark.parametrize("chemistry", sorted(PUBLISHED))
def test_a_curve_and_its_inverse(chemistry):
    curve = PUBLISHED[chemistry]
    states = np.linspace(0.0, 1.0, 201)
    np.testing.assert_allclose(curve.soc(curve.volts(states)), states, atol=1e-12)
    assert np.all(curve.slope(np.linspace(-0.5, 1.5, 101)) > 0)
    middle = np.linspace(0.1, 0.9, 33)
    rise = (curve.volts(middle + 0.025) - curve.volts(middle - 0.025)) / 0.05
    np.testing.assert_allclose(curve.slope(middle), rise, rtol=1e-9)


@pytest.mark.parametrize(
    ("rows", "why"),
    [
        (([0, 1], [3.0, 3.0], [0.1, 0.1]), "does not rise"),
        (([0, 0.5, 0.5], [3.0, 3.1, 3.2], [0.1] * 3), "does not rise"),
        (([0.5], [3.0], [0.1]), "two or more"),
        (([0, 1], [3.0, 4.0], [0.1]), "as many"),
        (([0, 1.2], [3.0, 4.0], [0.1, 0.1]), "outside 0 to 1"),
        (([0, 1], [3.0, 4.0], [0.1, 0.0]), "not above 0"),
    ],
)
def test_what_is_no_curve(rows, why):
    with pytest.raises(ValueError, match=why):
        own_curve("nmc", *rows, "typed")
