"""A CSV file as batches of rows: its dialect is found out, its numbers are read, nothing is guessed silently.

The file is read in pieces of a few megabytes, so that hours of samples take no more memory than minutes.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv

from capture.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

_HEAD_BYTES: Final = 1 << 16
_BLOCK_BYTES: Final = 1 << 22
_DELIMITERS: Final = (";", "\t", ",", "|")
_MOST_COLUMNS: Final = 4096
_COMMENTS: Final = ("#", "//", "%")
#: What stands for no reading, in any case.
_MISSING: Final = ("", "na", "n/a", "nan", "null", "none", "-", "--", "?", "inf", "-inf", "+inf")
_SAVE_AS: Final = "Save it as CSV: one line of headers, one line for each sample."


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a file is written: `lines_before` its header, the delimiter, the decimal sign, the headers."""

    lines_before: int
    delimiter: str
    decimal: str
    encoding: str
    headers: tuple[str, ...]


def find_dialect(path: Path) -> Dialect:
    """Return how the CSV file at `path` is written.

    The header is the first line with several fields that are not all numbers; lines before it are comments.
    A comma is the decimal sign where it is not the delimiter and stands between digits.

    Raises InputError where the file cannot be read or has no such line.
    """
    head, encoding = _head(path)
    lines = head.splitlines()
    delimiter = max(_DELIMITERS, key=lambda sign: _rank(lines, sign))
    for number, line in enumerate(lines):
        fields = next(csv.reader([line], delimiter=delimiter), [])
        if line.startswith(_COMMENTS) or len(fields) < 2 or all(_is_number(field) for field in fields):  # noqa: PLR2004  time and a reading
            if len(fields) > 1 and not line.startswith(_COMMENTS):
                break
            continue
        if len(fields) > _MOST_COLUMNS:
            raise InputError(f"has {len(fields)} columns", str(path), "Leave out those that are not needed.")
        headers = tuple(field.strip() for field in fields)
        return Dialect(number, delimiter, _decimal(lines[number + 1 :], delimiter), encoding, headers)
    raise InputError(
        "has no line of headers",
        str(path),
        "Give it one such as t_s,current_a,voltage_v; time and one more column at least.",
    )


