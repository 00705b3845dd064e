"""pybamm's Thevenin model under pulses of 18 A for 10 s and 5 s of rest: one cell, and five groups, one weak.

Circuit and curve are given here, so all is exact but for the solver's tolerance. The open-circuit voltage is
3.0 + 1.2 s - 0.35 s^2 + 0.33 s^3 - 0.25 exp(-25 s) at state of charge s; the run starts at 0.999.
"""

import json

import numpy as np
import pybamm

LOAD_A, LEAD_S, ON_S, OFF_S, EDGE_S, PULSES = 18.0, 5.0, 10.0, 5.0, 1e-3, 80
START, CAPACITY_AH, CUTOFF_V = 0.999, 3.0, 2.5
CELL = {"r0": 0.012, "r1": 0.006, "c1": 2500.0, "r2": 0.010, "c2": 4000.0}
WEAK_AH, WEAK_R0 = 2.55, 0.018


def open_circuit(s):
    return 3.0 + 1.2 * s - 0.35 * s**2 + 0.33 * s**3 - 0.25 * pybamm.exp(-25 * s)


def pulses():
    times, currents, now = [0.0], [0.0], LEAD_S
    for _ in range(PULSES):
        times += [now, now + EDGE_S, now + ON_S, now + ON_S + EDGE_S]
        currents += [0.0, LOAD_A, LOAD_A, 0.0]
        now += ON_S + OFF_S
    return np.array([*times, now]), np.array([*currents, 0.0])


def solved(capacity_ah, circuit, lowest_v, spacing_s):
    """Return the solution until the cell reaches `lowest_v`, at a point every `spacing_s`."""
    elements = 2 if "r2" in circuit else 1
    model = pybamm.equivalent_circuit.Thevenin(options={"number of rc elements": elements})
    values = pybamm.ParameterValues("ECM_Example")
    times, currents = pulses()
    given = {
        "Initial SoC": START,
        "Cell capacity [A.h]": capacity_ah,
        "Nominal cell capacity [A.h]": capacity_ah,
        "Upper voltage cut-off [V]": 4.3,
        "Lower voltage cut-off [V]": lowest_v,
        "Open-circuit voltage [V]": open_circuit,
        "Entropic change [V/K]": lambda _ocv, _t: pybamm.Scalar(0.0),
        "Current function [A]": pybamm.Interpolant(times, currents, pybamm.t),
    }
    for name, value in circuit.items():
        unit = "Ohm" if name.startswith("r") else "F"
        given[f"{name.upper()} [{unit}]"] = lambda _t, _i, _s, value=value: pybamm.Scalar(value)
    for element in range(1, elements + 1):
        given[f"Element-{element} initial overpotential [V]"] = 0.0
    values.update(given, check_already_exists=False)
    solver = pybamm.IDAKLUSolver(rtol=1e-8, atol=1e-10)
    simulation = pybamm.Simulation(model, parameter_values=values, solver=solver)
    return simulation.solve(t_eval=times, t_interp=np.arange(0, times[-1], spacing_s))


def one_cell():
    cell = solved(CAPACITY_AH, CELL, CUTOFF_V, 0.05)
    times, volts = cell["Time [s]"].entries, cell["Voltage [V]"].entries
    amperes = cell["Current [A]"].entries
    looked_at = np.arange(0.5, times[-1], 1.0)
    return {
        "cutoff_s": round(float(times[-1]), 3),
        "charge_ah": round(float(np.trapezoid(amperes, times)) / 3600, 5),
        "energy_wh": round(float(np.trapezoid(amperes * volts, times)) / 3600, 5),
        "times_s": looked_at.tolist(),
        "voltage_v": np.round(np.interp(looked_at, times, volts), 6).tolist(),
    }


def five_groups():
    sound = {name: value for name, value in CELL.items() if name in {"r0", "r1", "c1"}}
    weak = {**sound, "r0": WEAK_R0}
    groups = [(CAPACITY_AH, sound), (WEAK_AH, weak)]
    sound_cell, weak_cell = (solved(ah, circuit, 2.0, 0.01) for ah, circuit in groups)
    times, weak_v = weak_cell["Time [s]"].entries, weak_cell["Voltage [V]"].entries
    below = int(np.argmax(weak_v < CUTOFF_V))
    sound_v = np.interp(times, sound_cell["Time [s]"].entries, sound_cell["Voltage [V]"].entries)
    looked_at = np.arange(0.5, times[-1], 1.0)
    return {
        "weak_below_s": round(float(times[below]), 2),
        "pack_then_v": round(float(4 * sound_v[below] + weak_v[below]), 3),
        "times_s": looked_at.tolist(),
        "sound_v": np.round(np.interp(looked_at, times, sound_v), 6).tolist(),
        "weak_v": np.round(np.interp(looked_at, times, weak_v), 6).tolist(),
    }


print(json.dumps({"one_cell": one_cell(), "five_groups": five_groups()}))
