"""The words of a guided test: one order for each step, and what went wrong in a sentence."""

from dataclasses import replace

import pytest
from guide_reports import DONE, PLAN, report

from capture.engine.snapshot import LinkState
from capture.guide.steps import Ending, GuidePlan, Step, Trouble
from capture.pack_limits import Alarm, AlarmKind
from tui.guide_words import CAUTIONS, caution_of, cautions, guide_words, order_of
from tui.widgets.block_letters import _SIGNS, letter_lines, letter_rows

ON = LinkState.STREAMING


@pytest.mark.parametrize(
    ("step", "left", "large", "headline", "acts"),
    [
        (Step.REST, 11.2, "REST 12", "Rest: 12 s more, load off", False),
        (Step.SETTLE, None, "WAIT", "Wait, load off: the voltage has not settled yet", False),
        (Step.SWITCH_ON, None, "LOAD ON", "Switch the load on now", True),
        (Step.HOLD, 6.8, "HOLD 7", "Hold: 7 s, leave the load on", False),
        (Step.SWITCH_OFF, None, "LOAD OFF", "Switch it off now", True),
        (Step.RECOVER, 0.0, "REST 1", "Rest: 1 s more, the pack recovers", False),
        (Step.UNLOAD, None, "LOAD OFF", "Switch the load off", True),
        (Step.STOP, None, "STOP", "Stop: switch the load off now", True),
    ],
)
def test_each_step_is_one_order(step, left, large, headline, acts):
    words = guide_words(report(step, seconds_left=left), ON)
    assert (words.large, words.headline, words.acts) == (large, headline, acts)
    assert "Repeat 2 of 3" in words.detail
    assert words.line.startswith(f"{words.sign} {headline}")


def test_every_step_and_every_trouble_has_words():
    for step in Step:
        for trouble in (None, *Trouble):
            told = report(step, trouble=trouble, seconds_left=1.0, told_a=1.0, need_a=2.0)
            words = guide_words(told, ON)
            assert words.headline
            assert words.large
            assert words.sign
            assert (trouble is None) or words.detail


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (
            {"trouble": Trouble.EARLY_RELEASE, "attempts": (replace(DONE, ended_us=19_500_000),)},
            "went too early after 4.5 s: done again",
        ),
        ({"trouble": Trouble.EARLY_LOAD}, "before the rest was over: done again"),
        (
            {"trouble": Trouble.SMALL_LOAD, "told_a": 0.39, "need_a": 0.85},
            "0.4 A is too little to tell from the noise, at least 0.9 A would do",
        ),
        (
            {"trouble": Trouble.OTHER_LOAD, "told_a": 12.0, "plan": GuidePlan(load_a=20.0)},
            "12.0 A is not the current that was meant, 20.0 A: done again",
        ),
        ({"trouble": Trouble.OTHER_LOAD, "told_a": 1.0}, "1.0 A is not the current of the loads before"),
        ({"trouble": Trouble.GAP}, "Samples were lost: done again"),
        ({"trouble": Trouble.NO_LOAD}, "is it connected and switched on?"),
        (
            {
                "trouble": Trouble.LIMIT,
                "alarm": Alarm(AlarmKind.VOLTAGE_LOW, "voltage", 27.61, 28.0, "V"),
            },
            "Voltage low: 27.61 V, limit 28.00 V",
        ),
        ({"rested_s": 12.4, "drift_v_per_s": 0.00213}, "Rested 12 s, voltage drifts 2.1 mV/s"),
    ],
)
def test_what_went_wrong_and_what_still_moves_is_said(changes, words):
    assert words in guide_words(report(Step.SWITCH_ON, **changes), ON).detail


def test_for_how_long_a_load_is_on_beyond_its_time_is_said():
    assert "On for 25 s" in guide_words(report(Step.SWITCH_OFF, on_s=25.2), ON).detail


@pytest.mark.parametrize(
    ("ending", "words"),
    [
        (Ending.COMPLETE, "Done: 1 of 3"),
        (Ending.LIMIT, "limit"),
        (Ending.NO_LOAD, "no load came"),
        (Ending.TOO_MANY_TRIES, "too many loads"),
    ],
)
def test_how_it_ended(ending, words):
    told = guide_words(report(Step.ENDED, ending=ending), LinkState.LOST)
    assert words in told.headline
    assert not told.acts


@pytest.mark.parametrize("link", [LinkState.SILENT, LinkState.RECONNECTING, LinkState.LOST, LinkState.CLOSED])
def test_without_samples_the_load_is_to_go(link):
    """Nobody sees what the pack does meanwhile."""
    words = guide_words(report(Step.HOLD, seconds_left=5.0), link)
    assert "switch the load off" in words.headline
    assert words.acts


def test_an_order_changes_with_what_is_to_be_done_and_not_with_the_seconds():
    holds = [order_of(report(Step.HOLD, seconds_left=left), ON) for left in (7.0, 6.0)]
    assert holds[0] == holds[1]
    assert order_of(report(Step.SWITCH_OFF), ON) != holds[0]
    again = order_of(report(Step.HOLD, seconds_left=7.0, trouble=Trouble.GAP), ON)
    assert again != holds[0]


def test_cautions_follow_one_another_before_the_first_load():
    first = [caution_of(report(rested_s=at_s, attempts=()), 28.0) for at_s in (0.1, 4.0, 8.0)]
    assert first == [f"! {caution}" for caution in CAUTIONS]
    assert caution_of(report(Step.HOLD, attempts=()), 28.0) == ""
    assert caution_of(report(), 28.0) == ""
    assert "cut-off" in cautions(None)[-1]
    whole = " ".join(cautions(28.0))
    for needed in ("current", "hot", "cut-off", "unattended", "Local codes"):
        assert needed in whole


def test_large_letters_have_every_sign_that_is_shown():
    for step in Step:
        for ending in Ending:
            words = guide_words(report(step, seconds_left=1234567890.0, ending=ending, plan=PLAN), ON)
            assert set(words.large) <= set(_SIGNS)
    for link in LinkState:
        assert set(guide_words(report(), link).large) <= set(_SIGNS)


@pytest.mark.parametrize("scale", [1, 2])
def test_large_letters_are_rows_of_one_width(scale):
    rows = letter_lines("LOAD OFF", scale)
    assert len(rows) == letter_rows(scale)
    assert len({len(row) for row in rows}) == 1
    assert len(rows[0]) < 80 * scale
    assert letter_lines("HOLD 7", scale) != letter_lines("HOLD 1", scale)
