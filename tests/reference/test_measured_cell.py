"""The measured 33.1 Ah cell (DOI 10.5281/zenodo.2580327; cell_33ah/README.md), imported like any CSV file."""

from pathlib import Path

import numpy as np
import pytest

from capture.importing.csv_import import ImportOptions, import_csv
from capture.resistance import resistance
from capture.run_card import RunCard
from capture.storage.recording import open_recording
from capture.summary import summarise

FILES = Path(__file__).parent / "cell_33ah"


def imported(name, folder, *, from_zero=False):
    """Return a file of the cell as a recording; its first row again at time 0 if the cycler left it out."""
    lines = (FILES / f"{name}.csv").read_text().splitlines()
    if from_zero:
        lines.insert(1, "0.0," + lines[1].partition(",")[2])
    source = folder / f"{name}.csv"
    source.write_text("\n".join(lines) + "\n")
    options = ImportOptions(discharge_negative=True, card=RunCard(series=1, capacity_ah=33.1, cutoff_v=3.0))
    return open_recording(import_csv(source, folder / f"{name}.parquet", options).recording)


#: Rate; charge by trapezoid and by the cycler (cut to 0.01 Ah); energy of I times V and by the cycler (0.07
#: to 0.18 % below); seconds to 3.000 V.
DISCHARGES = [
    ("1c", 30.344, 30.34, 114.059, 113.85, 3568),
    ("2c", 29.971, 29.97, 109.862, 109.77, 1762),
    ("3c", 28.723, 28.72, 102.129, 102.06, 1125),
]


@pytest.mark.parametrize(("rate", "charge", "cycler_ah", "energy", "cycler_wh", "cut_off_s"), DISCHARGES)
def test_capacity_and_energy(tmp_path, rate, charge, cycler_ah, energy, cycler_wh, cut_off_s):
    recording = imported(f"discharge_{rate}", tmp_path, from_zero=True)
    figures = summarise(recording).figures
    # between the last loaded row and the first at rest lies a second of falling current: no part of it
    assert figures.charge.value == pytest.approx(charge, abs=0.02)
    assert figures.charge.value == pytest.approx(cycler_ah, abs=0.03)
    assert figures.energy.value == pytest.approx(energy, rel=1e-3)
    assert figures.energy.value == pytest.approx(cycler_wh, rel=2.5e-3)
    assert figures.minimum_voltage.value == pytest.approx(3.0, abs=0.0015)
    block = next(iter(recording.blocks()))
    at_cut_off = int(np.argmin(block.columns["voltage_v"]))
    # counted from the cycler's first row, which it wrote a second into the step
    assert block.ticks_us[at_cut_off] * 1e-6 - 1 == pytest.approx(cut_off_s, abs=1.5)


def test_cut_off_by_sag_and_not_empty(tmp_path):
    """After the cut-off at 3C the cell rebounds from 3.000 V to 3.515 V within its rest."""
    recording = imported("discharge_3c", tmp_path)
    block = list(recording.blocks())[-1]
    assert block.columns["voltage_v"][-1] == pytest.approx(3.515, abs=0.002)


def test_pulse_resistance(tmp_path):
    """Third pulse at 25 degC, 30 A from 4.048 V: 1.666 mohm after 1 s and 2.199 mohm after 10 s as quotients.

    In these is the fall of the open-circuit voltage: 0.083 Ah in 10 s, of a cell that falls by 0.0163 V per
    Ah there (4.086 V to 4.048 V over 3.1 Ah minus what relaxes): about 0.04 mohm. The cycler reads to 1 mV,
    which is 0.03 mohm. At 0.5 s between readings nothing can be said of 0.1 s, nor of the ohmic part.
    """
    found = resistance(imported("pulse_25degc", tmp_path))
    pulse = dict(zip(("0.1", "1", "10"), found.pulses.pulse, strict=True))
    assert pulse["0.1"] is None
    assert found.pulses.ohmic is None
    assert pulse["1"].value == pytest.approx(1.666e-3, abs=0.07e-3)
    assert pulse["10"].value == pytest.approx(2.199e-3 - 0.04e-3, abs=0.07e-3)
