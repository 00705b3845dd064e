"""Hand-made blocks and runs for tests of the folds."""

from dataclasses import replace
from itertools import pairwise

import numpy as np

from capture.blocks import Quality, SampleBlock
from capture.folds.run import RunFolds

MILLISECOND = 1000


def block_of(current=None, voltage=None, *, first_index=0, interval_us=MILLISECOND, segment=0, **columns):
    """Return a block whose ticks are index times interval; columns that are None are left out."""
    named = {"current_a": current, "voltage_v": voltage, **columns}
    arrays = {name: np.asarray(column, np.float32) for name, column in named.items() if column is not None}
    count = len(next(iter(arrays.values())))
    ticks = (first_index + np.arange(count, dtype=np.int64)) * interval_us
    return SampleBlock(segment, first_index, ticks, arrays, np.zeros(count, np.uint32))


def marked(block, *bits, row=0):
    """Return the block with quality bits set in one row."""
    quality = block.quality.copy()
    for bit in bits:
        quality[row] |= np.uint32(bit)
    return replace(block, quality=quality)


def after_gap(block):
    return marked(block, Quality.AFTER_GAP)


def divided(readings, divisor, first_index=0):
    """Return the readings with NaN where a channel of this divisor is not due."""
    due = (first_index + np.arange(len(readings))) % divisor == 0
    return np.where(due, readings, np.nan)


def fed(*blocks, **settings):
    folds = RunFolds(**settings)
    folds.feed(blocks)
    return folds.figures()


def pieces_of(block, random, cuts=20):
    """Return the block cut at random rows."""
    edges = np.unique([0, len(block), *random.integers(0, len(block), cuts)]).tolist()
    return [block.part(start, stop) for start, stop in pairwise(edges)]
