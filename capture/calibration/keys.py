"""Numbers under the keys of a table that a person wrote; what is wrong is a ValueError that names the key."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Collection

Table = dict[str, Any]


def only(table: Table, known: Collection[str]) -> None:
    """Raise ValueError where the table has a key that is not among the known ones."""
    unknown = sorted(set(table) - set(known))
    if unknown:
        raise ValueError(f"{unknown[0]} is not known there (known: {', '.join(sorted(known))})")


def needed(table: Table, key: str) -> float:
    """Return a number above 0 that has to be there."""
    value = number(table, key, above=0.0)
    if value is None:
        raise ValueError(f"{key} is missing")
    return value


def number(table: Table, key: str, *, above: float | None = None, least: float | None = None) -> float | None:
    """Return the finite number under a key, within its limits; None without the key."""
    if key not in table:
        return None
    value = finite(table[key], key)
    if above is not None and value <= above:
        raise ValueError(f"{key} must be above {above:g}")
    if least is not None and value < least:
        raise ValueError(f"{key} must not be below {least:g}")
    return value


def finite(value: object, key: str) -> float:
    """Return a value that is a finite number; `key` says in the error where it stands."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{key} is no number")
    return float(value)
