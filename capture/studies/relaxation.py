"""What an RC pair makes of a current: the low-passed current, and how what it held before decays."""

from __future__ import annotations

from math import exp, expm1
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]


def relaxed_current(current_a: Floats, step_s: float, tau_s: float) -> Floats:
    """Return the low-passed current in A at each instant, 0 at the first; R times it is a pair's voltage.

    tau dx/dt = i - x, solved exactly for a current (n, every `step_s` seconds) that is a straight line
    between the instants: x[k+1] = a x[k] + (1 - a) i[k] + b (i[k+1] - i[k]), a = exp(-h/tau), b = 1 - (1 -
    a) tau/h. From the differential equation of the circuit (Plett, Battery Management Systems, vol. 1,
    2015, chapter 2, has the form for a constant current; from memory).
    """
    from scipy.signal import lfilter

    gone = -expm1(-step_s / tau_s)
    with_new = 1.0 - gone * tau_s / step_s
    filtered, _ = lfilter(
        [with_new, gone - with_new], [1.0, -exp(-step_s / tau_s)], current_a, zi=[-with_new * current_a[0]]
    )
    return np.asarray(filtered, np.float64)


def made_by(current_a: Floats, step_s: float, ohms: Floats, taus_s: Sequence[float]) -> Floats:
    """Return what a resistance and pairs make of a current (n, every `step_s` s), in V.

    `ohms` (1 + pairs) are R0 and the resistances of the pairs at `taus_s`.
    """
    made_v: Floats = ohms[0] * current_a
    for ohm, tau_s in zip(ohms[1:], taus_s, strict=True):
        if ohm > 0:
            made_v = made_v + ohm * relaxed_current(current_a, step_s, tau_s)
    return made_v


def decay(instants: int, step_s: float, tau_s: float) -> Floats:
    """Return what is left of 1 at each of `instants` moments, `step_s` apart: exp(-t/tau)."""
    left: Floats = np.exp(-np.arange(instants) * (step_s / tau_s))
    return left
