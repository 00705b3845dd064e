"""A stored run of fixed figures, and a workbench without files that reads and amends it."""

import threading
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from capture.errors import RecordingDamaged
from capture.folds.cut_record import CutRecord, Sag
from capture.folds.figures import LowestGroup, RunFigures, SpeedFigures
from capture.overview import Overview
from capture.quantities import Figure
from capture.run_card import RunCard
from capture.storage.amendments import Amendments
from capture.storage.recording import Recording
from capture.summary import Summary

PATH = Path("/home/bench/orchard/recordings/2026-11-25_094510_heron.parquet")
FIRST_US = 2_000_000
CARD = RunCard(
    "timed cut", "heron", "polesaw", series=10, cutoff_v=28.0, material="seasoned ash", max_current_a=80.0
)


def cut(number, **changes):
    start = FIRST_US + 3_000_000 + 9_000_000 * (number - 1)
    whole = CutRecord(
        start_us=start,
        end_us=start + 5_400_000,
        covered_s=5.4,
        charge_ah=0.0391 + 0.0004 * number,
        energy_wh=1.4881 + 0.011 * number,
        mean_power_w=1034.2 - 3.0 * number,
        peak_current_a=73.8 - 0.1 * number,
        rest_voltage_v=41.9 - 0.05 * number,
        rested_s=3.0,
        minimum_voltage_v=37.3 - 0.06 * number,
        peak_sag=Sag(4.6 + 0.01 * number, 11.0, 0.063),
        steady_sag=Sag(2.1 + 0.01 * number, 5.0, 0.072),
        mean_speed_rpm=3985.0 - 9.0 * number,
        lowest_speed_rpm=3712.0,
        mean_force_n=51.3,
        mean_torque_nm=None,
        has_gap=False,
    )
    return replace(whole, **changes)


CUTS = tuple(cut(number) for number in range(1, 9))
FIGURES = RunFigures(
    duration_s=78.998,
    samples=39_500,
    charge=Figure(0.32318211, None, "Ah"),
    charge_discharged=Figure(0.33, None, "Ah"),
    charge_returned=Figure(0.007, None, "Ah"),
    energy=Figure(12.52634187, None, "Wh"),
    energy_discharged=Figure(12.73, None, "Wh"),
    energy_returned=Figure(0.2010443, None, "Wh"),
    peak_current=Figure(73.70999908447266, None, "A"),
    peak_power=Figure(2717.25, None, "W"),
    minimum_voltage=Figure(35.86, None, "V"),
    rest_voltage=Figure(41.949, None, "V"),
    rested_s=3.0,
    drop_from_rest=Figure(6.089, None, "V"),
    cuts=8,
    cut_records=CUTS,
    latest_cut=CUTS[-1],
    speed=SpeedFigures(None, None, None, 2100.0, 3913.4, 3707.0, 4212.0, 0),
    lowest_group=LowestGroup(6, Figure(3.573, None, "V")),
    peak_temperature=Figure(26.8, None, "Cel"),
    first_tick_us=FIRST_US,
)


def overview():
    """Return how the run looks: a cut of 5.4 s in every nine, an inrush at its beginning, a gap."""
    t = np.arange(1580) * 0.05
    phase = (t - 3.0) % 9.0
    cutting = (t >= 3.0) & (phase < 5.4)
    current = np.where(cutting, 27.0 + 4.0 * np.sin(3.0 * t), 0.2)
    high = np.where(cutting & (phase < 0.05), 73.7, current + 1.0)
    current[420:470] = high[420:470] = np.nan
    speed = np.where(cutting, 3950.0, 0.0)
    return Overview(
        0.05,
        {"current_a": current, "voltage_v": 41.9 - 0.02 * t - 0.07 * high, "speed_rpm": speed},
        {"current_a": high, "voltage_v": 41.9 - 0.02 * t - 0.07 * current, "speed_rpm": speed},
    )


OVERVIEW = overview()


def document(card=CARD, **changes):
    whole = {
        "opened": "2026-11-25T09:45:10.123456+00:00",
        "run_card": card.as_json(),
        "gaps": [],
        "marks": [{"t_s": 12.5, "text": "limb two"}, {"t_s": 30.25, "text": ""}],
        "notes": [{"t_s": 40.0, "text": "sap on the chain"}],
        "readings": [],
        "clipped": {},
        "lost_samples": 0,
        "recovered_samples": 128,
        "ended": "the operator stopped it",
        "interrupted": False,
    }
    return {**whole, **changes}


def summary_of(told=None, figures=FIGURES):
    recording = Recording(PATH, told or document(), ("current_a", "voltage_v"), figures.samples)
    return Summary(recording, figures, (), OVERVIEW).amended_by(Amendments())


GOOD = summary_of()
TROUBLED = summary_of(
    document(
        replace(CARD, max_current_a=20.0, max_temperature_degc=25.0),
        lost_samples=1234,
        gaps=[{"start_s": 21.0, "end_s": 23.5, "why": "the logger no longer had them"}] * 2,
        interrupted=True,
        ended="recovered after the program had gone away",
    ),
    replace(
        FIGURES,
        cut_records=(CUTS[0], cut(2, has_gap=True, peak_sag=None, steady_sag=None, rest_voltage_v=None)),
        latest_cut=cut(3),
        cuts=3,
    ),
)


@dataclass
class FakeBench:
    """Reads `summary`; keeps what it is asked to, unless `fails`. `may_read` holds the reading back."""

    summary: Summary = GOOD
    kept: list = field(default_factory=list)
    fails: bool = False
    unreadable: bool = False
    progress_rows: tuple = ()
    studied: tuple = (None, None)
    may_read: threading.Event = field(default_factory=threading.Event)
    may_study: threading.Event = field(default_factory=threading.Event)
    left_meanwhile: threading.Event = field(default_factory=threading.Event)

    folder = PATH.parent

    def read(self, recording, progress):
        try:
            for rows in self.progress_rows:
                progress(rows)
            assert self.may_read.wait(timeout=30)
            progress(39_500)
        except Exception:
            self.left_meanwhile.set()
            raise
        if self.unreadable:
            raise RecordingDamaged("is not a Parquet file", str(recording), "Give a recording.")
        return self.summary

    def resistance(self, recording):
        return self._studied(self.studied[0], recording)

    def work(self, recording):
        return self._studied(self.studied[1], recording)

    def _studied(self, result, recording):
        assert self.may_study.wait(timeout=30)
        if result is None:
            raise RecordingDamaged("is not a Parquet file", str(recording), "Give a recording.")
        return result

    def amend(self, recording, amendments):
        assert recording == PATH
        if self.fails:
            raise RecordingDamaged("cannot be written (no space)", "a.amendments.json", "Make room.")
        self.kept.append(amendments)

    @property
    def together(self):
        whole = Amendments()
        for one in self.kept:
            whole = whole.plus(one)
        return whole
