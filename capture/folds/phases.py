"""The phases of a cut, told from current and speed together: spin-up, free run, work, free run, spin-down.

*Spin-up* lasts until the speed has come near the highest of the cut. Then the current stands at one of two
levels, that of the free run and that of the work; the level that parts them best (Otsu, IEEE Trans. Syst. Man
Cybern. 9 (1979) 62; from memory) is passed upwards at *contact* and for the last time downwards at
*severance*. A free run must be seen before contact and behind severance, or that moment is not told: a tool
that was put on while it came to speed, or was let go in the work, shows no such edge.

Where the speed is not read, or does not fall in the work because the tool holds it, the current alone tells.
Thresholds are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.folds.work_profile import WorkProfile

    Floats = npt.NDArray[np.float64]
    Flags = npt.NDArray[np.bool_]

#: Of the highest speed of the cut; above it the tool has come to speed.
_AT_SPEED: Final = 0.9
#: Of the highest speed; below it the tool stands.
_STANDS: Final = 0.05
#: By so much of its size the current of the work must lie above that of the free run, or in A.
_LEAST_SHARE_ABOVE: Final = 0.5
_LEAST_ABOVE_A: Final = 0.5
#: The speed falls in the work by at least this share, or the tool holds it.
_LEAST_FALL: Final = 0.01
#: What is shorter than so many bins is ripple.
_LEAST_BINS: Final = 3
_SMOOTH_BINS: Final = 3
#: The current has left the free run when it is so far above it: in its own scatter, or of the way up. With a
#: second level further up it tells where the rise began.
_LEFT_SIGMAS: Final = 3.0
_LEFT_SHARE: Final = 0.08
_FURTHER_SHARE: Final = 0.3
_MAD_TO_SIGMA: Final = 1.4826


class PhaseName(StrEnum):
    """What the tool does."""

    SPIN_UP = "spin_up"
    FREE_RUN = "free_run"
    WORK = "work"
    SPIN_DOWN = "spin_down"


@dataclass(frozen=True, slots=True)
class Phase:
    """One phase, in ticks; the end of a spin-down is None where it is not seen."""

    name: PhaseName
    start_us: int
    end_us: int | None


@dataclass(frozen=True, slots=True)
class CutPhases:
    """The phases of a cut that are told, in order, and the moments of contact and severance in ticks.

    `bin_us` is how finely they are told; `by_speed` whether the speed tells the same as the current.
    """

    phases: tuple[Phase, ...]
    contact_us: int | None
    severance_us: int | None
    bin_us: int
    by_speed: bool

    @property
    def work_s(self) -> float | None:
        """Seconds from contact to severance; None where either is not told."""
        if self.contact_us is None or self.severance_us is None:
            return None
        return (self.severance_us - self.contact_us) * 1e-6

    @property
    def u_work_s(self) -> float:
        """The standard uncertainty of that: two rectangles of a bin's width (JCGM 100:2008, 4.3.7)."""
        return float(self.bin_us * 1e-6 / 6**0.5)


def phases_of(profile: WorkProfile, start_us: int, end_us: int) -> CutPhases | None:
    """Return the phases of a cut that drew from `start_us` to `end_us`; None where nothing tells any.

    The profile may go on behind the end, while the tool comes to rest.
    """
    working = profile.until(end_us)
    current, speed = working.current_a, working.speed_rpm
    if len(current) < 2 * _LEAST_BINS or np.isnan(current).all():
        return None
    current = np.interp(
        np.arange(len(current)), np.flatnonzero(~np.isnan(current)), current[~np.isnan(current)]
    )
    at_speed = _at_speed(speed)
    contact, severance = _contact_and_severance(current, at_speed)
    if at_speed is None and contact is None and severance is None:
        return None
    moments = working.middles_us - profile.bin_us / 2
    found = CutPhases(
        (),
        None if contact is None else int(moments[contact]),
        None if severance is None else int(moments[severance]),
        profile.bin_us,
        _speed_falls(speed, contact, severance),
    )
    up_us = None if at_speed is None else int(moments[at_speed])
    phases = (*_in_work(found, start_us, end_us, up_us), *_spin_down(profile, end_us, speed))
    return CutPhases(phases, found.contact_us, found.severance_us, found.bin_us, found.by_speed)


def _at_speed(speed: Floats) -> int | None:
    """Return the bin in which the tool came to speed; None where the speed is not read or never rose."""
    known = ~np.isnan(speed)
    if np.count_nonzero(known) < _LEAST_BINS or np.nanmax(speed) <= 0:
        return None
    reached = np.flatnonzero(np.where(known, speed, 0.0) >= _AT_SPEED * np.nanmax(speed))
    return int(reached[0])


def _contact_and_severance(current: Floats, at_speed: int | None) -> tuple[int | None, int | None]:
    """Return the bins of contact and severance; each None where the current does not show it."""
    first = 0 if at_speed is None else at_speed
    smooth = _smooth(current)[first:]
    level = _level_between(smooth)
    if level is None:
        return None, None
    works = _without_ripple(smooth > level)
    free = np.flatnonzero(~works)
    if len(free) == 0:
        return None, None
    # what stands high before the first free run is the inrush, or work that began too soon to be told
    behind = np.flatnonzero(works[free[0] :]) + free[0]
    if len(behind) == 0:
        return None, None
    rises = int(behind[0])
    contact = _begin_of_rise(smooth, int(free[0]), rises, float(np.median(smooth[works])))
    last = int(behind[-1])
    severed = last + 1 < len(works)
    return first + contact, first + last + 1 if severed else None


