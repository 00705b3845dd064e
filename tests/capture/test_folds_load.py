"""The follower of the load: what it learns from the past, and what must not mislead it."""

import numpy as np
import pytest
from fold_blocks import after_gap, block_of, fed, marked, pieces_of

from capture.blocks import Quality
from capture.folds.hysteresis import IDLE_CURRENT_A, START_CURRENT_A, Load, follow

INTERVAL_US = 2000
RATE = 500


def currents(*parts, noise=0.05, seed=2):
    """Return a block at 500 Hz of (seconds, ampere) parts with noise, at 18 V."""
    current = np.concatenate([np.full(round(seconds * RATE), level) for seconds, level in parts])
    current = current + np.random.default_rng(seed).normal(0, noise, len(current))
    return block_of(current, np.full(len(current), 18.0), interval_us=INTERVAL_US)


def spans(block):
    return [(cut.start_us * 1e-6, cut.end_us * 1e-6) for cut in fed(block).cut_records]


def test_before_an_idle_was_seen_the_fixed_thresholds_hold():
    """A recording that begins under load has nothing to learn from."""
    _, load = follow(Load(), currents((1.0, 40.0)))
    assert set(load.start_a) == {START_CURRENT_A}
    assert load.drawing.all()


def test_a_recording_may_begin_under_load():
    """The cut that was under way is one; of the next the thresholds are learnt."""
    found = spans(currents((2.0, 40.0), (2.0, 0.2), (1.0, 1.5), (2.0, 0.2)))
    assert found == [pytest.approx((0.0, 2.0), abs=0.02), pytest.approx((4.0, 5.0), abs=0.02)]


def test_a_small_tool_is_found_after_a_tenth_of_a_second_of_idle():
    assert spans(currents((0.1, 0.3), (1.0, 1.6), (1.0, 0.3))) == [pytest.approx((0.1, 1.1), abs=0.02)]


@pytest.mark.parametrize("load_a", [1.5, 30.0])
@pytest.mark.parametrize("noise", [0.05, 0.2])
def test_a_lamp_that_goes_on_and_off_is_no_cut_and_lengthens_none(load_a, noise):
    """Half an ampere from the trigger on until two seconds behind the cut."""
    block = currents(
        (2.0, 0.0), (2.0, load_a + 0.5), (2.0, 0.5), (2.0, 0.0), (1.0, load_a), (2.0, 0.0), noise=noise
    )
    assert spans(block) == [pytest.approx((2.0, 4.0), abs=0.04), pytest.approx((8.0, 9.0), abs=0.04)]


def test_a_spike_beside_a_cut_moves_no_edge():
    """One reading 0.2 s before the cut and one 0.2 s behind it."""
    block = currents((2.0, 0.0), (1.0, 20.0), (2.0, 0.0))
    block.columns["current_a"][[900, 1600]] = 50.0
    assert spans(block) == [pytest.approx((2.0, 3.0), abs=0.004)]


def test_a_level_learnt_wrongly_is_given_up():
    """A brake as long as a rest is taken for idle, and zero for it again after a third of a second."""
    block = currents((1.0, 0.0), (1.0, -0.8), (6.0, 0.0), (1.0, 2.0), (2.0, 0.0))
    assert spans(block)[-1] == pytest.approx((8.0, 9.0), abs=0.04)
    state, _ = follow(Load(), block)
    assert state.learnt.idle.level_a == pytest.approx(0.0, abs=0.05)


def test_noise_raises_the_start_of_a_big_tool_and_smooths_a_small_one():
    """Half an ampere and five deviations of 0.3 A where a tenth of the load allows it."""
    big, _ = follow(Load(), currents((3.0, 0.2), (2.0, 40.0), noise=0.3))
    small, _ = follow(Load(), currents((3.0, 0.2), (2.0, 1.5), noise=0.3))
    assert big.learnt.thresholds().start_a == pytest.approx(0.2 + 0.5 + 5 * 0.3, rel=0.2)
    assert big.learnt.thresholds().span == 1
    assert small.learnt.thresholds().start_a == pytest.approx(0.2 + 0.85, abs=0.15)
    assert small.learnt.thresholds().span == 10


def test_what_is_learnt_comes_from_the_past_alone():
    """Prefixes: what was said of a reading never changes, whatever follows it."""
    block = currents((1.0, 0.3), (1.0, 2.0), (1.0, 0.3), (1.0, 30.0), (1.0, 0.3), noise=0.2)
    _, whole = follow(Load(), block)
    for rows in (333, 1111, 2222):
        _, part = follow(Load(), block.part(0, rows))
        assert (part.drawing == whole.drawing[:rows]).all()
        assert (part.start_a == whole.start_a[:rows]).all()


def test_the_answer_does_not_depend_on_chunks():
    block = currents((1.0, 0.3), (1.0, 2.0), (1.0, 0.3), (1.0, 30.0), (1.0, 0.3), noise=0.3)
    _, whole = follow(Load(), block)
    random = np.random.default_rng(4)
    for _ in range(10):
        state, said = Load(), []
        for piece in pieces_of(block, random, cuts=60):
            state, load = follow(state, piece)
            said.append(load)
        for name in ("drawing", "idle", "start_a", "span", "over_a"):
            told = np.concatenate([getattr(load, name) for load in said])
            assert np.array_equal(told, getattr(whole, name)), name


def test_whether_the_tool_draws_outlives_a_short_gap_and_no_pause():
    """Between the two thresholds the earlier answer holds, as long as somebody knows it."""
    between = 0.5 * (START_CURRENT_A + IDLE_CURRENT_A)
    first = block_of([40.0] * 50, interval_us=INTERVAL_US)
    state, _ = follow(Load(), first)
    later = after_gap(block_of([between] * 5, first_index=100, interval_us=INTERVAL_US))
    assert follow(state, later)[1].drawing.all()
    paused = marked(block_of([between] * 5, first_index=50, interval_us=INTERVAL_US), Quality.AFTER_PAUSE)
    assert not follow(state, paused)[1].drawing.any()


@pytest.mark.parametrize("off_a", [-2.5, -1.2, 1.0, 2.0, 2.3])
@pytest.mark.parametrize("noise", [0.05, 0.2])
def test_a_sensor_that_was_never_zeroed_hides_no_cut(off_a, noise):
    """Nobody can tell an offset from a lamp that burns throughout: cuts are found, a rest is not claimed."""
    block = currents((2.0, off_a), (2.0, 30.0), (2.0, off_a), (1.0, off_a + 3.0), (2.0, off_a), noise=noise)
    assert spans(block) == [pytest.approx((2.0, 4.0), abs=0.02), pytest.approx((6.0, 7.0), abs=0.02)]
    assert fed(block).rest_voltage is None
