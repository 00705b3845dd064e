"""What the pack did to the work, in sections: resistance, groups, speeds, presses. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from capture.studies.pulse_resistance import PULSE_TIMES_S
from tui.formatting import COVERAGE_MEANS, in_milli, milli_words, plain
from tui.study_words import change_words, cut_words, figure_words, line_words, over_charge_words, typed_words
from tui.widgets.interval_rows import Interval, interval_lines

if TYPE_CHECKING:
    from capture.quantities import Figure
    from capture.resistance import Resistance
    from capture.work import RunWork

_GROUPS_AT: Final = 1
_MOST_CUTS: Final = 40
NO_RESISTANCE: Final = (
    "Cannot tell: it takes current, voltage, and a load that comes and goes. A sag test has all of it: "
    "sagline record ADDRESS --guide sag"
)
NO_WORK: Final = "Cannot tell: it takes a speed, a torque, a force or a pressure beside the current."
SHARED: Final = (
    "An interval also holds what all figures share, such as the gain of a sensor: their differences are "
    "known better than the intervals look"
)
NO_CUTS: Final = "No cuts: the current was never at work for long enough to be one."


@dataclass(frozen=True, slots=True)
class Section:
    """A title, figures to be drawn on one scale in `unit`, and lines of words below them."""

    title: str
    intervals: tuple[Interval, ...] = ()
    unit: str = ""
    from_zero: bool = False
    words: tuple[str, ...] = ()

    def lines(self, width: int) -> list[str]:
        """Return it as lines of text, the title not among them; words are not yet broken."""
        drawn = interval_lines(self.intervals, width, unit=self.unit, from_zero=self.from_zero)
        return [*(drawn if self.intervals else []), *self.words]


def why_sections(resistance: Resistance, work: RunWork) -> list[Section]:
    """Return the sections from the cause to its effect: the pack, its groups, the tool's speeds and work."""
    return [
        _pack(resistance),
        *_groups(resistance),
        *_speeds(work),
        *_presses(work),
        _work(work),
        Section("How to read it", words=(COVERAGE_MEANS, SHARED)),
    ]


def _pack(resistance: Resistance) -> Section:
    pulses = resistance.pulses
    if pulses is None:
        return Section("Resistance of the pack", words=(NO_RESISTANCE,))
    rows = [_milliohm("at once (ohmic)", pulses.ohmic)]
    rows += [
        _milliohm(f"{after_s:g} s after a step", figure)
        for after_s, figure in zip(PULSE_TIMES_S, pulses.pulse, strict=True)
    ]
    if resistance.two_step is not None:
        rows.append(_milliohm("two-step", resistance.two_step))
    per_ah = resistance.dependence.per_ah
    words = [*pulses.notes, _circuit(resistance)]
    if pulses.mean_over_ah is not None:
        words.insert(0, over_charge_words(*pulses.mean_over_ah))
    if per_ah is not None:
        words.append(f"1 s after a step it changed by {milli_words(per_ah)} mΩ for each Ah drawn")
    return Section("Resistance of the pack", tuple(rows), "mΩ", from_zero=True, words=tuple(words))


def _circuit(resistance: Resistance) -> str:
    """Return the circuit that explains the run in a line."""
    circuit = resistance.circuit
    if circuit is None:
        return "circuit: cannot tell"
    r0 = "cannot tell" if circuit.r0 is None else f"{milli_words(circuit.r0)} mΩ"
    pairs = [
        f"{milli_words(branch.r)} mΩ with {figure_words(branch.tau, 2)} s" for branch in circuit.branches
    ]
    return f"circuit: {' + '.join([r0, *pairs])}, {1e3 * circuit.rmse_v:.1f} mV left over"


def _groups(resistance: Resistance) -> list[Section]:
    found = resistance.groups
    if found is None:
        return []
    rows = tuple(_milliohm(f"group {group.group}", group.pulse[_GROUPS_AT]) for group in found.groups)
    closure = found.closure
    words = () if closure is None else (f"joints: {milli_words(closure.remainder)} mΩ, {closure.says}",)
    title = f"Groups, {PULSE_TIMES_S[_GROUPS_AT]:g} s after a step"
    return [Section(title, rows, "mΩ", words=words)]


def _speeds(work: RunWork) -> list[Section]:
    """Return the working speeds of the cuts, or the speeds without load where there is no other."""
    told = [
        (f"cut {cut.number}", working.speed)
        for cut in work.cuts
        if (working := cut.working or cut.no_load) is not None
    ]
    if not told:
        return []
    rows = tuple(
        Interval(name, speed.value, speed.u, f"{figure_words(speed, 0)} rpm")
        for name, speed in told[:_MOST_CUTS]
    )
    changes = [
        f"cut {cut.number} against the first: {change_words(change)}"
        for cut, change in zip(work.cuts, work.changes, strict=True)
        if change is not None
    ]
    title = "Speed in the work" if any(cut.working for cut in work.cuts) else "Speed without load"
    return [Section(title, rows, "rpm", words=(line_words(work.stated_line), *changes[:_MOST_CUTS]))]


def _presses(work: RunWork) -> list[Section]:
    rows = tuple(
        Interval(f"press {cut.number}", force.value, force.u, f"{figure_words(force, 0)} N")
        for cut in work.cuts
        if cut.press is not None and (force := cut.press.force_at_end) is not None
    )
    return [Section("Force at the end", rows[:_MOST_CUTS], "N", from_zero=True)] if rows else []


def _work(work: RunWork) -> Section:
    if not work.cuts:
        return Section("Work", words=(NO_CUTS,))
    words: list[str] = []
    for cut in work.cuts[:_MOST_CUTS]:
        figures = cut_words(cut)
        words += [f"cut {cut.number}: {'; '.join(figures)}"] if figures else []
        words += [f"cut {cut.number}: {said}" for said in cut.says]
    if len(work.cuts) > _MOST_CUTS:
        words.append(f"and {len(work.cuts) - _MOST_CUTS} more: sagline work prints them all")
    if work.energy_per_fastener is not None:
        words.append(f"energy for each fastener {figure_words(work.energy_per_fastener, 4)} Wh")
    words += [f"typed: {typed_words(measure)}" for measure in work.typed]
    return Section("Work", words=tuple(plain(line) for line in words) or (NO_WORK,))


def _milliohm(name: str, figure: Figure | None) -> Interval:
    if figure is None:
        return Interval(name, None, None, "cannot tell")
    scaled = in_milli(figure)
    return Interval(name, scaled.value, scaled.u, f"{milli_words(figure)} mΩ")
