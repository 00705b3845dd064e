"""The questions of `sagline calibrate` at a terminal, and the readings that are taken while it waits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from capture.calibration.fitting import FITTED_KINDS
from capture.errors import InputError
from capture.quantities import UNIT_LABELS, unit_of
from tui.commands.calibration_guide import GUIDES, likely_kind
from tui.known_values import known_value
from tui.output import ProgressLine, WrongUsage, print_result, say, say_prose

if TYPE_CHECKING:
    from collections.abc import Callable, Container

    from capture.engine.averaging import ListeningLogger
    from capture.plateau import Plateau


@dataclass(frozen=True, slots=True)
class Reading:
    """How a reading is taken: the mean of `seconds`, waited for up to `patience_s` (None: not at all)."""

    seconds: float
    patience_s: float | None


def ask(question: str) -> str:
    """Return what was typed, without the blanks around it; the end of input stops the command."""
    try:
        return input(question).strip()
    except EOFError as error:
        raise KeyboardInterrupt from error


def ask_channel(listening: ListeningLogger, where: str) -> str:
    """Return the column that is chosen from a list of what each reads now."""
    now = listening.averages(1.0)
    for number, column in enumerate(listening.columns, start=1):
        reading = f"{now[column].mean:.6g}" if column in now else "nothing"
        print_result(f"{number:3}  {column:28} reads {reading}")
    answer = ask("Which channel? Its number: ")
    if answer.isdecimal() and 1 <= int(answer) <= len(listening.columns):
        return listening.columns[int(answer) - 1]
    if answer in listening.columns:
        return answer
    raise InputError(f"has no channel {answer!r}", where, "Give one of the numbers.")


def ask_kind(column: str) -> str:
    """Return the kind of the channel; Enter takes the likely one."""
    kinds, likely = list(GUIDES), likely_kind(column)
    for number, kind in enumerate(kinds, start=1):
        print_result(f"{number:3}  {kind:12} {GUIDES[kind].what}")
    answer = ask(f"What is {column}? Its number [{likely}]: ")
    if not answer:
        return likely
    if answer.isdecimal() and 1 <= int(answer) <= len(kinds):
        return kinds[int(answer) - 1]
    if answer in kinds:
        return answer
    raise WrongUsage(f"{answer!r} is none of {', '.join(kinds)}")


def ask_constants(column: str, kind: str, given: Container[str]) -> list[str]:
    """Return constants as --set has them, asked for one after the other; what was given is not asked."""
    told: dict[str, str] = {}
    for question in GUIDES[kind].questions:
        if question.key in given or _idle(question.key, column, told, given):
            continue
        while answer := ask(f"{question.words}: "):
            try:
                known_value(answer)
            except WrongUsage as error:
                say(f"{error}")
                continue
            told[question.key] = answer
            break
        if not answer and question.needed:
            raise WrongUsage(f"{question.key} has to be known for a {kind}; nothing is kept")
    return [f"{key}={value}" for key, value in told.items()]


def _idle(key: str, column: str, told: dict[str, str], given: Container[str]) -> bool:
    """Return whether a question has no sense after the answers so far."""
    needs = {"lever_angle_deg": "lever_arm_m", "supply": "pull_up_ohm", "r25_ohm": "beta_k"}.get(key)
    if needs is not None and needs not in told and needs not in given:
        return True
    if key == "beta_k":
        return "steinhart_hart" in given
    return (key == "pull_up_ohm" and column.endswith("_ohm")) or (
        key == "assumed_mohm" and column.endswith("_v")
    )


def ask_points(take: Callable[[str], None], column: str, kind: str) -> None:
    """Ask for known values and `take` each with its reading; Enter alone ends."""
    unit = UNIT_LABELS.get(unit_of(column) or "", unit_of(column) or "")
    known = f"value in {unit}" if GUIDES[kind].known == "value" and unit else GUIDES[kind].known
    say_prose(
        "Set a known value, wait until it is still, type it; +-U is its standard uncertainty. Enter ends."
    )
    while text := ask(f"Known {known} now [VALUE or VALUE+-U]: "):
        try:
            take(text)
        except (InputError, WrongUsage) as error:
            say(f"{error}")


def steady(listening: ListeningLogger, column: str, reading: Reading, where: str) -> Plateau:
    """Return what a channel shows while it holds still; raise InputError where it does not."""
    progress = ProgressLine(f"reading {column}")

    def show(done_s: float) -> None:
        progress.update(round(100 * done_s), round(100 * reading.seconds))

    if reading.patience_s is None:
        found = listening.averages(reading.seconds, show).get(column)
    else:
        found = listening.wait_for_plateau(column, reading.seconds, reading.patience_s, show)
    if found is None:
        raise InputError(f"gives no reading of {column}", where, "Check that sensor.")
    if found.why_not is not None:
        waited = "" if reading.patience_s is None else f", waited for {reading.patience_s:g} s"
        hint = (
            "Set a smaller value, or mend the sensor's range."
            if found.clipped
            else "Wait until it is still (--wait does), or take a longer mean with --seconds."
        )
        raise InputError(f"{column} {found.why_not}{waited}", where, hint)
    return found


def tell(column: str, kind: str) -> None:
    """Say, step by step, what to connect and what may hurt."""
    guide = GUIDES[kind]
    say(f"{column}: {guide.what}")
    for number, step in enumerate(guide.steps, start=1):
        say_prose(f"  {number}. {step}")
    if guide.caution:
        say_prose(f"  {guide.caution}")


def wants_points(kind: str, told: Container[str]) -> bool:
    """Return whether known values are asked for."""
    by_constants = kind == "thermistor" and ("beta_k" in told or "steinhart_hart" in told)
    return kind in FITTED_KINDS and not by_constants
