"""Phases of a cut: contact and severance within 40 ms, and nothing told that was not seen."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.cut_figures import cut_document, numbered_cuts
from capture.folds.phases import PhaseName, phases_of
from capture.folds.work_profile import MOST_BINS, WorkProfile
from capture.model.pack import PACKS
from capture.model.rig import VirtualRig
from capture.run_card import RunCard
from capture.storage.recording import open_recording
from capture.summary import summarise
from capture.verification.random_runs import _recorded

STEP_US = 2000


def profile_of(current, speed=None):
    ticks = np.arange(len(current), dtype=np.int64) * STEP_US
    return WorkProfile().plus(ticks, np.asarray(current), speed)


def course(*parts, noise=0.3, seed=1):
    """Return current or speed that goes through (level, seconds, ramp in s) one after the other."""
    rows, before = [], 0.0
    for level, seconds, ramp in parts:
        since = np.arange(round(seconds / 0.002)) * 0.002
        share = np.clip(since / max(ramp, 1e-9), 0, 1)
        rows.append(before + (level - before) * share)
        before = level
    whole = np.concatenate(rows)
    return whole + np.random.default_rng(seed).normal(0, noise, len(whole))


CURRENT = ((6.0, 1.0, 0.02), (22.0, 3.0, 0.2), (6.0, 0.5, 0.02))
SPEED = ((5000.0, 1.0, 0.1), (4200.0, 3.0, 0.3), (5000.0, 0.5, 0.1))


@pytest.mark.parametrize("seed", [5, 11])
def test_the_saw_itself_knows_when_its_chain_touched(tmp_path, seed):
    """Against the model's truth: every contact and every severance within 40 ms (speed read every 10 ms)."""
    rig = VirtualRig(PACKS["heron"], seed)
    path = _recorded(rig, RunCard(pack="heron"), 30_000, tmp_path)
    figures, events = summarise(open_recording(path)).figures, rig.events(30_000)
    errors = []
    for cut in numbered_cuts(figures):
        told = cut_document(cut, figures.first_tick_us)
        true = next((one for one in events.cuts if abs(one.triggered_s - told["start_s"]) < 0.5), None)
        if true is None or true.severed_s is None or cut.unfinished:
            continue
        assert told["phases_told_by"] == "speed and current"
        errors += [told["contact_s"] - true.contact_s, told["severance_s"] - true.severed_s]
        took = told["work_duration"]
        assert took["value"] == pytest.approx(true.severed_s - true.contact_s, abs=0.06)
        assert 0 < took["u"] < 0.02
        names = [phase["phase"] for phase in told["phases"]]
        assert names == ["spin_up", "free_run", "work", "free_run", "spin_down"]
    assert len(errors) >= 8
    assert max(map(abs, errors)) < 0.040


def test_phases_follow_one_another():
    current, speed = course(*CURRENT), course(*SPEED, noise=10)
    found = phases_of(profile_of(current, speed), 0, len(current) * STEP_US)
    assert found.contact_us == pytest.approx(1_000_000, abs=40_000)
    assert found.severance_us == pytest.approx(4_000_000, abs=40_000)
    assert found.work_s == pytest.approx(3.0, abs=0.06)
    assert found.by_speed
    for before, after in zip(found.phases, found.phases[1:], strict=False):
        assert before.end_us == after.start_us


def test_without_speed_the_current_tells_contact_and_severance():
    current = course(*CURRENT)
    found = phases_of(profile_of(current), 0, len(current) * STEP_US)
    assert found.contact_us == pytest.approx(1_000_000, abs=40_000)
    assert found.severance_us == pytest.approx(4_000_000, abs=40_000)
    assert not found.by_speed
    assert PhaseName.SPIN_UP not in [phase.name for phase in found.phases]


def test_an_inrush_is_no_contact():
    current = course(*CURRENT)
    current[:40] += 60 * np.exp(-np.arange(40) / 15)
    found = phases_of(profile_of(current), 0, len(current) * STEP_US)
    assert found.contact_us == pytest.approx(1_000_000, abs=40_000)


def test_a_tool_that_holds_its_speed_is_told_by_the_current():
    current, speed = course(*CURRENT), course((5000.0, 4.5, 0.1), noise=10)
    found = phases_of(profile_of(current, speed), 0, len(current) * STEP_US)
    assert found.contact_us == pytest.approx(1_000_000, abs=40_000)
    assert not found.by_speed


def test_let_go_in_the_work_there_is_no_severance():
    current, speed = course(*CURRENT[:2]), course(*SPEED[:2], noise=10)
    found = phases_of(profile_of(current, speed), 0, len(current) * STEP_US)
    assert found.contact_us is not None
    assert found.severance_us is None
    assert found.work_s is None


def test_put_on_before_it_came_to_speed_there_is_no_contact():
    current, speed = (
        course((22.0, 3.0, 0.02), (6.0, 0.5, 0.02)),
        course((4200.0, 3.0, 0.1), (5000.0, 0.5, 0.1)),
    )
    found = phases_of(profile_of(current, speed), 0, len(current) * STEP_US)
    assert found is None or found.contact_us is None


def test_a_steady_load_has_one_level_and_no_contact():
    current = course((20.0, 4.0, 0.02), noise=1.5)
    found = phases_of(profile_of(current), 0, len(current) * STEP_US)
    assert found is None


def test_the_end_of_a_spin_down_is_told_where_it_is_seen():
    current, speed = course(*CURRENT, (0.0, 0.3, 0.0)), course(*SPEED, (0.0, 0.3, 0.1), noise=10)
    found = phases_of(profile_of(current, speed), 0, round(4.5e6))
    down = found.phases[-1]
    assert down.name is PhaseName.SPIN_DOWN
    assert down.start_us == 4_500_000
    assert down.end_us == pytest.approx(4_600_000, abs=40_000)


@given(st.lists(st.integers(1, 700), min_size=1, max_size=8), st.integers(0, 10**9))
def test_a_profile_does_not_depend_on_how_it_was_fed(parts, begin):
    random = np.random.default_rng(0)
    count = sum(parts)
    ticks = begin + np.arange(count, dtype=np.int64) * STEP_US
    current = np.round(random.uniform(0, 50, count) * 64) / 64  # sums of these are exact
    whole, fed, at = WorkProfile().plus(ticks, current, None), WorkProfile(), 0
    for part in parts:
        fed = fed.plus(ticks[at : at + part], current[at : at + part], None)
        at += part
    assert fed.numbers.tolist() == whole.numbers.tolist()
    assert fed.sums.tolist() == whole.sums.tolist()


def test_a_profile_stays_small():
    profile = WorkProfile()
    for at in range(60):
        ticks = (at * 5000 + np.arange(5000, dtype=np.int64)) * STEP_US
        profile = profile.plus(ticks, np.full(5000, 10.0), None)
    assert len(profile.numbers) <= MOST_BINS
    assert profile.counts[:, 0].sum() == 300_000
    assert profile.current_a == pytest.approx(np.full(len(profile.numbers), 10.0))
