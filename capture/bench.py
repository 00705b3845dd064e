"""The bench file: what is known of packs and tools before any run, as a person wrote it down in TOML.

    [packs.heron]
    series = 10
    capacity_ah = 5.0
    chemistry = "nmc"
    cutoff_v_per_group = 2.8
    max_current_a = 60
    max_temperature_c = 70

    [packs.heron.open_circuit]
    state_of_charge = [0.0, 0.5, 1.0]
    volts = [2.9, 3.7, 4.2]
    u_volts = [0.05, 0.01, 0.01]
    source = "learnt from ..."

    [tools.polesaw]
    kind = "saw"

`open_circuit` is the pack's own curve, voltages of one group; `sagline curve` prints the lines. Tools are as
`bench_tool` says, loggers with their calibrations as `calibration.written` does. What a later version of the
file knows more of packs and tools is passed over.
"""

from __future__ import annotations

import os
import tomllib
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from capture.bench_tool import BenchTool
from capture.calibration.logger import CalibratedLogger
from capture.calibration.written import read_logger
from capture.errors import InputError
from capture.open_circuit import TYPED_U_V, own_curve
from capture.run_card import checked_number

if TYPE_CHECKING:
    from collections.abc import Mapping

    from capture.open_circuit import OpenCircuitCurve
    from capture.run_card import RunCard

Known = TypeVar("Known")

FILE_NAME: Final = "bench.toml"
_MOST_BYTES: Final = 1 << 20
_MOST_SERIES: Final = 1000
_HINT: Final = "Mend the line, or leave it out."


@dataclass(frozen=True, slots=True)
class BenchPack:
    """What the analysis and the alarms need of a pack; what is not known is None.

    The cut-off is that of one group of cells under load, in V; the limits are the maker's, in A and degC;
    `open_circuit` is the pack's own curve where one was learnt.
    """

    series: int | None = None
    cutoff_v_per_group: float | None = None
    max_current_a: float | None = None
    max_temperature_degc: float | None = None
    capacity_ah: float | None = None
    chemistry: str | None = None
    open_circuit: OpenCircuitCurve | None = None

    @property
    def cutoff_v(self) -> float | None:
        """The cut-off voltage of the whole pack under load."""
        if self.series is None or self.cutoff_v_per_group is None:
            return None
        return self.series * self.cutoff_v_per_group


@dataclass(frozen=True, slots=True)
class Bench:
    """The packs, tools and loggers that are known, by name; `path` is their file, None without one."""

    path: Path | None = None
    packs: Mapping[str, BenchPack] = field(default_factory=dict)
    tools: Mapping[str, BenchTool] = field(default_factory=dict)
    loggers: Mapping[str, CalibratedLogger] = field(default_factory=dict)

    def logger(self, said: str, given: str | None = None) -> CalibratedLogger:
        """Return what is known of a logger that says it is `said`, or is `given` by its name in the file.

        Where neither names one and the file has just one, it is that. Raises InputError where `given` is
        not in the file.
        """
        if given is not None:
            if given not in self.loggers:
                known = ", ".join(sorted(self.loggers)) or "none"
                where = str(self.path or FILE_NAME)
                raise InputError(f"does not tell of the logger {given!r}", where, f"It knows: {known}.")
            return self.loggers[given]
        if said in self.loggers:
            return self.loggers[said]
        by_name = [logger for logger in self.loggers.values() if logger.name == said]
        if by_name:
            return by_name[0]
        return next(iter(self.loggers.values())) if len(self.loggers) == 1 else CalibratedLogger()

    def completed(self, card: RunCard) -> RunCard:
        """Return the card with what is known of its pack and tool; what is not known stays as it is."""
        tool = self.tools.get(card.tool or "", BenchTool())
        known = {name: value for name, value in asdict(tool).items() if value is not None}
        card = replace(card, **known)
        pack = self.packs.get(card.pack or "")
        if pack is None:
            return card
        return replace(
            card,
            series=_known(pack.series, card.series),
            cutoff_v=_known(pack.cutoff_v, card.cutoff_v),
            max_current_a=_known(pack.max_current_a, card.max_current_a),
            max_temperature_degc=_known(pack.max_temperature_degc, card.max_temperature_degc),
            capacity_ah=_known(pack.capacity_ah, card.capacity_ah),
            chemistry=_known(pack.chemistry, card.chemistry),
        )

    def open_circuit(self, card: RunCard) -> OpenCircuitCurve | None:
        """Return the own curve of the card's pack; None where none was learnt."""
        pack = self.packs.get(card.pack or "")
        return None if pack is None else pack.open_circuit


