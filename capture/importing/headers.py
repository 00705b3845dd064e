"""The header of a table of somebody else's, read as our columns: quantity, unit, factor."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from capture.errors import InputError
from capture.quantities import COLUMN_ENDINGS, unit_of
from capture.units import UnitScale, unit_scale

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

TIME: Final = "t_s"
_OUR_NAME: Final = re.compile(r"[a-z][a-z0-9_]*")
#: `Current [A]`, `Current (A)`, `Current / A`, `Current in A`, `Current, A`.
_WITH_UNIT: Final = re.compile(
    r"(?P<name>.+?)\s*(?:\[(?P<a>[^\]]+)\]|\((?P<b>[^)]+)\)|/\s*(?P<c>[^/]+(?:/s)?)|\sin\s(?P<d>\S+)|,\s*(?P<e>\S+))\s*"
)
_TIMES: Final = frozenset({"t", "time", "elapsed", "elapsed_time", "test_time", "timestamp", "date_time"})
#: Symbols of the quantities (IEC 80000-6) and the words people use for them.
_QUANTITIES: Final = {
    "i": "current",
    "curr": "current",
    "u": "voltage",
    "v": "voltage",
    "volt": "voltage",
    "n": "speed",
    "rotational_speed": "speed",
    "f": "force",
    "m": "torque",
    "temperature": "pack_temperature",
    "temp": "pack_temperature",
}


@dataclass(frozen=True, slots=True)
class SourceColumn:
    """One column of the table: its header, ours (`t_s` for the time), and how its numbers become ours."""

    header: str
    column: str
    unit: str
    factor: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class Header:
    """The columns that are taken, by their place in the table, and the headers that are left out."""

    taken: Mapping[int, SourceColumn]
    left_out: tuple[str, ...]

    @property
    def time(self) -> int | None:
        """The place of the time; None where the table has none."""
        return next((place for place, source in self.taken.items() if source.column == TIME), None)


def unit_of_column(column: str) -> str | None:
    """Return the unit that the name of one of our columns carries; None for a name that is not ours."""
    if column == TIME:
        return "s"
    return unit_of(column) if _OUR_NAME.fullmatch(column) else None


def read_header(headers: Sequence[str], mapping: Mapping[str, str], where: str) -> Header:
    """Return what the columns of a table are: by `mapping` (theirs to ours), by name, or left out.

    A header that is mapped or has our own name goes before one that only seems to be the same.

    Raises InputError for a mapping that names a column which is not there, or one that is not ours, or
    two columns that would be the same.
    """
    for theirs in mapping:
        if theirs not in headers:
            raise InputError(
                f"has no column {theirs!r} (--map)", where, f"It has: {', '.join(map(repr, headers[:20]))}."
            )
    given = {
        place: _mapped(header, mapping[header], where) if header in mapping else _ours(header)
        for place, header in enumerate(headers)
    }
    taken = {place: source for place, source in given.items() if source is not None}
    _only_once(taken, where)
    for place, header in enumerate(headers):
        source = _guessed(header) if place not in taken else None
        if source is not None and all(source.column != other.column for other in taken.values()):
            taken[place] = source
    left_out = tuple(header for place, header in enumerate(headers) if place not in taken)
    return Header(dict(sorted(taken.items())), left_out)


def _only_once(taken: Mapping[int, SourceColumn], where: str) -> None:
    seen: dict[str, str] = {}
    for source in taken.values():
        if source.column in seen:
            raise InputError(
                f"has {source.column} twice: {seen[source.column]!r} and {source.header!r}",
                where,
                "Name one of them otherwise with --map, such as --map 'theirs=load_current_a'.",
            )
        seen[source.column] = source.header


def _mapped(header: str, ours: str, where: str) -> SourceColumn:
    unit = unit_of_column(ours)
    if unit is None:
        endings = ", ".join(sorted(f"_{ending}" for ending in COLUMN_ENDINGS.values()))
        raise InputError(
            f"cannot have a column {ours!r} (--map)",
            where,
            f"Ours are t_s, or a quantity with its unit: current_a, voltage_v, speed_rpm ({endings}).",
        )
    scale = _scale_in(header)
    if scale is None:
        return SourceColumn(header, ours, unit)
    if scale.unit != unit:
        raise InputError(
            f"has {header!r} in {scale.unit}, which cannot become {ours} (--map)",
            where,
            "Map it to a column of its own unit.",
        )
    return SourceColumn(header, ours, unit, scale.factor, scale.offset)


def _scale_in(header: str) -> UnitScale | None:
    found = _WITH_UNIT.fullmatch(header.strip())
    if found is None:
        return None
    return unit_scale(next(text for text in found.group("a", "b", "c", "d", "e") if text))


def _ours(header: str) -> SourceColumn | None:
    """Return the column of a header that has our own name; None where it has not."""
    unit = unit_of_column(header.strip())
    return None if unit is None else SourceColumn(header, header.strip(), unit)


def _guessed(header: str) -> SourceColumn | None:
    """Return what a header says by quantity and unit; None where it is not known."""
    name = header.strip()
    found = _WITH_UNIT.fullmatch(name)
    scale = _scale_in(header)
    quantity = _word(found["name"] if found else name)
    if quantity in _TIMES and (found is None or (scale is not None and scale.unit == "s")):
        return SourceColumn(header, TIME, "s", 1.0 if scale is None else scale.factor)
    if scale is None or scale.unit not in COLUMN_ENDINGS:
        return None
    column = f"{_QUANTITIES.get(quantity, quantity)}_{COLUMN_ENDINGS[scale.unit]}"
    return SourceColumn(header, column, scale.unit, scale.factor, scale.offset) if quantity else None


def _word(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_").lstrip("0123456789_")
