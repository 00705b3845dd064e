"""Blocks of the virtual load bank, as fast as the model lives, and what its pack's resistance really is."""

import numpy as np

from capture.blocks import SampleBlock
from capture.links.address import parse_address
from capture.links.virtual import virtual_rig
from capture.model.pack import FAST, SLOW
from capture.model.rig import live
from capture.model.sensors import INTERVAL_US, ON_A_BANK, SENSORS
from capture.run_card import RunCard

INTERVAL_NS = INTERVAL_US * 1000
CARD = RunCard("sag test", "heron", series=10, cutoff_v=28.0, max_current_a=60.0, max_temperature_degc=70.0)


def blocks_of(options, seconds):
    """Yield the samples of `sim:loadbank?options`, a fifth of a second in each block."""
    scenario = virtual_rig(parse_address(f"sim:loadbank?{options}")).scenario
    for lived in live(scenario):
        first, steps = lived.truth.first_sample, lived.counts.shape[1]
        if first * INTERVAL_US * 1e-6 >= seconds:
            return
        index = first + np.arange(steps)
        columns = {}
        for at in ON_A_BANK:
            channel = SENSORS[at].channel
            name = f"{channel.quantity}_{ {'A': 'a', 'V': 'v', 'Cel': 'degc'}[channel.unit] }"
            readings = lived.counts[at] * float(channel.scale)
            columns[name] = np.where(index % channel.divisor == 0, readings, np.nan).astype(np.float32)
        yield SampleBlock(0, first, index * INTERVAL_US, columns, np.zeros(steps, np.uint32))


def true_resistance_ohm(scenario, temperature_degc, after_s):
    """Return how far the pack's voltage falls for each ampere so long after a step, by its model."""
    ohmic, fast, slow = (part.sum() for part in scenario.groups().resistances(temperature_degc))
    joints = scenario.pack.joint_ohm + scenario.condition.joint_ohm
    return (
        ohmic
        + joints
        + fast * (1 - np.exp(-after_s / FAST.time_s))
        + slow * (1 - np.exp(-after_s / SLOW.time_s))
    )
