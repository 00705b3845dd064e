"""The equivalent circuit of a pack, fitted to a whole run: open-circuit curve, R0 and RC pairs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from capture.quantities import Figure
    from capture.run_card import RunCard
    from capture.studies.columns import RunColumns, Span
    from capture.uncertainty.channels import ChannelUncertainty


@dataclass(frozen=True, slots=True)
class Branch:
    """One RC pair: resistance in ohm and time constant in s."""

    r: Figure
    tau: Figure


@dataclass(frozen=True, slots=True)
class Circuit:
    """R0 in ohm (None where the samples are too slow for it), the RC pairs, and what the fit leaves over."""

    r0: Figure | None
    branches: tuple[Branch, ...]
    rmse_v: float


def fit_circuit(
    run: RunColumns,
    cuts: Sequence[Span],
    card: RunCard,
    uncertainties: Mapping[str, ChannelUncertainty],
) -> Circuit | None:
    """Return the circuit that explains the voltage of `run`; None where the run cannot determine one."""
    del run, cuts, card, uncertainties
    return None
