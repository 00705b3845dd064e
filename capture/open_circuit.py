"""Open-circuit voltage of one cell group against its state of charge: defaults by chemistry, or learnt.

State of charge runs from empty (0) to full (1) between the cut-offs that stand with each table.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

#: State of charge in steps of 0.025 from empty (0) to full (1).
_STEPS: Final = np.linspace(0.0, 1.0, 41)
#: Over this much state of charge the slope is taken: two steps of the tables.
_SLOPE_OVER: Final = 0.05
_FEWEST: Final = 2

# All at 25 degC, computed with pybamm 26.10.1.1 from the electrode curves of its parameter sets between the
# cut-offs that the set names; tests/reference/stored/make_open_circuit.py makes the tables again.
# fmt: off
#: Layered oxide (NMC 811) against graphite with silicon, 2.5 to 4.2 V: parameter set Chen2020, Chen et al.,
#: J. Electrochem. Soc. 167 (2020) 080534.
NMC_VOLTS: Final = (
    2.5000, 2.9212, 3.1094, 3.2107, 3.2959, 3.3787, 3.4339, 3.4641, 3.4852, 3.5056,
    3.5286, 3.5545, 3.5814, 3.6068, 3.6290, 3.6487, 3.6670, 3.6855, 3.7054, 3.7273,
    3.7509, 3.7750, 3.7983, 3.8200, 3.8406, 3.8624, 3.8896, 3.9206, 3.9479, 3.9713,
    3.9943, 4.0181, 4.0421, 4.0640, 4.0809, 4.0911, 4.0967, 4.1048, 4.1236, 4.1564,
    4.2000,
)
#: Iron phosphate against graphite, 2.0 to 3.6 V: parameter set Prada2013, Prada et al., J. Electrochem. Soc.
#: 160 (2013) A616.
LFP_VOLTS: Final = (
    2.0000, 2.5369, 2.7853, 2.9057, 2.9781, 3.0444, 3.1080, 3.1491, 3.1685, 3.1781,
    3.1857, 3.1945, 3.2058, 3.2190, 3.2324, 3.2439, 3.2525, 3.2584, 3.2621, 3.2645,
    3.2660, 3.2670, 3.2678, 3.2683, 3.2688, 3.2693, 3.2700, 3.2711, 3.2740, 3.2809,
    3.2926, 3.3037, 3.3097, 3.3121, 3.3132, 3.3137, 3.3142, 3.3146, 3.3164, 3.3359,
    3.6000,
)
#: Nickel cobalt aluminium oxide against graphite, 2.7 to 4.2 V: parameter set NCA_Kim2011, Kim et al.,
#: J. Electrochem. Soc. 158 (2011) A955.
NCA_VOLTS: Final = (
    2.7000, 3.1439, 3.1939, 3.2181, 3.2471, 3.2787, 3.3099, 3.3410, 3.3721, 3.4028,
    3.4331, 3.4628, 3.4918, 3.5200, 3.5472, 3.5732, 3.5978, 3.6210, 3.6430, 3.6641,
    3.6846, 3.7048, 3.7253, 3.7461, 3.7678, 3.7909, 3.8163, 3.8444, 3.8742, 3.9031,
    3.9300, 3.9555, 3.9803, 4.0048, 4.0295, 4.0546, 4.0803, 4.1070, 4.1354, 4.1661,
    4.2000,
)
#: Cobalt oxide against graphite, 2.8 to 4.2 V: parameter set Ramadass2004, Ramadass et al., J. Electrochem.
#: Soc. 151 (2004) A196.
LCO_VOLTS: Final = (
    2.8000, 3.2830, 3.4462, 3.5367, 3.5955, 3.6365, 3.6663, 3.6888, 3.7063, 3.7205,
    3.7323, 3.7427, 3.7522, 3.7611, 3.7699, 3.7786, 3.7875, 3.7967, 3.8062, 3.8162,
    3.8266, 3.8376, 3.8491, 3.8612, 3.8738, 3.8870, 3.9009, 3.9153, 3.9304, 3.9462,
    3.9626, 3.9798, 3.9977, 4.0165, 4.0363, 4.0573, 4.0798, 4.1042, 4.1313, 4.1624,
    4.2000,
)
# fmt: on


@dataclass(frozen=True, slots=True, eq=False)
class OpenCircuitCurve:
    """The open-circuit voltage of one group of cells.

    `states` (n, rising, 0 to 1) and `group_v` (n, rising, V); `u_v` (n, V) is the standard uncertainty of
    the curve's height there, taken to be alike over about 0.15 of charge; `source` says in words where the
    curve comes from; `assumed` that it is not known to be this pack's chemistry; `learnt` that it is the
    pack's own. Raises ValueError for a curve that does not rise.
    """

    chemistry: str
    states: Floats
    group_v: Floats
    u_v: Floats
    source: str
    assumed: bool = False
    learnt: bool = False

    def __post_init__(self) -> None:
        if len(self.states) < _FEWEST or not len(self.states) == len(self.group_v) == len(self.u_v):
            raise ValueError("needs as many voltages as states of charge, two or more")
        if not (np.all(np.diff(self.states) > 0) and np.all(np.diff(self.group_v) > 0)):
            raise ValueError("does not rise with the state of charge")
        if self.states[0] < 0 or self.states[-1] > 1:
            raise ValueError("has a state of charge outside 0 to 1")

    def volts(self, soc: Floats) -> Floats:
        """Return the open-circuit voltage in V of a group at each state of charge (held beyond the ends)."""
        return np.interp(soc, self.states, self.group_v)

    def soc(self, group_v: Floats) -> Floats:
        """Return the state of charge at each open-circuit voltage of a group in V (held beyond the ends)."""
        return np.interp(group_v, self.group_v, self.states)

    def slope(self, soc: Floats) -> Floats:
        """Return how steep the curve is, in V per unit of state of charge, over 0.05 around each state."""
        within = np.clip(soc, self.states[0], self.states[-1])
        low = np.maximum(within - _SLOPE_OVER / 2, self.states[0])
        high = np.minimum(within + _SLOPE_OVER / 2, self.states[-1])
        rise: Floats = (self.volts(high) - self.volts(low)) / (high - low)
        return rise

    def u_volts(self, soc: Floats) -> Floats:
        """Return the standard uncertainty of the curve's height in V at each state of charge."""
        return np.interp(soc, self.states, self.u_v)


