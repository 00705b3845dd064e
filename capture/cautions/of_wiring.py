"""Cautions about the rig: sign of the current, zero, leads, skew, group voltages, what nobody calibrated."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Final

from capture.folds.extremes import group_columns
from capture.folds.hysteresis import IDLE_CURRENT_A
from capture.folds.pairing import LAGS
from capture.folds.run import ELECTRICAL

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.cautions.facts import Facts
    from capture.uncertainty.channels import ChannelUncertainty

#: Changes of voltage and current that belong together correlate by at least this. Common practice, no source.
CORRELATED: Final = 0.3
#: Another lag than none must explain this much more before it is believed. Common practice, no source.
MORE_AT_ANOTHER_LAG: Final = 1.2
#: The sum of the groups may miss the pack voltage by this share, if no better is known; what taps of 1 %
#: dividers can differ by. Common practice, no source.
GROUPS_MISS: Final = 0.01
#: More standard uncertainties than this are no chance (95 %, GUM 6.3.3).
SIGNIFICANT: Final = 2.0
#: Words that say that the voltage is sensed where the pack ends, and such that say that it is elsewhere.
_AT_THE_PACK: Final = re.compile(r"pack|batter|blade|cell|\btap", re.IGNORECASE)
_ELSEWHERE: Final = re.compile(r"\b(tool|leads?|cables?|wires?|shunt|logger|load)\b", re.IGNORECASE)
_SENSED: Final = re.compile(r"sens|measur|volt", re.IGNORECASE)


def wrong_sign(facts: Facts) -> Iterator[str]:
    """Yield that the voltage rises with the current, or that more came back than was drawn."""
    pairing, charge = facts.figures.pairing, facts.figures.charge
    together = None if pairing is None else pairing.correlation()
    if together is not None and together > CORRELATED:
        yield (
            "voltage rises when current does: the current has the wrong sign (swap the shunt's sense wires "
            "or turn the sensor round)"
        )
    elif charge is not None and charge.value < -SIGNIFICANT * (charge.u or 0.0):
        yield "more charge came back than was drawn: a charger was connected, or the current's sign is wrong"


def no_zero(facts: Facts) -> Iterator[str]:
    """Yield that the current at rest differs from zero by more than it may."""
    rest, known = facts.figures.rest_current, facts.known.channels.get("current_a")
    if rest is None or known is None or rest.count == 0:
        return
    u = math.hypot(known.offset, known.of_mean(rest.count))
    if abs(rest.mean) > SIGNIFICANT * u:
        yield (
            f"current reads {rest.mean:.3f} A at rest, more than its u of {u:.3f} A explains: take a zero "
            "with nothing connected, or see what the tool draws while it is off"
        )


def never_idle(facts: Facts) -> Iterator[str]:
    """Yield that the current never came near zero: a sensor without its zero, or a load that stays on."""
    current, rest = facts.figures.channels.get("current_a"), facts.figures.rest_current
    at_rest = rest is not None and rest.count > 0
    if at_rest or current is None or current.lowest is None or current.lowest < IDLE_CURRENT_A:
        return
    yield (
        f"current never came near zero, its lowest was {current.lowest:.2f} A: there is no rest and no sag; "
        "if the tool was off, take a zero with nothing connected"
    )


def skewed(facts: Facts) -> Iterator[str]:
    """Yield that voltage and current stand for different moments, as the logger says or as the run shows."""
    pairing, electrical = facts.figures.pairing, facts.known.electrical
    if pairing is None or electrical is None:
        return
    lags = {lag: -(pairing.correlation(lag) or 0.0) for lag in range(-LAGS, LAGS + 1)}
    best = max(lags, key=lambda lag: lags[lag])
    if best != 0 and lags[best] > CORRELATED and lags[best] > MORE_AT_ANOTHER_LAG * abs(lags[0]):
        which = "voltage follows current" if best > 0 else "current follows voltage"
        samples = "sample" if abs(best) == 1 else "samples"
        yield f"{which} {abs(best)} {samples} late: peak power and resistance suffer; sample both together"
    elif electrical.skew_s > electrical.spacing_s / 2:
        yield (
            f"voltage and current are sampled {electrical.skew_s * 1e3:.1f} ms apart, more than half an "
            "interval: peak power and resistance suffer"
        )


def behind_leads(facts: Facts) -> Iterator[str]:
    """Yield that the voltage is not sensed at the pack: the drop of the leads counts as sag."""
    where = str(facts.channel("voltage_v").get("sensed_at") or "")
    wiring = facts.card.wiring or ""
    if _ELSEWHERE.search(where) and not _AT_THE_PACK.search(where):
        yield f"voltage is sensed at {where}, not at the pack: the drop of the leads counts as sag"
    elif _SENSED.search(wiring) and _ELSEWHERE.search(wiring) and not _AT_THE_PACK.search(wiring):
        yield f'voltage may be sensed behind leads (the card says "{wiring}"): their drop counts as sag'


def groups_do_not_sum(facts: Facts) -> Iterator[str]:
    """Yield that the groups' voltages do not make the pack's, on average over the run."""
    groups, channels = group_columns(tuple(sorted(facts.columns))), facts.figures.channels
    columns = [column for _, column in groups]
    means = [channels[column].mean for column in columns if column in channels]
    pack = channels["voltage_v"].mean if "voltage_v" in channels else None
    whole = [number for number, _ in groups] == list(range(1, (facts.card.series or len(groups)) + 1))
    if pack is None or not means or not whole or None in means:
        return
    total = sum(mean for mean in means if mean is not None)
    may = max(GROUPS_MISS * pack, SIGNIFICANT * (_sum_u(facts, columns, pack) or 0.0))
    if abs(total - pack) > may:
        yield (
            f"the groups add up to {total:.2f} V and the pack has {pack:.2f} V on average: a tap is loose or "
            "a divider wrong"
        )


def _sum_u(facts: Facts, columns: list[str], pack_v: float) -> float | None:
    """Return u of the difference between the groups' sum and the pack voltage, dividers independent."""
    us = [facts.known.of_channel("voltage_v", pack_v)]
    us += [facts.known.of_channel(column, pack_v / len(columns)) for column in columns]
    return math.hypot(*(u for u in us if u is not None)) if None not in us else None


def assumed(facts: Facts) -> Iterator[str]:
    """Yield, in one line, what is assumed of channels that nobody calibrated.

    Current and voltage decide over nearly all figures: of them the line says how much.
    """
    kinds: dict[str, tuple[ChannelUncertainty, list[str]]] = {}
    for column, known in facts.known.channels.items():
        if known.assumed:
            kinds.setdefault(known.source, (known, []))[1].append(column)
    told, others = [], list[str]()
    for known, columns in kinds.values():
        if not ELECTRICAL & set(columns):
            others += columns
            continue
        unit = facts.channel(columns[0]).get("unit", "")
        told.append(f"{_named(columns)} {100 * known.gain:g} % and {known.offset:g} {unit}")
    if others:
        told.append(f"{_named(others)} alike")
    if told:
        yield f"not calibrated, so u is assumed of a hobby logger: {'; '.join(told)}"


def _named(columns: list[str]) -> str:
    """Return columns in words: current, voltage, groups; many groups are one word."""
    words = [column.rsplit("_", 1)[0].replace("_", " ") for column in columns]
    plain = [word for word in words if not word.startswith("group ")]
    return ", ".join([*plain, "groups"] if len(plain) < len(words) else plain)