def _known(value: Known | None, otherwise: Known | None) -> Known | None:
    return otherwise if value is None else value


def find_bench(given: Path | None = None) -> Bench:
    """Return the bench of the file that was `given`, else of the working folder, else of the user's own.

    Without any of them the bench is empty. Raises InputError where a file cannot be understood.
    """
    if given is not None:
        return read_bench(given)
    for path in (Path(FILE_NAME), _own_folder() / FILE_NAME):
        if path.is_file():
            return read_bench(path)
    return Bench()


def _own_folder() -> Path:
    """Return where the user's own bench file lies (XDG base directory specification)."""
    return Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config") / "sagline"


def read_bench(path: Path) -> Bench:
    """Return the bench that a file describes; raise InputError that says where it cannot be understood."""
    try:
        with path.open("rb") as file:
            written = file.read(_MOST_BYTES + 1)
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", str(path), "Check its name.") from error
    if len(written) > _MOST_BYTES:
        raise InputError("is too long for a bench file", str(path), "Give the file that describes the packs.")
    try:
        document = tomllib.loads(written.decode())
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise InputError(f"is not TOML ({error})", str(path), _HINT) from error
    packs = {name: _pack(path, name, table) for name, table in _tables(path, document, "packs").items()}
    loggers = {name: _logger(path, name, table) for name, table in _tables(path, document, "loggers").items()}
    tools = {name: _tool(path, name, table) for name, table in _tables(path, document, "tools").items()}
    return Bench(path, packs, tools, loggers)


def _tool(path: Path, name: str, table: dict[str, Any]) -> BenchTool:
    try:
        return BenchTool.of(table)
    except ValueError as error:
        raise InputError(f"tools.{name}.{error}", str(path), _HINT) from error


def _logger(path: Path, name: str, table: dict[str, Any]) -> CalibratedLogger:
    try:
        return read_logger(name, table)
    except ValueError as error:
        raise InputError(f"loggers.{name}.{error}", str(path), _HINT) from error


def _tables(path: Path, document: dict[str, Any], key: str) -> dict[str, Any]:
    tables = document.get(key, {})
    if not isinstance(tables, dict) or not all(isinstance(table, dict) for table in tables.values()):
        raise InputError(f"{key} is no table of tables", str(path), f"Write [{key}.NAME] above its lines.")
    return tables


def _pack(path: Path, name: str, table: dict[str, Any]) -> BenchPack:
    def positive(key: str, least: float = 0.0) -> float | None:
        if key not in table:
            return None
        try:
            return checked_number(table[key], above=least)
        except ValueError as error:
            raise InputError(f"packs.{name}.{key} {error}", str(path), _HINT) from error

    series = table.get("series")
    if series is not None and (type(series) is not int or not 0 < series <= _MOST_SERIES):
        raise InputError(
            f"packs.{name}.series is no number of groups (1 to {_MOST_SERIES})", str(path), _HINT
        )
    chemistry = table.get("chemistry")
    if chemistry is not None and not isinstance(chemistry, str):
        raise InputError(f"packs.{name}.chemistry is no text", str(path), _HINT)
    return BenchPack(
        series,
        positive("cutoff_v_per_group"),
        positive("max_current_a"),
        positive("max_temperature_c", least=-273.15),
        positive("capacity_ah"),
        chemistry,
        _open_circuit(path, name, table, chemistry),
    )


def _open_circuit(
    path: Path, name: str, table: dict[str, Any], chemistry: str | None
) -> OpenCircuitCurve | None:
    """Return a pack's own open-circuit curve; raise InputError where it cannot be one."""
    written = table.get("open_circuit")
    if written is None:
        return None
    where = f"packs.{name}.open_circuit"
    if not isinstance(written, dict):
        raise InputError(f"{where} is no table", str(path), f"Write [{where}] above its lines.")

    def numbers(key: str) -> list[float]:
        row = written.get(key)
        if not isinstance(row, list):
            raise InputError(f"{where}.{key} is no row of numbers", str(path), _HINT)
        try:
            return [checked_number(value) for value in row]
        except ValueError as error:
            raise InputError(f"{where}.{key}: one of them {error}", str(path), _HINT) from error

    volts = numbers("volts")
    u_volts = numbers("u_volts") if "u_volts" in written else [TYPED_U_V] * len(volts)
    source = str(written.get("source", "the bench file"))
    try:
        return own_curve(chemistry or "", numbers("state_of_charge"), volts, u_volts, source)
    except ValueError as error:
        raise InputError(f"{where} {error}", str(path), _HINT) from error
