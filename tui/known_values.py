"""Known values and constants as people type them for a calibration: `20.0+-0.05`, `lever_arm_m=0.25`. Pure.

What is wrong is a WrongUsage that quotes what was typed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from tui.output import WrongUsage
from tui.typed_values import typed_number

if TYPE_CHECKING:
    from collections.abc import Iterable

_U_SIGN: Final = re.compile(r"\+-|±|@")
#: Beyond these no quantity of a bench lies, and sums of squares would not fit into numbers.
_LEAST: Final = 1e-30
_MOST: Final = 1e15
_WORDS: Final = frozenset({"voltage_sensed_at"})
_LISTS: Final = frozenset({"steinhart_hart"})


@dataclass(frozen=True, slots=True)
class Known:
    """A value and its standard uncertainty, 0 where none was typed."""

    value: float
    u: float = 0.0


def known_value(text: str) -> Known:
    """Return what was typed as `20.0`, `20.0+-0.05`, `20.0@0.05`, or `20.0+-0.5%` of the value."""
    value, *rest = _U_SIGN.split(text, maxsplit=1)
    u_text = rest[0].strip() if rest else "0"
    share = u_text.endswith("%")
    try:
        number = typed_number(value)
        u = typed_number(u_text.removesuffix("%"))
    except ValueError as error:
        raise WrongUsage(f"{text!r}: {error}") from error
    if u < 0:
        raise WrongUsage(f"{text!r}: an uncertainty must not be below 0")
    if not (is_within_reason(number) and is_within_reason(u)):
        raise WrongUsage(f"{text!r}: no meter shows such a number")
    return Known(number, abs(number) * u / 100 if share else u)


def is_within_reason(number: float) -> bool:
    """Return whether a number is 0 or of a size that occurs on a bench."""
    return number == 0 or _LEAST <= abs(number) <= _MOST


def known_pair(option: str, wants: str, text: str) -> tuple[Known, Known]:
    """Return both sides of `VALUE+-U=READING+-U` as an option has it."""
    left, sign, right = text.partition("=")
    if not sign:
        raise WrongUsage(f"{option} wants {wants}, and got {text!r}")
    return known_value(left), known_value(right)


def typed_constants(texts: Iterable[str], option: str = "--set") -> tuple[dict[str, Any], dict[str, float]]:
    """Return constants by name from `lever_arm_m=0.25+-0.001`, and the uncertainties that were typed."""
    values: dict[str, Any] = {}
    us: dict[str, float] = {}
    for text in texts:
        key, sign, rest = (part.strip() for part in text.partition("="))
        if not sign or not key:
            raise WrongUsage(f"{option} wants NAME=NUMBER, and got {text!r}")
        if key in values:
            raise WrongUsage(f"{option} gives {key} twice")
        if key in _WORDS:
            values[key] = rest
            continue
        if key in _LISTS:
            values[key] = [known_value(one).value for one in rest.strip("[]").split(",")]
            continue
        known = known_value(rest)
        values[key] = known.value
        if known.u > 0:
            us[key] = known.u
    return values, us
