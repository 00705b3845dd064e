"""Phases of a cut: against the virtual saw's own truth, against made courses, and what cannot be told."""

import itertools

import numpy as np
import pytest
from fold_blocks import after_gap, block_of, divided, fed, pieces_of

from capture.folds import course
from capture.folds.phases import GAP, NO_END, NO_FREE_RUN, NO_LEVELS, NO_SPIN, STILL_TURNS, UNDER_WAY
from capture.folds.run import RunFolds
from capture.model.life import Life
from capture.model.pack import PACKS
from capture.model.scenario import Scenario
from capture.model.sensors import SENSORS, SensorBoard

COLUMNS = {"current": "current_a", "voltage": "voltage_v", "speed": "speed_rpm"}
INTERVAL_US = 2000
SPEED_DIVISOR = 5
RATE = 500


def sawn(seed, seconds, *, speed=True):
    """Return the saw's own cuts, and the records that the folds make of its sensors' readings."""
    scenario = Scenario(PACKS["wren"], seed)
    board, folds, cuts = SensorBoard(scenario), RunFolds(divisors={"speed_rpm": SPEED_DIVISOR}), []
    for stretch in itertools.takewhile(lambda s: s.first_sample < seconds * RATE, Life(scenario)):
        counts = board.counts(stretch)
        readings = {
            COLUMNS[sensor.channel.quantity]: counts[at] * float(sensor.channel.scale)
            for at, sensor in enumerate(SENSORS)
            if sensor.channel.quantity in COLUMNS
        }
        turning = divided(readings.pop("speed_rpm"), SPEED_DIVISOR, stretch.first_sample)
        columns = {"speed_rpm": turning} if speed else {}
        current, voltage = readings["current_a"], readings["voltage_v"]
        first = stretch.first_sample
        folds.feed([block_of(current, voltage, first_index=first, interval_us=INTERVAL_US, **columns)])
        cuts += stretch.cuts
    return cuts, folds.figures().cut_records


@pytest.mark.parametrize("speed", [True, False])
@pytest.mark.parametrize("seed", [3, 11])
def test_contact_and_severance_are_the_saw_s_own(seed, speed):
    """Within 40 ms, and most work durations within two standard uncertainties."""
    cuts, records = sawn(seed, 60, speed=speed)
    finished = [(cut, record.phases) for cut, record in zip(cuts, records, strict=False) if cut.severed_s]
    assert len(finished) >= 5
    inside = 0
    for cut, phases in finished:
        assert phases.contact_us * 1e-6 == pytest.approx(cut.contact_s, abs=0.04)
        assert phases.severance_us * 1e-6 == pytest.approx(cut.severed_s, abs=0.04)
        assert phases.told_by == ("current and speed" if speed else "current")
        inside += abs(phases.work_s - (cut.severed_s - cut.contact_s)) <= 2 * phases.work_u_s
    assert inside >= 0.85 * len(finished)


def made(parts, *, rpm=True, noise=0.05, rows_before=1000):
    """Return a block at 500 Hz from parts (seconds, current, speed), rest before and behind."""
    parts = [(rows_before / RATE, 0.0, 0.0), *parts, (2.0, 0.0, 0.0)]
    lengths = [round(seconds * RATE) for seconds, _, _ in parts]
    current, speed = (np.repeat([part[at] for part in parts], lengths) for at in (1, 2))
    current = current + np.random.default_rng(1).normal(0, noise, len(current))
    columns = {"speed_rpm": divided(speed, SPEED_DIVISOR)} if rpm else {}
    return block_of(current, np.full(len(current), 40.0), interval_us=INTERVAL_US, **columns)


SPIN_UP, FREE, WORK = (0.1, 50.0, 1500.0), (0.5, 6.0, 5000.0), (3.0, 30.0, 4000.0)
DIVISORS = {"divisors": {"speed_rpm": SPEED_DIVISOR}}


def phases_of_one(*blocks):
    (record,) = fed(*blocks, **DIVISORS).cut_records
    return record.phases


