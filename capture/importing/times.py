"""When each row of a table was taken: in numbers of any unit, as date and time, or by a given interval."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from capture.errors import InputError

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.importing.csv_rows import CsvRows
    from capture.importing.headers import SourceColumn

    Floats = npt.NDArray[np.float64]

#: Seconds since 1970 lie beyond this from the year 2001 on; no run lasts that long.
_UNIX_FROM_S: Final = 1e9
_MOST_STEPS: Final = 1 << 20
#: A hole is longer than so many of the steps that are usual in the file. Common practice, no source.
_HOLE_STEPS: Final = 3.5
_COMMON: Final = 0.99


@dataclass(slots=True)
class TimeColumn:
    """Reads the time of rows, in seconds since the first row of the file; finds out what its numbers are.

    `begun` is when the first row was taken, where the file says it.
    """

    source: SourceColumn
    place: int
    path: str
    begun: datetime | None = None
    _origin_s: float | None = None
    _as_numbers: bool | None = None

    def seconds(self, rows: CsvRows, texts: pa.Array[Any], rows_before: int) -> Floats:
        """Return the times of a batch; raise InputError where a row has none that can be read."""
        if texts.null_count:
            row = rows_before + int(np.flatnonzero(texts.is_null().to_numpy(zero_copy_only=False))[0]) + 1
            raise InputError(
                f"has no time in row {row} ({self.source.header!r})", self.path, "Mend or delete the row."
            )
        if len(texts) == 0:
            return np.empty(0)
        if self._as_numbers is None:
            self._as_numbers = _looks_like_number(texts[0].as_py())
        if self._as_numbers:
            numbers = rows.numbers(texts, place=self.place, rows_before=rows_before)
            seconds = numbers * self._factor(float(numbers[0]))
        else:
            seconds = self._of_dates(texts, rows_before)
        if self._origin_s is None:
            self._origin_s = float(seconds[0])
            if self._origin_s >= _UNIX_FROM_S:
                self.begun = datetime.fromtimestamp(self._origin_s, UTC)
        return np.asarray(seconds - self._origin_s)

    def _factor(self, first: float) -> float:
        """Return seconds per unit; UNIX times without a unit may be in ms or us."""
        factor = self.source.factor
        if factor == 1.0:
            for finer in (1e-6, 1e-3):
                if first * finer >= _UNIX_FROM_S:
                    return finer
        return factor

    def _of_dates(self, texts: pa.Array[Any], rows_before: int) -> Floats:
        try:
            plain = pc.replace_substring_regex(texts, r"^(\S+) ", r"\1T")
            stamps = pc.cast(pc.cast(plain, pa.timestamp("us", "UTC")), pa.int64())
        except pa.ArrowInvalid:
            try:
                stamps = pc.cast(pc.cast(plain, pa.timestamp("us")), pa.int64())
            except pa.ArrowInvalid as error:
                raise InputError(
                    f"has times in {self.source.header!r} that cannot be read, from row {rows_before + 1} on "
                    f"({texts[0].as_py()[:30]!r})",
                    self.path,
                    "Write seconds, or date and time as 2026-05-31 14:03:07.250.",
                ) from error
        return np.asarray(stamps.to_numpy(zero_copy_only=False) * 1e-6)


def _looks_like_number(text: str) -> bool:
    try:
        float(text.replace(",", "."))
    except ValueError:
        return False
    return True


@dataclass(slots=True)
class Steps:
    """The steps between the rows of a file, collected batch by batch from its beginning."""

    path: str
    rows: int = 0
    last_s: float | None = None
    starts_again: list[int] = field(default_factory=list)
    _kept: list[Floats] = field(default_factory=list)
    _kept_count: int = 0

    def feed(self, seconds: Floats) -> None:
        """Take the times of the next rows; raise InputError where they stand still or go back a little.

        Times that begin anew, as a logger's do when it restarts, are noted in `starts_again`.
        """
        whole = seconds if self.last_s is None else np.concatenate([[self.last_s], seconds])
        first_row = self.rows + (0 if self.last_s is None else -1)
        steps = np.diff(whole)
        for at in np.flatnonzero(steps <= 0):
            row = first_row + int(at) + 1
            if not _begins_anew(float(whole[at]), float(whole[at + 1])):
                self._refuse(row, float(steps[at]))
            self.starts_again.append(row)
        kept = steps[steps > 0][: _MOST_STEPS - self._kept_count]
        self._kept.append(kept)
        self._kept_count += len(kept)
        self.rows += len(seconds)
        self.last_s = float(seconds[-1]) if len(seconds) else self.last_s

    def interval_s(self) -> float:
        """Return the median step; raise InputError where there are too few rows for one."""
        steps = np.concatenate(self._kept) if self._kept else np.empty(0)
        if len(steps) == 0:
            raise InputError(
                "has fewer than two samples", self.path, "A run needs a row for each moment in time."
            )
        return float(np.median(steps))

    def longest_step_s(self) -> float:
        """Return the longest step that is no hole: several times what 99 % of the steps stay below."""
        steps = np.concatenate(self._kept)
        return _HOLE_STEPS * float(max(np.median(steps), np.quantile(steps, _COMMON, method="lower")))

    def _refuse(self, row: int, step_s: float) -> None:
        if step_s == 0:
            raise InputError(
                f"has the same time in rows {row} and {row + 1}",
                self.path,
                "Write the times with more digits; if rows are evenly spaced, give --interval SECONDS.",
            )
        raise InputError(
            f"goes back in time by {-step_s:g} s in row {row + 1}",
            self.path,
            "Sort the rows by time; if they are evenly spaced, give --interval SECONDS.",
        )


def _begins_anew(before_s: float, after_s: float) -> bool:
    """Return whether a step back is a clock that began anew: it lost at least half of what it had."""
    return after_s < before_s / 2 and after_s >= 0
