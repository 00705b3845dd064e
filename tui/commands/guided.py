"""`--guide`: a guided test on the command line, its options, its instructions and its result."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from capture.guide.steps import GuidePlan
from capture.quantities import Figure
from tui.formatting import COVERAGE_MEANS, milli_words
from tui.guide_words import cautions, guide_words, order_of
from tui.output import ProgressLine, WrongUsage, print_result, say

if TYPE_CHECKING:
    import argparse
    from pathlib import Path

    from capture.bench import Bench
    from capture.engine.snapshot import Snapshot
    from capture.guide.steps import GuideReport
    from capture.run_card import RunCard

KIND: Final = "sag test"
_USUAL: Final = GuidePlan()
_MOST_REPEATS: Final = 50
_HOLD_S: Final = (2.0, 60.0)
_MOST_A: Final = 1000.0
_OF_GUIDE: Final = ("repeats", "load", "hold")


def add_guide_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of a guided test."""
    parser.add_argument(
        "--guide",
        choices=["sag"],
        help="say what to do next in a sag test: rest, load on, hold, load off, recover, again; "
        "the recording ends by itself",
    )
    parser.add_argument(
        "--repeats", type=int, metavar="N", help=f"how many loads are to count ({_USUAL.repeats})"
    )
    parser.add_argument("--load", type=float, metavar="A", help="the current that is meant, in A")
    parser.add_argument(
        "--hold", type=float, metavar="S", help=f"how long each load is held ({_USUAL.hold_s:.0f} s)"
    )


def guide_plan(arguments: argparse.Namespace) -> GuidePlan | None:
    """Return the plan that the options make; None without --guide. Raises WrongUsage."""
    given = {name: getattr(arguments, name) for name in _OF_GUIDE if getattr(arguments, name) is not None}
    if arguments.guide is None:
        if given:
            raise WrongUsage(f"--{min(given)} belongs to a guided test; add --guide sag")
        return None
    if arguments.arm:
        raise WrongUsage("--guide records the rest before the load too; leave --arm out")
    if arguments.kind not in {None, KIND}:
        raise WrongUsage(f"--kind {arguments.kind!r} is not what --guide sag does; leave --kind out")
    repeats, load_a, hold_s = given.get("repeats", _USUAL.repeats), given.get("load"), given.get("hold")
    if not 1 <= repeats <= _MOST_REPEATS:
        raise WrongUsage(f"--repeats {repeats} is not from 1 to {_MOST_REPEATS}")
    if load_a is not None and not 0 < load_a <= _MOST_A:
        raise WrongUsage(f"--load {load_a:g} is no current; give one above 0 A, up to {_MOST_A:g} A")
    if hold_s is not None and not _HOLD_S[0] <= hold_s <= _HOLD_S[1]:
        raise WrongUsage(f"--hold {hold_s:g} is not from {_HOLD_S[0]:g} to {_HOLD_S[1]:g} s")
    return GuidePlan(repeats, load_a, _USUAL.hold_s if hold_s is None else hold_s)


def check_load(plan: GuidePlan, card: RunCard) -> None:
    """Raise WrongUsage where the load that is meant is more than the pack bears."""
    most_a = card.max_current_a
    if plan.load_a is not None and most_a is not None and plan.load_a > most_a:
        raise WrongUsage(f"--load {plan.load_a:g} A is above the {most_a:g} A that the pack bears")


class Instructions:
    """Says what to do next, each time that it is something else."""

    def __init__(self, card: RunCard) -> None:
        self._card = card
        self._said: str | None = None

    def say_changes(self, snapshot: Snapshot) -> None:
        """Say the instruction of the moment unless it was said last."""
        report = snapshot.guide
        if report is None:
            return
        if self._said is None:
            for caution in cautions(self._card.cutoff_v):
                say(f"! {caution}")
        order = order_of(report, snapshot.link.state)
        if order != self._said:
            self._said = order
            say(guide_words(report, snapshot.link.state).line)


def guide_document(report: GuideReport, recording: Path, bench: Bench) -> dict[str, Any]:
    """Return what a guided test gave, as the command line prints it; takes seconds."""
    from capture.resistance import pulses_of
    from capture.storage.recording import open_recording

    opened = open_recording(recording)
    progress = ProgressLine("resistance")
    found = pulses_of(opened, lambda rows: progress.update(rows, 2 * opened.rows), bench).as_json()
    return {
        **report.as_json(opened.document.get("first_tick_us") or 0),
        "pulse": found["pulse"],
        "ohmic": found["ohmic"],
        "warnings": found["warnings"],
    }


def print_guide(document: dict[str, Any]) -> None:
    """Print the document of a guided test for people."""
    plan = document["plan"]
    print_result(f"sag test: {document['repeats_counted']} of {plan['repeats']} loads count")
    for attempt in document["attempts"]:
        trouble = attempt["trouble"]
        why = "" if trouble is None else f"  does not count: {trouble.replace('_', ' ')}"
        print_result(_attempt(attempt) + why)
    if document["under_way"] is not None:
        print_result(_attempt(document["under_way"]) + "  not finished")
    print_result("resistance of the pack in mΩ")
    print_result(f"  {'ohmic':20} {_told(document['ohmic'])}")
    for after_s, figure in document["pulse"].items():
        print_result(f"  {f'{after_s} s after a step':20} {_told(figure)}")
    print_result(COVERAGE_MEANS)
    for warning in document["warnings"]:
        print_result(f"! {warning}")


def _attempt(attempt: dict[str, Any]) -> str:
    current_a = attempt["current_a"]
    current = "" if current_a is None else f"  {current_a:6.2f} A"
    when = f"at {attempt['load_on_s']:.1f} s for {attempt['held_s']:.1f} s"
    return f"  repeat {attempt['repeat']}: {when}{current}"


def _told(figure: dict[str, Any] | None) -> str:
    return milli_words(None if figure is None else Figure(**figure))
