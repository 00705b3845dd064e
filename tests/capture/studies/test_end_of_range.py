"""Readings at the end of a channel's range: found where they are, and nowhere else."""

from dataclasses import replace

import numpy as np
import pytest
from circuit_runs import EXACT_GAINS
from random_packs import random_run

from capture.blocks import SampleBlock
from capture.run_card import RunCard
from capture.studies.circuit import fit_circuit
from capture.studies.columns import RunColumns
from capture.studies.end_of_range import within_range

TIMES = np.arange(5000) * 0.002
LOAD = np.where(TIMES % 2 > 1, 20.0, 0.0)


def run_of(current, voltage, **more):
    named = {"current_a": np.asarray(current, float), "voltage_v": np.asarray(voltage, float)}
    return RunColumns(TIMES, named, np.empty(0, np.int64), 0.002, dict.fromkeys(named, 1), **more)


def noisy(values, sd, count, seed=0):
    return np.round((values + np.random.default_rng(seed).normal(0, sd, len(values))) / count) * count


def test_a_load_that_holds_still_is_no_end_of_a_range():
    """Without noise, with it, and read so coarsely that neighbours are often alike."""
    for sd, count in ((0.0, 0.005), (0.1, 0.005), (0.02, 0.1)):
        run = run_of(noisy(LOAD, sd, count), noisy(40 - 0.05 * LOAD, sd / 50, count / 4))
        ranged = within_range(run)
        assert not ranged.left_out.any()
        assert ranged.in_words() is None
        assert ranged.run is run


def test_a_current_that_repeats_its_topmost_value_stands_at_an_end():
    current = noisy(LOAD + 15 * np.exp(-(TIMES % 1) / 0.05) * (LOAD > 0), 0.1, 0.005)
    clipped = np.minimum(current, 27.5)
    ranged = within_range(run_of(clipped, 40 - 0.05 * current))
    assert np.array_equal(ranged.left_out, clipped == 27.5)
    assert np.isnan(ranged.run.columns["voltage_v"][ranged.left_out]).all()
    mended = ranged.run.columns["current_a"]
    assert mended[ranged.left_out] == pytest.approx(current[ranged.left_out], abs=0.5)
    assert np.array_equal(mended[~ranged.left_out], clipped[~ranged.left_out])
    assert "current_a" in ranged.in_words()


def test_a_voltage_at_the_lower_end_and_a_long_clipping():
    """A voltage below its range tells nothing; a current that clips for a second is a hole."""
    current, voltage = noisy(LOAD, 0.1, 0.005), noisy(40 - 0.05 * LOAD, 0.003, 0.001)
    ranged = within_range(run_of(current, np.maximum(voltage, 39.003)))
    assert ranged.counts["voltage_v"] > 100
    assert ranged.counts["current_a"] == 0
    ranged = within_range(run_of(np.minimum(current, 19.0), voltage))
    assert np.isnan(ranged.run.columns["current_a"][ranged.left_out]).mean() > 0.5


def test_what_the_recording_says_is_taken_and_nothing_read_into_an_idle_current():
    """A channel that begins at 0 A stands at that end at rest, which is what flows."""
    said = {"current_a": LOAD == 0, "voltage_v": np.zeros(len(TIMES), dtype=bool)}
    assert not within_range(run_of(LOAD, 40 - 0.05 * LOAD, clipped=said)).left_out.any()
    said["voltage_v"] = (TIMES > 1.0) & (TIMES < 1.1)
    ranged = within_range(run_of(LOAD, 40 - 0.05 * LOAD, clipped=said))
    assert np.array_equal(ranged.left_out, said["voltage_v"])
    assert ranged.touches(0.9, 1.05)
    assert not ranged.touches(1.2, 3.0)


def test_ranges_of_a_document_are_laid_over_its_blocks():
    def block(segment, first_index, rows, start_us):
        ticks = start_us + np.arange(rows) * 2000
        columns = {"current_a": np.zeros(rows), "voltage_v": np.zeros(rows)}
        return SampleBlock(segment, first_index, ticks, columns, np.zeros(rows, np.uint32))

    blocks = [block(0, 100, 10, 0), block(0, 115, 5, 30_000), block(1, 0, 10, 60_000)]
    said = {"current_a": [[0, 108, 117], [1, 2, 4], [1, 9, 30]]}
    run = RunColumns.of(blocks, interval_s=0.002, divisors={}, clipped=said)
    assert np.flatnonzero(run.clipped["current_a"]).tolist() == [8, 9, 10, 11, 17, 18, 24]
    assert not run.clipped["voltage_v"].any()
    assert RunColumns.of(blocks, interval_s=0.002, divisors={}).clipped == {}


def test_the_circuit_of_a_run_that_clips():
    """Of which curves are learnt too: R0 is that of the same run that does not clip."""
    whole = random_run(6, duty="cuts").columns
    clipped = random_run(6, duty="cuts", clip=True).columns
    r0 = [fit_circuit(run, (), RunCard(), EXACT_GAINS).r0.value for run in (whole, clipped)]
    assert r0[1] == pytest.approx(r0[0], rel=0.01)
    blind = replace(clipped, clipped=dict.fromkeys(clipped.columns, np.zeros(len(clipped), dtype=bool)))
    assert fit_circuit(blind, (), RunCard(), EXACT_GAINS).r0.value != pytest.approx(r0[0], rel=0.05)
