"""The open-circuit curve of the virtual packs: the one that the analysis takes as its default, too."""

from capture.open_circuit import NMC_VOLTS, nmc_voltage

__all__ = ["NMC_VOLTS", "nmc_voltage"]
