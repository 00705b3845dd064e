"""The living pack against pybamm's Thevenin model with two RC elements, group by group, under pulses."""

import json
from dataclasses import replace

import numpy as np
from pybamm_process import needs_pybamm, run_pybamm

from capture.model.battery import STRETCH_STEPS, Battery
from capture.model.pack import FAST, PACKS, SLOW
from capture.model.scenario import Scenario
from capture.model.stops import StopCause
from capture.open_circuit import NMC_VOLTS

STEP_S = 0.002
LOAD_A, REST_A, ON_S, OFF_S, PULSES = 25.0, 0.0, 10.0, 5.0, 6

PULSED_DISCHARGE = """
import json, numpy as np, pybamm
given = json.loads(input())
socs, volts = np.linspace(0, 1, 41), np.array(given["curve"])
interpolant = lambda s: pybamm.Interpolant(socs, volts, s, interpolator="linear")
knots, currents = np.array(given["knots"]), np.array(given["currents"])
times = np.array(given["times"])
answers = []
for group in given["groups"]:
    model = pybamm.equivalent_circuit.Thevenin(options={"number of rc elements": 2})
    p = pybamm.ParameterValues("ECM_Example")
    constant = lambda name: (lambda T, I, s, value=group[name]: pybamm.Scalar(value))
    p.update({
        "Initial SoC": group["charge"], "Cell capacity [A.h]": group["capacity"],
        "Nominal cell capacity [A.h]": group["capacity"],
        "Upper voltage cut-off [V]": 4.5, "Lower voltage cut-off [V]": 2.0,
        "Open-circuit voltage [V]": interpolant,
        "R0 [Ohm]": constant("r0"), "R1 [Ohm]": constant("r1"), "C1 [F]": constant("c1"),
        "Element-1 initial overpotential [V]": 0.0,
        "Entropic change [V/K]": lambda o, T: pybamm.Scalar(0.0),
        "Current function [A]": pybamm.Interpolant(knots, currents, pybamm.t),
    })
    p.update({
        "R2 [Ohm]": constant("r2"), "C2 [F]": constant("c2"), "Element-2 initial overpotential [V]": 0.0,
    }, check_already_exists=False)
    solver = pybamm.IDAKLUSolver(rtol=1e-8, atol=1e-10)
    solved = pybamm.Simulation(model, parameter_values=p, solver=solver).solve(t_eval=knots, t_interp=times)
    answers.append([float(v) for v in solved["Voltage [V]"](times)])
print(json.dumps(answers))
"""


def pulses():
    """Return the current in each step: rest, then loads and rests in turn."""
    turn = [np.full(round(ON_S / STEP_S), LOAD_A), np.full(round(OFF_S / STEP_S), REST_A)]
    return np.concatenate([np.full(500, REST_A), *(turn * PULSES)])


def edges(current_a):
    """Return knots of time and current: each step's current holds from its beginning, edges of 1 us."""
    at = np.flatnonzero(np.diff(current_a)) + 1
    times = np.sort(np.concatenate([[0.0], at * STEP_S, at * STEP_S + 1e-6, [len(current_a) * STEP_S]]))
    levels = np.repeat(current_a[np.concatenate([[0], at])], 2)
    return times.tolist(), levels.tolist()


def our_voltages(battery, current_a):
    """Return group voltages (groups, steps) under a current."""
    voltages = []
    for part in current_a.reshape(-1, STRETCH_STEPS):
        battery.begin_stretch()
        states = []
        for amperes in part.tolist():
            states.append(battery.state)
            battery.carry(amperes)
        voltages.append(battery.group_voltages(np.array(states), part))
    return np.concatenate(voltages, axis=1)


@needs_pybamm
def test_a_pulsed_discharge_against_pybamm():
    """A weak, a resistive and a sound group of one pack, 25 A for 10 s and rest 5 s, six times: 0.2 mV."""
    steady = replace(PACKS["wren"], heat_capacity_j_per_k=1e12)
    current_a = pulses()
    knots, currents = edges(current_a)
    looked_at = np.arange(25, len(current_a), 250)
    given, ours = [], []
    for fault in (StopCause.WEAK_GROUP, StopCause.HIGH_RESISTANCE_GROUP, StopCause.NONE):
        battery = Battery(Scenario(steady, 2, fault=fault, charge=0.8, ambient_degc=25.0))
        groups, odd = battery.groups, battery.groups.odd
        r0, r1, r2 = (float(part[odd]) for part in groups.resistances(25.0))
        given.append(
            {
                "charge": float(groups.charge[odd]),
                "capacity": float(groups.capacity_ah[odd]),
                "r0": r0,
                "r1": r1,
                "r2": r2,
                "c1": FAST.time_s / r1,
                "c2": SLOW.time_s / r2,
            }
        )
        ours.append(our_voltages(battery, current_a)[odd, looked_at])
    asked = {
        "curve": NMC_VOLTS,
        "knots": knots,
        "currents": currents,
        "times": (looked_at * STEP_S).tolist(),
        "groups": given,
    }
    theirs = run_pybamm(PULSED_DISCHARGE, json.dumps(asked))
    np.testing.assert_allclose(ours, theirs, rtol=0, atol=2e-4)
    assert np.ptp(theirs) > 0.5