def _published(chemistry: str, group_v: tuple[float, ...], u_v: Floats, source: str) -> OpenCircuitCurve:
    return OpenCircuitCurve(
        chemistry,
        _STEPS,
        np.array(group_v),
        u_v,
        f"published curve for {chemistry} ({source})",
    )


#: How far a pack's own curve may lie from that of its chemistry: those of four parameter sets of layered
#: oxides (Chen2020, Ecker2015, Mohtat2020, ORegan2022) scatter by 0.12 V at 0.1 of charge and by 0.04 V from
#: 0.3 on, and those were chosen cells; the plateau of iron phosphate is narrower. Common practice, no source.
_LAYERED_U_V: Final = np.maximum(0.08, 0.15 - 0.33 * _STEPS)
_LFP_U_V: Final = np.maximum(0.02, 0.15 - 0.86 * _STEPS)
#: How well a curve is known that somebody wrote down without saying. Common practice, no source.
TYPED_U_V: Final = 0.02
#: Where the chemistry is a guess.
_GUESS_U_V: Final = np.full(len(_STEPS), 0.15)

PUBLISHED: Final[Mapping[str, OpenCircuitCurve]] = {
    curve.chemistry: curve
    for curve in (
        _published("nmc", NMC_VOLTS, _LAYERED_U_V, "Chen et al. 2020"),
        _published("lfp", LFP_VOLTS, _LFP_U_V, "Prada et al. 2013"),
        _published("nca", NCA_VOLTS, _LAYERED_U_V, "Kim et al. 2011"),
        _published("lco", LCO_VOLTS, _LAYERED_U_V, "Ramadass et al. 2004"),
    )
}
_NMC: Final = PUBLISHED["nmc"]


def default_curve(chemistry: str | None) -> OpenCircuitCurve | None:
    """Return the published curve of a chemistry (nmc, lfp, nca, lco), None where none is named.

    A chemistry without a curve here gets that of nmc, which its source then says.
    """
    if chemistry is None or not chemistry.strip():
        return None
    named = chemistry.strip().lower()
    if named in PUBLISHED:
        return PUBLISHED[named]
    source = f"{_NMC.source}, assumed because there is no curve for {named}"
    return replace(_NMC, u_v=_GUESS_U_V, source=source, assumed=True)


def own_curve(
    chemistry: str, states: Sequence[float], group_v: Sequence[float], u_v: Sequence[float], source: str
) -> OpenCircuitCurve:
    """Return a pack's own curve; raises ValueError that says why it cannot be one."""
    at, volts, u_volts = (np.array(row, np.float64) for row in (states, group_v, u_v))
    curve = OpenCircuitCurve(chemistry, at, volts, u_volts, source, learnt=True)
    if not np.all(curve.u_v > 0) or curve.group_v[0] <= 0:
        raise ValueError("has a voltage or an uncertainty that is not above 0")
    return curve


def nmc_voltage(state_of_charge: Floats) -> Floats:
    """Return the open-circuit voltage in V of one group at each state of charge (0 to 1, held beyond)."""
    return _NMC.volts(state_of_charge)


def nmc_charge_state(group_v: Floats) -> Floats:
    """Return the state of charge (0 to 1, held beyond) at each open-circuit voltage of one group in V."""
    return _NMC.soc(group_v)