def _head(path: Path) -> tuple[str, str]:
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", str(path), "Check its name.") from error
    if not head.strip():
        raise InputError("is empty", str(path), _SAVE_AS)
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return head[: len(head) // 2 * 2].decode("utf-16", "replace"), "utf-16"
    if b"\0" in head:
        raise InputError("is no text", str(path), _SAVE_AS)
    try:
        # a character may be cut at the end of what was read
        return head[: head.rfind(b"\n") + 1 or len(head)].decode("utf-8-sig"), "utf-8"
    except UnicodeDecodeError:
        return head.decode("latin-1"), "latin-1"


def _rank(lines: Sequence[str], delimiter: str) -> tuple[int, int]:
    """Return for how many of the first lines a delimiter gives the commonest number of fields above one."""
    counts = [line.count(delimiter) for line in lines[:50] if line.strip() and not line.startswith(_COMMENTS)]
    common = max(set(counts), key=counts.count, default=0)
    return (counts.count(common) if common else 0), _DELIMITERS[::-1].index(delimiter)


def _decimal(lines: Sequence[str], delimiter: str) -> str:
    if delimiter == ",":
        return "."
    fields = [field.strip().strip('"') for line in lines[:200] for field in line.split(delimiter)]
    return (
        "," if any(field.count(",") == 1 and _is_number(field.replace(",", ".")) for field in fields) else "."
    )


def _is_number(text: str) -> bool:
    try:
        float(text.strip().replace(",", "."))
    except ValueError:
        return False
    return True


class CsvRows:
    """The rows of a CSV file, batch by batch; `cut_short` tells that the last one was not whole.

    A logger whose cable was pulled leaves such a line: it is left out.
    """

    cut_short = False

    def __init__(self, path: Path, dialect: Dialect) -> None:
        self._path = path
        self._dialect = dialect
        self._ragged: pa_csv.InvalidRow | None = None

    def batches(self, places: Sequence[int]) -> Iterator[tuple[int, dict[int, pa.Array[Any]]]]:
        """Yield the number of rows before each batch and its columns as text, null where nothing stands."""
        names = [f"c{place}" for place in range(len(self._dialect.headers))]
        wanted = [names[place] for place in places]
        try:
            with pa_csv.open_csv(
                str(self._path),
                read_options=pa_csv.ReadOptions(
                    column_names=names,
                    skip_rows=self._dialect.lines_before + 1,
                    block_size=_BLOCK_BYTES,
                    encoding=self._dialect.encoding,
                    use_threads=False,
                ),
                parse_options=pa_csv.ParseOptions(
                    delimiter=self._dialect.delimiter, invalid_row_handler=self._invalid
                ),
                convert_options=pa_csv.ConvertOptions(
                    include_columns=wanted, column_types=dict.fromkeys(names, pa.string())
                ),
            ) as reader:
                rows = 0
                for batch in reader:
                    yield rows, {place: _told(batch.column(names[place])) for place in places}
                    rows += batch.num_rows
        except pa.ArrowInvalid as error:
            if "Empty CSV" in str(error):
                return
            raise self._no_csv(error) from error

    def numbers(self, texts: pa.Array[Any], *, place: int, rows_before: int) -> Floats:
        """Return texts as numbers, NaN where there is none; raise InputError for what is neither."""
        if self._dialect.decimal == ",":
            texts = pc.replace_substring(texts, ",", ".")
        try:
            values = pc.cast(texts, pa.float64())
        except pa.ArrowInvalid:
            row, text = next(
                (row, text)
                for row, text in enumerate(texts.to_pylist())
                if text is not None and not _is_plain_number(text)
            )
            raise InputError(
                f"has {text[:30]!r} in row {rows_before + row + 1} of {self._dialect.headers[place]!r}, "
                "which is no number",
                str(self._path),
                "Mend it, or leave the field empty where there was no reading.",
            ) from None
        numbers = values.to_numpy(zero_copy_only=False).astype(np.float64)
        numbers[np.isinf(numbers)] = np.nan
        return numbers

    def _invalid(self, row: pa_csv.InvalidRow) -> Literal["skip", "error"]:
        """Pass over comments and a last line that was cut short; any other row must have all its fields."""
        if row.text.startswith(_COMMENTS):
            return "skip"
        if row.actual_columns < row.expected_columns and self._is_last(row.text):
            self.cut_short = True
            return "skip"
        self._ragged = row
        return "error"

    def _is_last(self, text: str) -> bool:
        """Return whether the file ends in this line, without an end of line."""
        ending = text.encode("latin-1" if self._dialect.encoding == "latin-1" else "utf-8")
        with self._path.open("rb") as file:
            file.seek(-min(len(ending), self._path.stat().st_size), 2)
            return file.read() == ending

    def _no_csv(self, error: Exception) -> InputError:
        row = self._ragged
        if row is None:
            return InputError(f"is no CSV ({_first_line(error)})", str(self._path), _SAVE_AS)
        return InputError(
            f"has a row with {row.actual_columns} fields where its header has {row.expected_columns}: "
            f"{row.text[:40]!r}",
            str(self._path),
            "Mend or delete that row.",
        )


def _told(texts: pa.Array[Any]) -> pa.Array[Any]:
    """Return texts without the blanks around them, null where they say that there is no reading."""
    trimmed = pc.utf8_trim_whitespace(texts)
    silent = pc.is_in(pc.utf8_lower(trimmed), value_set=pa.array(_MISSING))
    told: pa.Array[Any] = pc.if_else(silent, pa.scalar(None, pa.string()), trimmed)
    return told


def _is_plain_number(text: str) -> bool:
    try:
        pc.cast(pa.scalar(text), pa.float64())
    except pa.ArrowInvalid:
        return False
    return True


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]
