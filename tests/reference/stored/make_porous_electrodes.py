"""A cell of porous electrodes (pybamm SPMe, Ecker2015) under pulses: what no circuit with one R0 can be.

Pulses of 6 times the capacity per hour for 10 s and 5 s of rest from 0.98 of charge on, the current scaled
from a cell of 0.15625 Ah to one of 3 Ah. Voltages lie close together behind each edge, so that straight
lines between them are within 0.2 mV of the solution.
"""

import json

import numpy as np
import pybamm

CELL_AH, SCALED_AH, LOAD_A = 0.15625, 3.0, 18.0
LEAD_S, ON_S, OFF_S, EDGE_S, PULSES = 5.0, 10.0, 5.0, 1e-3, 30


def profile():
    times, currents, now = [0.0], [0.0], LEAD_S
    for _ in range(PULSES):
        times += [now, now + EDGE_S, now + ON_S, now + ON_S + EDGE_S]
        currents += [0.0, LOAD_A, LOAD_A, 0.0]
        now += ON_S + OFF_S
    return np.array([*times, now]), np.array([*currents, 0.0])


times, currents = profile()
values = pybamm.ParameterValues("Ecker2015")
values["Current function [A]"] = pybamm.Interpolant(times, currents * CELL_AH / SCALED_AH, pybamm.t)
solver = pybamm.IDAKLUSolver(rtol=1e-7, atol=1e-9)
simulation = pybamm.Simulation(pybamm.lithium_ion.SPMe(), parameter_values=values, solver=solver)
behind = np.concatenate([[0.0], np.geomspace(2e-3, 4.0, 24)])
edges = np.concatenate([times[1::4] + EDGE_S, times[3::4] + EDGE_S])
looked_at = np.unique(np.round(np.concatenate([times, (edges[:, None] + behind).ravel()]), 6))
looked_at = looked_at[looked_at < times[-1]]
solution = simulation.solve(t_eval=times, t_interp=looked_at, initial_soc=0.98)
end_s = float(solution["Time [s]"].entries[-1])
looked_at = looked_at[looked_at < end_s]
voltage = np.interp(looked_at, solution["Time [s]"].entries, solution["Voltage [V]"].entries)
print(
    json.dumps(
        {
            "end_s": round(end_s, 3),
            "knots_s": np.round(times, 6).tolist(),
            "knots_a": currents.tolist(),
            "times_s": looked_at.tolist(),
            "voltage_v": np.round(voltage, 5).tolist(),
        }
    )
)
