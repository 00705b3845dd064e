"""A group of the virtual pack against pybamm's Thevenin model with two RC pairs, at the saw's current."""

import importlib.util
import json
from dataclasses import replace

import numpy as np
import pytest
from pybamm_process import run_pybamm

from capture.model.life import Life
from capture.model.pack import PACKS, REFERENCE_DEGC, Condition
from capture.model.scenario import Scenario
from capture.model.tool import Tool
from capture.open_circuit import NMC_VOLTS
from capture.quantities import COULOMB_PER_AH

needs_pybamm = pytest.mark.skipif(
    importlib.util.find_spec("pybamm") is None,
    reason="pybamm is not installed: pip install -e '.[reference]'",
)

#: pybamm.equivalent_circuit.Thevenin: Barletta et al., Energies 15 (2022) 6207, as it cites.
THEVENIN = """
import json, numpy as np, pybamm
given = json.loads(input())
socs, volts = np.linspace(0, 1, 41), np.array(given["volts"])
p = pybamm.ParameterValues("ECM_Example")
constant = lambda value: lambda T, I, s: pybamm.Scalar(value)
p.update({
    "Initial SoC": given["charge"],
    "Cell capacity [A.h]": given["capacity_ah"], "Nominal cell capacity [A.h]": given["capacity_ah"],
    "Current function [A]": pybamm.Interpolant(
        np.array(given["times_s"]), np.array(given["current_a"]), pybamm.t
    ),
    "Upper voltage cut-off [V]": 5.0, "Lower voltage cut-off [V]": 1.0,
    "Open-circuit voltage [V]": lambda s: pybamm.Interpolant(socs, volts, s, interpolator="linear"),
    "R0 [Ohm]": constant(given["r0"]),
    "R1 [Ohm]": constant(given["r1"]), "C1 [F]": constant(given["tau1"] / given["r1"]),
    "R2 [Ohm]": constant(given["r2"]), "C2 [F]": constant(given["tau2"] / given["r2"]),
    "Element-1 initial overpotential [V]": 0.0, "Element-2 initial overpotential [V]": 0.0,
    "Entropic change [V/K]": lambda o, T: pybamm.Scalar(0.0),
}, check_already_exists=False)
model = pybamm.equivalent_circuit.Thevenin(options={"number of rc elements": 2})
solver = pybamm.IDAKLUSolver(rtol=1e-8, atol=1e-8)
times = np.array(given["times_s"])
solved = pybamm.Simulation(model, parameter_values=p, solver=solver).solve(t_eval=times, t_interp=times)
print(json.dumps([float(v) for v in solved["Voltage [V]"](times)]))
"""


@needs_pybamm
def test_a_group_under_work_against_pybamm():
    """12 s of rest, spin-up, cuts, braking: our group and pybamm's agree to 1 mV RMS, 10 mV at edges."""
    pack = replace(PACKS["heron"], heat_capacity_j_per_k=1e12)  # pybamm's parameters do not warm up
    condition = Condition(0.9, REFERENCE_DEGC, REFERENCE_DEGC)
    life = Life(Scenario(pack, 6, tool=Tool(ripple=0.0, chop_swing=0.0), condition=condition))
    groups = life.groups
    frames = [life.frame() for _ in range(240)]
    times_s = np.concatenate([frame.time_s for frame in frames])
    current_a = np.concatenate([frame.current_a for frame in frames])
    ours = np.concatenate([frame.group_v[0] for frame in frames])
    given = {
        "volts": NMC_VOLTS,
        "charge": float(groups.charge[0]),
        "capacity_ah": float(groups.capacity_c[0]) / COULOMB_PER_AH,
        "times_s": times_s.tolist(),
        "current_a": current_a.tolist(),
        "r0": float(groups.r0_ohm[0]),
        "r1": float(groups.r1_ohm[0]),
        "tau1": pack.tau1_s,
        "r2": float(groups.r2_ohm[0]),
        "tau2": pack.tau2_s,
    }
    theirs = np.array(run_pybamm(THEVENIN, json.dumps(given)))
    assert np.sqrt(np.mean((ours - theirs) ** 2)) < 1e-3
    np.testing.assert_allclose(ours, theirs, rtol=0, atol=1e-2)
    assert np.ptp(ours) > 0.2