def _begin_of_rise(smooth: Floats, free: int, rises: int, work_a: float) -> int:
    """Return the bin in which the current left the level of the free run that lasted until `rises`.

    The feed grows over some tenths of a second: the level half way up is passed long after contact.
    """
    level = smooth[free + (rises - free) // 2 : rises - (rises - free) // 4]
    if len(level) == 0:
        return rises
    free_a = float(np.median(level))
    noise_a = _MAD_TO_SIGMA * float(np.median(np.abs(level - free_a)))
    height_a = work_a - free_a
    left = max(_LEFT_SIGMAS * noise_a, _LEFT_SHARE * height_a)
    further = max(2 * left, _FURTHER_SHARE * height_a)
    at_left, at_further = (_passes(smooth[free : rises + 1], free_a + above) for above in (left, further))
    # back along the straight line through both to the level of the free run
    begins = at_left - (at_further - at_left) * left / (further - left)
    return free + max(0, min(round(begins), rises - free))


def _passes(rising: Floats, level: float) -> float:
    """Return where a current that ends above a level passes it for the last time, between two bins."""
    below = np.flatnonzero(rising <= level)
    if len(below) == 0 or below[-1] + 1 >= len(rising):
        return float(len(rising) - 1)
    last = int(below[-1])
    return last + float((level - rising[last]) / (rising[last + 1] - rising[last]))


def _smooth(current: Floats) -> Floats:
    """Return running medians, which keep edges where they are."""
    half = _SMOOTH_BINS // 2
    padded = np.concatenate([current[:1].repeat(half), current, current[-1:].repeat(half)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, _SMOOTH_BINS)
    medians: Floats = np.median(windows, axis=1)
    return medians


def _level_between(current: Floats) -> float | None:
    """Return the level that parts the current best into two; None where there are no two levels."""
    if len(current) < 2 * _LEAST_BINS:
        return None
    ranked = np.sort(current)
    below = np.arange(1, len(ranked))
    sums = np.cumsum(ranked)
    low = sums[:-1] / below
    high = (sums[-1] - sums[:-1]) / (len(ranked) - below)
    parted = below * (len(ranked) - below) * (high - low) ** 2
    best = int(np.argmax(parted[_LEAST_BINS - 1 : len(parted) - _LEAST_BINS + 1])) + _LEAST_BINS - 1
    apart = float(high[best] - low[best])
    if apart < max(_LEAST_ABOVE_A, _LEAST_SHARE_ABOVE * abs(float(low[best]))):
        return None
    return float(low[best] + high[best]) / 2


def _without_ripple(works: Flags) -> Flags:
    """Return the flags with stretches shorter than `_LEAST_BINS` joined to what lies around them."""
    cleaned = works.copy()
    for wanted in (True, False):
        edges = np.flatnonzero(np.diff(np.concatenate([[not wanted], cleaned, [not wanted]]).astype(np.int8)))
        for start, stop in edges.reshape(-1, 2).tolist():
            inside = start > 0 and stop < len(cleaned)
            if inside and stop - start < _LEAST_BINS and cleaned[start] == wanted:
                cleaned[start:stop] = not wanted
    return cleaned


def _speed_falls(speed: Floats, contact: int | None, severance: int | None) -> bool:
    """Return whether the tool turned slower in the work than just before it."""
    if contact is None:
        return False
    before = speed[max(0, contact - 2 * _LEAST_BINS) : contact]
    work = speed[contact + _LEAST_BINS : severance]
    if np.isnan(before).all() or np.isnan(work).all():
        return False
    return bool(np.nanmedian(work) < (1 - _LEAST_FALL) * np.nanmedian(before))


def _in_work(found: CutPhases, start_us: int, end_us: int, up_us: int | None) -> list[Phase]:
    """Return the phases while the tool draws."""
    phases: list[Phase] = []
    free_us = start_us
    if up_us is not None:
        phases.append(Phase(PhaseName.SPIN_UP, start_us, up_us))
        free_us = up_us
    if found.contact_us is None:
        return phases
    phases.append(Phase(PhaseName.FREE_RUN, free_us, found.contact_us))
    phases.append(Phase(PhaseName.WORK, found.contact_us, found.severance_us or end_us))
    if found.severance_us is not None:
        phases.append(Phase(PhaseName.FREE_RUN, found.severance_us, end_us))
    return phases


def _spin_down(profile: WorkProfile, end_us: int, speed: Floats) -> list[Phase]:
    """Return the coming to rest behind the cut, as far as it is seen."""
    if np.isnan(speed).all() or np.nanmax(speed) <= 0:
        return []
    behind = profile.middles_us >= end_us
    stands = np.flatnonzero(behind & (profile.speed_rpm <= _STANDS * np.nanmax(speed)))
    rest_us = int(profile.middles_us[stands[0]]) if len(stands) else None
    return [Phase(PhaseName.SPIN_DOWN, end_us, rest_us)]
