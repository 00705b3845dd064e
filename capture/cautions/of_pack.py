"""Cautions about the pack before and during the run: rest, charge, temperature."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from capture.folds.extremes import TEMPERATURE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.cautions.facts import Facts

#: Below this a rest says more of the last load than of the charge state. Common practice, no source.
SHORT_REST_S: Final = 2.0
#: A full group has come down to this some time after its charger let go. Common practice, no source.
FULL_AT_REST_V: Final = {"nmc": 4.10, "nca": 4.10, "lco": 4.10, "lmo": 4.10, "lfp": 3.33}
_USUAL_CHEMISTRY: Final = "nmc"
#: Below this resistance lies tens of percent above that at room temperature. Common practice, no source.
COLD_DEGC: Final = 10.0
#: A pack that starts above this was just charged or used. Common practice, no source.
HOT_START_DEGC: Final = 35.0
#: So much warmer than what is around it means the same. Common practice, no source.
WARMER_THAN_AMBIENT_K: Final = 8.0
#: Outside of this a thermometer at a pack is open or shorted. Common practice, no source.
BELIEVABLE_DEGC: Final = (-30.0, 110.0)
#: A thermometer that shows one and the same number for so long, in so many readings, is stuck, if its steps
#: are fine. Common practice, no source.
STUCK_S: Final = 60.0
STUCK_READINGS: Final = 20
FINE_STEP_K: Final = 0.1
AMBIENT: Final = "ambient_temperature_degc"
_THERMOMETER: Final = re.compile(r"\w*temperature_degc")


def not_rested(facts: Facts) -> Iterator[str]:
    """Yield that there was no rest before the first load, or a short one."""
    figures = facts.figures
    if figures.energy is not None and figures.rest_voltage is None:
        yield "no rest before the first load: there is no rest voltage and no drop from it"
    elif figures.rested_s is not None and figures.rested_s < SHORT_REST_S:
        yield f"the pack rested only {figures.rested_s:.1f} s in the recording before the first load"


def not_full(facts: Facts) -> Iterator[str]:
    """Yield that the rest voltage of a group is below that of a full one, its uncertainty allowed for."""
    rest, series = facts.figures.rest_voltage, facts.card.series
    chemistry = (facts.card.chemistry or _USUAL_CHEMISTRY).lower()
    if rest is None or not series or chemistry not in FULL_AT_REST_V:
        return
    group_v, full_v = rest.value / series, FULL_AT_REST_V[chemistry]
    if group_v + (rest.u or 0.0) / series < full_v:
        assumed = "" if facts.card.chemistry else " (taken for nmc)"
        yield (
            f"the pack was not full: {group_v:.2f} V a group at rest, a full one{assumed} has over "
            f"{full_v:.2f} V"
        )


def cold(facts: Facts) -> Iterator[str]:
    """Yield that pack or air were cold: resistance and sag are those of a cold pack."""
    pack, ambient = _lowest(facts, TEMPERATURE), _ambient(facts)
    if pack is not None and pack < COLD_DEGC:
        yield f"cold: the pack had {pack:.0f} °C, below {COLD_DEGC:g} °C it sags much more"
    elif pack is None and ambient is not None and ambient < COLD_DEGC:
        yield f"cold: it was {ambient:.0f} °C around the pack, below {COLD_DEGC:g} °C it sags much more"


def hot_start(facts: Facts) -> Iterator[str]:
    """Yield that the pack came warm: just charged, or not cooled down since the run before.

    Its lowest temperature stands for that at the start: a pack under load only grows warmer.
    """
    pack, ambient = _lowest(facts, TEMPERATURE), _ambient(facts)
    if pack is None:
        return
    if pack > HOT_START_DEGC:
        yield f"hot start: the pack was never below {pack:.0f} °C; let it cool down before a comparison"
    elif ambient is not None and pack - ambient > WARMER_THAN_AMBIENT_K:
        yield (
            f"warm start: the pack was never below {pack:.0f} °C with {ambient:.0f} °C around it; "
            "let it cool down before a comparison"
        )


def broken_thermometer(facts: Facts) -> Iterator[str]:
    """Yield which thermometers show what no pack can have, or one and the same number throughout."""
    low, high = BELIEVABLE_DEGC
    for column in sorted(facts.columns):
        channel = facts.figures.channels.get(column)
        if not _THERMOMETER.fullmatch(column) or channel is None:
            continue
        lowest, highest = channel.lowest, channel.highest
        if lowest is None or highest is None:
            continue
        if lowest < low or highest > high:
            seen = lowest if lowest < low else highest
            yield f"{column} read {seen:.0f} °C: the sensor is open, shorted or not connected"
        elif (
            lowest == highest
            and channel.readings >= STUCK_READINGS
            and facts.figures.duration_s >= STUCK_S
            and _step_k(facts, column) <= FINE_STEP_K
        ):
            yield f"{column} stood at {lowest:.2f} °C throughout: the sensor is stuck"


def _step_k(facts: Facts, column: str) -> float:
    known = facts.known.channels.get(column)
    return 0.0 if known is None else known.resolution


def _lowest(facts: Facts, column: str) -> float | None:
    """Return the lowest believable temperature of a column."""
    channel = facts.figures.channels.get(column)
    lowest = None if channel is None else channel.lowest
    return lowest if lowest is not None and lowest >= BELIEVABLE_DEGC[0] else None


def _ambient(facts: Facts) -> float | None:
    """Return the temperature around the pack: measured, else that of the card."""
    measured = _lowest(facts, AMBIENT)
    return facts.card.ambient_degc if measured is None else measured
