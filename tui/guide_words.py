"""The words of a guided test: what to do next, how large, and what went wrong. Pure: report in, words out.

An order is told by its words and its sign; colour only adds to them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from capture.engine.snapshot import LinkState
from capture.guide.steps import Ending, Step, Trouble
from capture.quantities import UNIT_LABELS
from tui.formatting import number, with_unit
from tui.widgets.state_words import ALARM_WORDS

if TYPE_CHECKING:
    from capture.guide.steps import GuideReport

#: Each fits a line of 80 columns.
CAUTIONS: Final = (
    "Fuse, leads and load must bear the current; load and leads grow hot.",
    "Never below the cut-off voltage, never unattended; in doubt switch off.",
    "Local codes and the makers' manuals go before anything said here.",
)
_NO_CUTOFF: Final = "No cut-off voltage of this pack is known: name it (--pack), or watch it."
#: In so many seconds a caution can be read.
_CAUTION_S: Final = 3.5
#: Sign, large word, sentence, whether the person is to act; {} is how many more seconds.
_ORDERS: Final = {
    Step.REST: ("◌", "REST {}", "Rest: {} s more, load off", False),
    Step.SETTLE: ("◌", "WAIT", "Wait, load off: the voltage has not settled yet", False),
    Step.SWITCH_ON: ("▲", "LOAD ON", "Switch the load on now", True),
    Step.HOLD: ("■", "HOLD {}", "Hold: {} s, leave the load on", False),
    Step.SWITCH_OFF: ("▼", "LOAD OFF", "Switch it off now", True),
    Step.RECOVER: ("◌", "REST {}", "Rest: {} s more, the pack recovers", False),
    Step.UNLOAD: ("▼", "LOAD OFF", "Switch the load off", True),
    Step.STOP: ("✕", "STOP", "Stop: switch the load off now", True),
}


@dataclass(frozen=True, slots=True)
class GuideWords:
    """What a guide says: in large letters, in a sentence, and beside it; `acts`: the person is to act now."""

    sign: str
    large: str
    headline: str
    detail: str
    acts: bool = False

    @property
    def line(self) -> str:
        """Everything on one line."""
        return f"{self.sign} {self.headline}" + (f" ({self.detail})" if self.detail else "")


def caution_of(report: GuideReport, cutoff_v: float | None) -> str:
    """Return the caution of the moment, one after the other while the pack rests before the first load."""
    if report.step is not Step.REST or report.attempts:
        return ""
    all_of_them = cautions(cutoff_v)
    return f"! {all_of_them[int(report.rested_s / _CAUTION_S) % len(all_of_them)]}"


def cautions(cutoff_v: float | None) -> tuple[str, ...]:
    """Return what is to be taken care of before the first load."""
    return CAUTIONS if cutoff_v is not None else (*CAUTIONS, _NO_CUTOFF)


def guide_words(report: GuideReport, link: LinkState) -> GuideWords:
    """Return what the person is to do now."""
    if link is not LinkState.STREAMING and report.step is not Step.ENDED:
        return _without_samples(link)
    sign, large, headline, acts = _order(report)
    repeat = "" if report.step is Step.ENDED else f"Repeat {report.repeat} of {report.plan.repeats}"
    told = [part for part in (repeat, _trouble(report), _beside(report)) if part]
    return GuideWords(sign, large, headline, ". ".join(told), acts)


def order_of(report: GuideReport, link: LinkState) -> str:
    """Return the words that stand until there is another thing to do: without what counts down."""
    words = guide_words(report, link)
    if report.seconds_left is None:
        return words.headline
    return f"{words.large.split()[0]} {report.repeat} {report.trouble}"


def _without_samples(link: LinkState) -> GuideWords:
    if link is LinkState.CONNECTING:
        return GuideWords("◌", "WAIT", "Wait: the logger is not connected yet", "Leave the load off")
    if link is LinkState.CLOSED:
        return GuideWords("✕", "LOAD OFF", "Left before the end: switch the load off", "", acts=True)
    gone = link in {LinkState.LOST, LinkState.FAILED}
    headline = "The logger is gone: switch the load off" if gone else "No samples: switch the load off"
    return GuideWords("✕", "LOAD OFF", headline, "" if gone else "The test goes on when they come", acts=True)


def _order(report: GuideReport) -> tuple[str, str, str, bool]:
    """Return sign, large word, sentence, and whether the person is to act."""
    if report.step is Step.ENDED:
        return (*_over(report), False)
    left = "" if report.seconds_left is None else str(max(1, math.ceil(report.seconds_left)))
    sign, large, headline, acts = _ORDERS[report.step]
    return sign, large.format(left), headline.format(left), acts


def _over(report: GuideReport) -> tuple[str, str, str]:
    done = f"{report.counted} of {report.plan.repeats} repeats count"
    match report.ending:
        case Ending.COMPLETE:
            return "✓", "DONE", f"Done: {done}"
        case Ending.LIMIT:
            return "✕", "STOP", f"The test was stopped at a limit of the pack: {done}"
        case Ending.NO_LOAD:
            return "✕", "OVER", f"Given up, no load came: {done}"
        case _:
            return "✕", "OVER", f"Given up, too many loads did not count: {done}"


def _beside(report: GuideReport) -> str:
    """Return the figures that belong to a step."""
    if report.step in {Step.SWITCH_OFF, Step.UNLOAD, Step.STOP} and report.on_s:
        return f"On for {report.on_s:.0f} s"
    if report.step not in {Step.REST, Step.SETTLE, Step.SWITCH_ON, Step.RECOVER}:
        return ""
    drift = report.drift_v_per_s
    moving = "" if drift is None else f", voltage drifts {number(1e3 * drift, 1)} mV/s"
    return f"Rested {report.rested_s:.0f} s{moving}"


def _trouble(report: GuideReport) -> str:
    """Return what went wrong last; a repeat that did not count is done again."""
    last = report.attempts[-1] if report.attempts else None
    match report.trouble:
        case None:
            return ""
        case Trouble.EARLY_RELEASE:
            held = "" if last is None else f" after {(last.ended_us - last.began_us) * 1e-6:.1f} s"
            return f"The load went too early{held}: done again"
        case Trouble.EARLY_LOAD:
            return "The load came before the rest was over: done again"
        case Trouble.SMALL_LOAD:
            need_a = None if report.need_a is None else math.ceil(10 * report.need_a) / 10  # never too little
            least = "" if need_a is None else f", at least {with_unit(need_a, 'A')} would do"
            return f"{with_unit(report.told_a, 'A')} is too little to tell from the noise{least}"
        case Trouble.OTHER_LOAD:
            meant_a = report.plan.load_a
            meant = "of the loads before" if meant_a is None else f"that was meant, {with_unit(meant_a, 'A')}"
            return f"{with_unit(report.told_a, 'A')} is not the current {meant}: done again"
        case Trouble.GAP:
            return "Samples were lost: done again"
        case Trouble.NO_LOAD:
            return "No load has come: is it connected and switched on?"
        case Trouble.LIMIT:
            return _limit(report)


def _limit(report: GuideReport) -> str:
    alarm = report.alarm
    if alarm is None:
        return "A limit of the pack was passed"
    unit = UNIT_LABELS.get(alarm.unit, alarm.unit)
    words = ALARM_WORDS[alarm.kind].words.capitalize()
    return f"{words}: {with_unit(alarm.value, unit)}, limit {with_unit(alarm.limit, unit)}"
