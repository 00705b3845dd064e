"""Guiding: a guided test beside the recording it belongs to; its turns become marks, its end ends it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from capture.events import Mark, Moment
from capture.guide.follower import Guide
from capture.guide.readings import NEEDED
from capture.guide.steps import Ending, TurnKind

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from capture.blocks import SampleBlock
    from capture.guide.steps import GuidePlan, GuideReport, Turn
    from capture.run_card import RunCard

#: How a recording ended that its guide has ended.
ENDED_HOW: Final = {
    Ending.COMPLETE: "the sag test was complete",
    Ending.LIMIT: "the sag test met a limit of the pack",
    Ending.NO_LOAD: "the sag test was given up: no load came",
    Ending.TOO_MANY_TRIES: "the sag test was given up: too many loads did not count",
}
_MARKED: Final = {
    TurnKind.RESTED: "rested",
    TurnKind.LOAD_ON: "load on",
    TurnKind.LOAD_OFF: "load off",
    TurnKind.COUNTED: "recovered, it counts",
    TurnKind.NOT_COUNTED: "does not count",
    TurnKind.LIMIT: "a limit was passed",
}


class Guiding:
    """The guide of one recording, and which of its turns have been marked."""

    def __init__(self, plan: GuidePlan, card: RunCard, interval_ns: int) -> None:
        self._guide = Guide(plan, card, interval_ns)
        self._marked = 0

    def feed(self, blocks: Iterable[SampleBlock]) -> None:
        """Take ordered blocks of the recording."""
        self._guide.feed(blocks)

    def report(self) -> GuideReport:
        """Return how the test stands."""
        return self._guide.report()

    def new_marks(self, host_ns: int) -> Iterator[Mark]:
        """Yield a mark for each turn since the last call, at the sample at which it happened."""
        turns = self._guide.turns[self._marked :]
        self._marked += len(turns)
        for turn in turns:
            if turn.kind in _MARKED and not self._is_said(turn):
                at = Moment(host_ns, turn.segment, turn.index, turn.tick_us)
                yield Mark(at, self._words(turn))

    @property
    def ended_how(self) -> str | None:
        """Why the test is over, in words; None while it is not."""
        turns = self._guide.turns
        if not turns or turns[-1].kind is not TurnKind.ENDED:
            return None
        return ENDED_HOW[self._guide.report().ending or Ending.COMPLETE]

    def plan_words(self) -> str:
        """Return the plan as a note of the recording."""
        plan = self._guide.plan
        load = "" if plan.load_a is None else f" of {plan.load_a:g} A"
        return (
            f"guided sag test: {plan.repeats} loads{load}, each held {plan.hold_s:g} s, "
            f"first rest {plan.rest_s:g} s, recovery {plan.recover_s:g} s"
        )

    def _is_said(self, turn: Turn) -> bool:
        """Return whether the turn at the same sample says it: who has recovered has rested."""
        return turn.kind is TurnKind.RESTED and any(
            other.kind is TurnKind.COUNTED and other.tick_us == turn.tick_us for other in self._guide.turns
        )

    def _words(self, turn: Turn) -> str:
        why = "" if turn.trouble is None else f" ({turn.trouble.replace('_', ' ')})"
        return f"sag test {turn.repeat}/{self._guide.plan.repeats}: {_MARKED[turn.kind]}{why}"


def can_guide(columns: Iterable[str]) -> bool:
    """Return whether a logger with these columns shows what a sag test needs."""
    return set(columns) >= set(NEEDED)
