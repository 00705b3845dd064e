"""What a command prints: results on standard output, everything else on standard error."""

from __future__ import annotations

import json
import shutil
import sys
import textwrap
from typing import Any, Final

from tui.formatting import progress_bar

#: A line that is broken goes on so far to the right.
_HANGING: Final = 2


class WrongUsage(Exception):  # noqa: N818  the name says what it is
    """Options that make no sense, alone or together; the command leaves with status 2."""


def print_json(document: dict[str, Any]) -> None:
    """Print one JSON object; NaN never gets out."""
    print(json.dumps(document, allow_nan=False, ensure_ascii=False))


def print_result(line: str = "") -> None:
    """Print one line of a result, with what a terminal could take as a command made visible."""
    print(visible(line))


def say(line: str) -> None:
    """Print one line for the person at the keyboard."""
    print(visible(line), file=sys.stderr, flush=True)


def say_prose(line: str) -> None:
    """Print a sentence for the person at the keyboard, broken at words; for paths there is `say`."""
    indent = " " * (len(line) - len(line.lstrip()) + _HANGING)
    width = max(shutil.get_terminal_size().columns, 2 * len(indent))
    say("\n".join(textwrap.wrap(line, width, subsequent_indent=indent)))


def visible(text: str) -> str:
    """Return `text` with what is not printable, such as escapes in a device's name, spelled out."""
    return "".join(
        character if character.isprintable() or character == "\n" else f"\\x{ord(character):02x}"
        for character in text
    )


class ProgressLine:
    """A bar on one line of a terminal's standard error; silent elsewhere."""

    def __init__(self, label: str) -> None:
        self._label = label
        self._shown = ""
        self._active = sys.stderr.isatty()

    def update(self, done: int, total: int) -> None:
        """Show that `done` of `total` is done; after the whole, the next update begins a new line."""
        complete = done >= total
        bar = progress_bar(done, total)
        if not self._active or bar == self._shown:
            return
        self._shown = bar
        end = "\n" if complete else ""
        sys.stderr.write(f"\r{self._label} {bar}{end}")
        sys.stderr.flush()
