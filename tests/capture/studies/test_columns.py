"""A run as arrays: times, readings, breaks."""

import numpy as np

from capture.blocks import Quality, SampleBlock
from capture.studies.columns import RunColumns, Span


def block(first_index, ticks, currents, quality=0):
    bits = np.zeros(len(ticks), np.uint32)
    bits[0] = quality
    readings = {"current_a": np.array(currents, np.float32)}
    return SampleBlock(0, first_index, np.array(ticks, np.int64), readings, bits)


def test_blocks_become_one_run_with_its_breaks():
    blocks = [
        block(0, [5000, 7000], [1.0, np.nan], Quality.AFTER_GAP),
        block(9, [23000, 25000], [2.0, 3.0], Quality.AFTER_GAP),
    ]
    run = RunColumns.of(blocks, interval_s=0.002, divisors={"current_a": 1})
    assert run.t_s.tolist() == [0.0, 0.002, 0.018, 0.020]
    assert run.breaks.tolist() == [2]
    times, values = run.known("current_a")
    assert times.tolist() == [0.0, 0.018, 0.020]
    assert values.tolist() == [1.0, 2.0, 3.0]
    assert run.rows(Span(0.002, 0.018)) == slice(1, 3)
    assert run.rows(Span(0.003, 0.019)) == slice(2, 3)


def test_a_run_without_samples():
    run = RunColumns.of([], interval_s=0.002, divisors={})
    assert len(run) == 0
    assert not run.has("current_a")
