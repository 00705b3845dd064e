"""What the rig takes of the energy: leads, shunt, fuse and adapter between pack and tool."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from capture.calibration.leads import Rig
from capture.quantities import JOULE_PER_WH, Figure
from capture.uncertainty.channels import HOBBY_SHUNT

if TYPE_CHECKING:
    from collections.abc import Mapping

    from capture.figure_uncertainty import RunUncertainty
    from capture.folds.figures import RunFigures


@dataclass(frozen=True, slots=True)
class Burden:
    """Net energy at the pack's terminals and at the tool's in Wh, and what the rig took between them."""

    at_pack: Figure
    at_tool: Figure
    taken: Figure
    resistance: Figure

    def as_json(self) -> dict[str, Any]:
        """Return it as the command line prints it."""
        return {
            "energy_at_pack": self.at_pack.as_json(),
            "energy_at_tool": self.at_tool.as_json(),
            "energy_in_rig": self.taken.as_json(),
            "rig_resistance": self.resistance.as_json(),
        }


def no_burden() -> dict[str, Any]:
    """Return the JSON of a run of whose rig nothing is known."""
    return dict.fromkeys(("energy_at_pack", "energy_at_tool", "energy_in_rig", "rig_resistance"))


def rig_burden(document: Mapping[str, Any], figures: RunFigures, known: RunUncertainty) -> Burden | None:
    """Return what the rig took; None where nothing is known of it, or there is no energy.

    The rig takes R times the integral of the squared current; which of the two energies was measured is told
    by where the voltage is sensed. Standard uncertainty of what is taken: that of R, and twice the gain of
    the current (JCGM 100:2008, 5.1.6). A point-sampled chopped current has a larger mean square than its
    samples show: then it is a lower bound.
    """
    told = document.get("rig")
    if not told or figures.energy is None or figures.exposure is None:
        return None
    rig = Rig.from_json(told)
    square_a2_h = figures.exposure.square_a2_s / JOULE_PER_WH
    taken_wh = rig.ohm * square_a2_h
    gain = known.channels.get("current_a", HOBBY_SHUNT).gain
    u_taken = float(np.hypot(rig.u_ohm * square_a2_h, 2 * gain * taken_wh))
    measured = figures.energy
    sign = -1.0 if rig.sensed_at == "pack" else 1.0
    u_computed = None if measured.u is None else float(np.hypot(measured.u, u_taken))
    computed = Figure(measured.value + sign * taken_wh, u_computed, "Wh")
    at_pack, at_tool = (measured, computed) if rig.sensed_at == "pack" else (computed, measured)
    return Burden(at_pack, at_tool, Figure(taken_wh, u_taken, "Wh"), Figure(rig.ohm, rig.u_ohm, "Ohm"))
