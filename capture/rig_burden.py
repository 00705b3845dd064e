"""What the rig takes of the energy: leads, shunt, fuse and adapter between pack and tool."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from capture.calibration.leads import Rig
from capture.figure_uncertainty import whole_run
from capture.quantities import JOULE_PER_WH, Figure
from capture.uncertainty.electrical import energy_u, square_u

if TYPE_CHECKING:
    from collections.abc import Mapping

    from capture.figure_uncertainty import RunUncertainty
    from capture.folds.figures import RunFigures


@dataclass(frozen=True, slots=True)
class Burden:
    """Net energy at the pack's terminals and at the tool's in Wh, and what the rig took between them.

    `drop` is the voltage over the rig at the run's peak current; `parts` are the resistances it is made of.
    """

    at_pack: Figure
    at_tool: Figure
    taken: Figure
    resistance: Figure
    drop: Figure | None
    parts: Mapping[str, Figure]

    def as_json(self) -> dict[str, Any]:
        """Return it as the command line prints it."""
        return {
            "energy_at_pack": self.at_pack.as_json(),
            "energy_at_tool": self.at_tool.as_json(),
            "energy_in_rig": self.taken.as_json(),
            "rig_resistance": self.resistance.as_json(),
            "rig_drop_at_peak": None if self.drop is None else self.drop.as_json(),
            "rig_parts": {name: figure.as_json() for name, figure in self.parts.items()},
        }


def no_burden() -> dict[str, Any]:
    """Return the JSON of a run of whose rig nothing is known."""
    return dict.fromkeys(
        (
            "energy_at_pack",
            "energy_at_tool",
            "energy_in_rig",
            "rig_resistance",
            "rig_drop_at_peak",
            "rig_parts",
        )
    )


def rig_burden(document: Mapping[str, Any], figures: RunFigures, known: RunUncertainty) -> Burden | None:
    """Return what the rig took; None where nothing is known of it, or there is no energy.

    The rig takes R times the integral S of the squared current; which of the two energies was measured is
    told by where the voltage is sensed, and the other is E - R S at the tool, E + R S at the pack. u of what
    is taken: u_R S and R u_S. The far energy and R S hang on the same current: an error of its gain moves
    E - R S by E - 2 R S of it, and is counted once (`energy_u`; JCGM 100:2008, 5.2.2). A chopped
    current read at instants has a larger mean square than its samples show: then it is a lower bound.
    """
    told, measured = document.get("rig"), figures.energy
    whole = whole_run(figures, known)
    if not told or measured is None or whole is None:
        return None
    rig = Rig.from_json(told)
    at_pack = rig.sensed_at == "pack"
    beyond_ohm = -rig.ohm if at_pack else rig.ohm
    taken_wh = rig.ohm * whole.square_a2_s / JOULE_PER_WH
    u_taken = u_far = None
    if known.electrical is not None:
        of_ohm = rig.u_ohm * whole.square_a2_s
        u_taken = float(np.hypot(of_ohm, rig.ohm * square_u(known.electrical, whole))) / JOULE_PER_WH
        u_far = float(np.hypot(of_ohm, energy_u(known.electrical, whole, beyond_ohm))) / JOULE_PER_WH
    far = Figure(measured.value + (-taken_wh if at_pack else taken_wh), u_far, "Wh")
    return Burden(
        measured if at_pack else far,
        far if at_pack else measured,
        Figure(taken_wh, u_taken, "Wh"),
        Figure(rig.ohm, rig.u_ohm, "Ohm"),
        _drop(rig, figures.peak_current),
        {part.name: Figure(part.ohm, part.u_ohm, "Ohm") for part in rig.parts},
    )


def _drop(rig: Rig, current: Figure | None) -> Figure | None:
    """Return the voltage over the rig at a current."""
    if current is None:
        return None
    u = None if current.u is None else float(np.hypot(rig.u_ohm * current.value, rig.ohm * current.u))
    return Figure(rig.ohm * current.value, u, "V")
