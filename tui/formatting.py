"""Numbers, times and names as people read them: fixed decimals, so that digits stand still while they change.

Pure functions without locale, clock or terminal.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from capture.quantities import Figure

MISSING: Final = "—"

#: Decimals by unit; what a hobby logger's resolution is worth at arm's length.
DECIMALS: Final = {
    "V": 2,
    "A": 1,
    "W": 0,
    "Wh": 2,
    "Ah": 3,
    "rpm": 0,
    "1/min": 0,
    "Cel": 1,
    "°C": 1,
    "N": 0,
    "N.m": 1,
}

_MINUTES_PER_HOUR: Final = 60
_DISK_IN_MINUTES_BELOW: Final = 120
_DISK_UNLIMITED_HOURS: Final = 100
_CLOCK_MINUTES: Final = 100
_CLOCK_HOURS: Final = 100
#: What a standard uncertainty is multiplied by where a figure is shown: about 95 % (GUM 6.3.3).
COVERAGE: Final = 2.0
COVERAGE_MEANS: Final = "± is the expanded uncertainty, k = 2 (about 95 %)"
_DIGITS_OF_U: Final = 2
_MILLI: Final = 1e3
_MOST_DECIMALS: Final = 6
#: From here on a number is shown as mantissa and exponent: nothing of this size is real on a pack.
_HUGE: Final = 1e7


def number(value: float | None, decimals: int) -> str:
    """Return the value with fixed decimals, or a dash where there is none."""
    if value is None or not math.isfinite(value):
        return MISSING
    if abs(value) >= _HUGE:
        return f"{value:.1e}"
    text = f"{value:.{decimals}f}"
    # -0.0 and -0.04 at one decimal are zero; a minus that comes and goes reads as a reversal of current
    return text.removeprefix("-") if float(text) == 0.0 else text


def with_unit(value: float | None, unit: str) -> str:
    """Return the value in the decimals of its unit, such as `36.42 V`."""
    return f"{number(value, DECIMALS.get(unit, 2))} {unit}"


def plus_minus(value: float, u: float | None, decimals: int) -> str:
    """Return a value with its expanded uncertainty (k = 2), such as `12.53 ± 0.29`.

    Two digits of the uncertainty, the value to the same decimals (GUM 7.2.6); where `u` is None or 0, the
    value with `decimals`.
    """
    if not u or not math.isfinite(u) or not math.isfinite(value):
        return number(value, decimals)
    expanded = COVERAGE * u
    places = _DIGITS_OF_U - 1 - math.floor(math.log10(expanded))
    if float(f"{expanded:.{max(places, 0)}f}") >= 10 ** (_DIGITS_OF_U - places):  # 0.0996 rounds to 0.100
        places -= 1
    places = min(max(places, 0), _MOST_DECIMALS)
    return f"{number(value, places)} ± {expanded:.{places}f}"


def in_milli(figure: Figure) -> Figure:
    """Return a figure in thousandths of its unit: resistances of packs are told in mΩ."""
    return replace(
        figure,
        value=_MILLI * figure.value,
        u=None if figure.u is None else _MILLI * figure.u,
        unit=f"m{figure.unit}",
    )


def milli_words(figure: Figure | None) -> str:
    """Return a figure in thousandths of its unit with its expanded uncertainty, without the unit."""
    if figure is None:
        return "cannot tell"
    scaled = in_milli(figure)
    return plus_minus(scaled.value, scaled.u, 2)


def figure(shown: Figure | None, unit: str) -> str:
    """Return a reported figure such as `1.234 Ah`; a dash and the unit where it cannot be told."""
    return with_unit(None if shown is None else shown.value, unit)


def large(value: float | None, decimals: int, glyphs: int = 4) -> str:
    """Return a number for large digits: at most `glyphs` digits and signs beside the point.

    Decimals are given up first, then it becomes a mantissa with an exponent such as `1.2E9`; never a
    number that was cut.
    """
    if value is None or not math.isfinite(value):
        return MISSING
    for places in range(decimals, -1, -1):
        text = number(value, places)
        if len(text.replace(".", "")) <= glyphs and "e" not in text:
            return text
    mantissa, exponent = f"{value:.0e}".split("e")
    return f"{mantissa}E{int(exponent)}"


def duration(seconds: float | None) -> str:
    """Return a length of time such as `3:07` or `1:02:45`, cut to whole seconds like a stop watch."""
    if seconds is None or not math.isfinite(seconds):
        return MISSING
    minutes, rest = divmod(int(max(seconds, 0.0)), 60)
    hours, minutes = divmod(minutes, _MINUTES_PER_HOUR)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def clock(seconds: float | None) -> tuple[str, str]:
    """Return a time for large digits, and what they are: minutes and seconds, from 100 minutes on hours."""
    if seconds is None or not math.isfinite(seconds):
        return MISSING, ""
    minutes, rest = divmod(int(max(seconds, 0.0)), 60)
    if minutes < _CLOCK_MINUTES:
        return f"{minutes}:{rest:02d}", ""
    hours, minutes = divmod(minutes, _MINUTES_PER_HOUR)
    return f"{hours}:{minutes:02d}" if hours < _CLOCK_HOURS else MISSING, "h:min"


def rate(hertz: float) -> str:
    """Return a sample rate such as `1000 Hz`."""
    return f"{number(hertz, 0 if abs(hertz) >= 10 else 1)} Hz"  # noqa: PLR2004  below 10 Hz a decimal counts


def disk_left(minutes: float) -> str:
    """Return how long the disk lasts: minutes while they matter, hours beyond."""
    if not math.isfinite(minutes):
        return MISSING
    if minutes < _DISK_IN_MINUTES_BELOW:
        return f"{int(max(minutes, 0.0))} min"
    hours = int(minutes / _MINUTES_PER_HOUR)
    return f"{hours} h" if hours < _DISK_UNLIMITED_HOURS else f"over {_DISK_UNLIMITED_HOURS} h"


def progress_bar(done: int, total: int) -> str:
    """Return how far something is as a bar and in percent, such as `[██████··············]  30 %`."""
    percent = 100 if done >= total else 100 * done // total
    bar = "█" * (percent // 5)
    return f"[{bar:·<20}] {percent:3d} %"


def plain(name: str) -> str:
    r"""Return a name from outside with all that could steer a terminal made visible, such as `\x1b`.

    Device and file names are not ours: control characters, line breaks, and marks that reverse or hide text
    are written out. Square brackets stay: nothing here is ever read as markup.
    """
    return "".join(sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in name)


def quantity_words(quantity: str) -> str:
    """Return a quantity as words, such as `pack temperature`."""
    return plain(quantity).replace("_", " ")