def test_all_phases_of_a_made_cut():
    """Steps at known times: each within two bins (40 ms)."""
    phases = phases_of_one(made([SPIN_UP, FREE, WORK, FREE, (0.1, -5.0, 2000.0)]))
    ends = {"spin_up": (2.0, 2.1), "free_run": (2.1, 2.6), "contact": (2.6, 5.6)}
    ends |= {"severance": (5.6, 6.1), "spin_down": (6.1, 6.2)}
    assert [span.name for span in phases.spans] == list(ends)
    for span in phases.spans:
        assert (span.start_us * 1e-6, span.end_us * 1e-6) == pytest.approx(ends[span.name], abs=0.04)
    assert phases.work_s == pytest.approx(3.0, abs=2 * phases.work_u_s)
    assert phases.untold == ()


def test_a_tool_that_still_turns_when_the_cut_is_finished_says_so():
    phases = phases_of_one(made([SPIN_UP, FREE, WORK, FREE, (1.0, 0.0, 3000.0)]))
    assert phases.spans[-1].name == "spin_down"
    assert STILL_TURNS in phases.untold


def test_a_speed_held_by_regulation_leaves_the_current():
    """The speed does not fall in the work: contact and severance stay, told by the current alone."""
    held = [(3.0, 30.0, 5000.0) if part is WORK else part for part in (SPIN_UP, FREE, WORK, FREE)]
    phases = phases_of_one(made(held))
    assert phases.told_by == "current"
    assert phases.work_s == pytest.approx(3.0, abs=0.04)


def test_two_levels_of_the_current_tell_contact_and_severance_without_a_speed():
    phases = phases_of_one(made([SPIN_UP, FREE, WORK, FREE], rpm=False))
    assert [span.name for span in phases.spans] == ["contact", "severance"]
    assert (phases.told_by, phases.untold) == ("current", (NO_SPIN,))
    assert phases.work_s == pytest.approx(3.0, abs=0.04)


@pytest.mark.parametrize(
    ("parts", "told", "reason"),
    [
        ([SPIN_UP, (4.0, 6.0, 5000.0)], [], NO_LEVELS),
        ([(3.0, 30.0, 0.0)], [], NO_LEVELS),
        ([(0.02, 30.0, 1000.0), WORK, FREE], ["severance"], NO_FREE_RUN),
        ([SPIN_UP, FREE, WORK], ["contact"], NO_END),
    ],
    ids=["runs free", "stalled", "at work at once", "let go in the work"],
)
def test_what_cannot_be_told_is_left_out_and_named(parts, told, reason):
    phases = phases_of_one(made(parts))
    assert [span.name for span in phases.spans if span.name in ("contact", "severance")] == told
    assert reason in phases.untold
    assert phases.work_s is None


def test_lost_samples_leave_no_phases():
    block = made([SPIN_UP, FREE, WORK, FREE])
    phases = phases_of_one(block.part(0, 2000), after_gap(block.part(2050, len(block))))
    assert (phases.spans, phases.untold) == ((), (GAP,))


def test_a_running_cut_has_no_phases_yet():
    block = made([SPIN_UP, FREE, WORK, FREE])
    assert fed(block.part(0, 2000), **DIVISORS).latest_cut.phases == UNDER_WAY


def test_phases_do_not_depend_on_chunks():
    block = made([SPIN_UP, FREE, WORK, FREE, (0.1, -5.0, 2000.0)] * 3, noise=0.3)
    random = np.random.default_rng(8)
    for _ in range(5):
        assert fed(*pieces_of(block, random), **DIVISORS) == fed(block, **DIVISORS)


def test_a_long_cut_is_kept_in_bounds_and_known_in_wider_bins(monkeypatch):
    """300 s of work where 82 s fill the bins of 20 ms: four times as wide, and u says so."""
    block = made([SPIN_UP, FREE, (300.0, 30.0, 4000.0), FREE])
    folds = RunFolds(**DIVISORS)
    folds.feed([block.part(0, 290 * RATE)])
    kept = folds.state().cuts.stretch.course
    assert len(kept.sums) <= course.MOST_BINS
    assert kept.width_us == 4 * course.BIN_US
    phases = phases_of_one(block)
    assert phases.work_s == pytest.approx(300.0, abs=2 * phases.work_u_s)
    assert phases.work_u_s >= 0.08 / np.sqrt(12)
