"""`sagline amend REC`: add what was learnt of a run after it had ended."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from capture.errors import InputError
from capture.run_card import KINDS, NEED_A_REASON, Outcome
from capture.storage.naming import amendments_of
from tui.output import WrongUsage, print_json, print_result
from tui.typed_values import CARD_FIELDS, reading_in_words, typed_field

if TYPE_CHECKING:
    import argparse

    from capture.events import TypedReading
    from capture.storage.amendments import Amendments
    from capture.storage.recording import Recording

#: A note is added, it does not replace the card's.
_CARD_OPTIONS: Final = {
    "--" + field.label.replace("groups in ", "").replace("kind of run", "kind").replace(" ", "-"): field
    for field in CARD_FIELDS
    if field.name != "note"
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument("recording", type=Path, metavar="REC", help="a recording (.parquet)")
    parser.add_argument("--outcome", choices=[outcome.value for outcome in Outcome], help="how the run went")
    parser.add_argument("--reason", help="why; a void run and a failed rig need one")
    parser.add_argument("--note", action="append", default=[], help="add a note (again for more)")
    parser.add_argument(
        "--reading",
        action="append",
        default=[],
        metavar="'QUANTITY=VALUE UNIT [/STEP]'",
        help="add what a gauge showed, such as 'torque=38.5 N.m' or 'pressure=6.2 bar /0.1' (its resolution)",
    )
    parser.add_argument(
        "--mark", action="append", default=[], metavar="N=TEXT", help="the text of the Nth mark"
    )
    for what in ("note", "reading"):
        parser.add_argument(
            f"--take-back-{what}",
            action="append",
            default=[],
            type=int,
            metavar="N",
            help=f"take back the Nth {what} that was added after the run",
        )
    for option, field in _CARD_OPTIONS.items():
        words = f" in {field.unit}" if field.unit else ""
        kinds = f": {', '.join(KINDS)}, or words of your own" if field.name == "kind" else ""
        parser.add_argument(
            option, dest=field.name, metavar="X", help=f"mend the run card: {field.label}{words}{kinds}"
        )
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(arguments: argparse.Namespace) -> int:
    """Keep the amendments; return the exit status."""
    added = _added(arguments)
    from capture.storage.amendments import amend, withdraw
    from capture.storage.recording import open_recording

    recording = open_recording(arguments.recording)
    _check_marks(recording, added)
    if arguments.take_back_note or arguments.take_back_reading:
        withdraw(arguments.recording, arguments.take_back_note, arguments.take_back_reading)
    if added:
        amend(arguments.recording, added)
    document = open_recording(arguments.recording).document
    kept = amendments_of(arguments.recording)
    if arguments.json:
        print_json(
            {
                "recording": str(arguments.recording),
                "amendments": str(kept),
                "run_card": document["run_card"],
                "notes": [note["text"] for note in document.get("notes", [])],
                "readings": document.get("readings", []),
            }
        )
    else:
        print_result(f"kept in {kept}")
    return 0


def _added(arguments: argparse.Namespace) -> Amendments:
    """Return what the options add; raise WrongUsage where they make no sense."""
    from capture.storage.amendments import Amendments, checked_amendments

    card = _card(arguments)
    added = Amendments(
        card,
        tuple(note for note in arguments.note if note.strip()),
        tuple(_reading(words) for words in arguments.reading),
        dict(_mark(words) for words in arguments.mark),
    )
    if not added and not arguments.take_back_note and not arguments.take_back_reading:
        raise WrongUsage(
            "nothing to amend: give --outcome, --note, --reading, --mark or a field of the run card"
        )
    try:
        return checked_amendments(added)
    except ValueError as error:
        raise WrongUsage(str(error)) from error


def _card(arguments: argparse.Namespace) -> dict[str, Any]:
    card: dict[str, Any] = {}
    for option, field in _CARD_OPTIONS.items():
        typed = getattr(arguments, field.name)
        if typed is not None:
            try:
                card[field.name] = typed_field(field.name, typed)
            except ValueError as error:
                raise WrongUsage(f"{option}: {error}") from error
    reason = (arguments.reason or "").strip()
    if arguments.outcome is not None:
        if arguments.outcome in NEED_A_REASON and not reason:
            raise WrongUsage(f"--outcome '{arguments.outcome}' needs a --reason")
        card["outcome"] = Outcome(arguments.outcome)
        card["outcome_reason"] = reason
    elif reason:
        card["outcome_reason"] = reason
    return card


def _reading(words: str) -> TypedReading:
    try:
        return reading_in_words(words)
    except ValueError as error:
        raise WrongUsage(f"--reading {words!r}: {error}; such as 'torque=38.5 N.m'") from error


def _mark(words: str) -> tuple[int, str]:
    number, sign, text = words.partition("=")
    if not sign or not number.strip().isdecimal() or not 1 <= int(number) <= 10**6:
        raise WrongUsage(f"--mark {words!r} is not N=TEXT with the number of a mark, such as '2=second limb'")
    return int(number), text.strip()


def _check_marks(recording: Recording, added: Amendments) -> None:
    there = len(recording.document["marks"])
    for number in added.mark_texts:
        if number > there:
            raise InputError(
                f"has no mark {number}: it has {there}",
                str(recording.path),
                "See them with: sagline summary",
            )
