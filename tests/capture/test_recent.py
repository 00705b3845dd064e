"""The figures of the moment: means where readings are frequent, the latest one where they are not."""

import numpy as np
import pytest

from capture.blocks import SampleBlock
from capture.engine.recent import Recent


def block(first, columns):
    count = len(next(iter(columns.values())))
    index = np.arange(first, first + count)
    return SampleBlock(0, first, index * 2000, columns, np.zeros(count, dtype=np.uint32))


@pytest.fixture
def recent():
    return Recent({"current_a": 2000, "pack_temperature_degc": 500_000})


def rows(first, count):
    index = np.arange(first, first + count)
    warmth = np.where(index % 250 == 0, 20.0 + index / 250, np.nan).astype(np.float32)
    return block(first, {"current_a": index.astype(np.float32), "pack_temperature_degc": warmth})


def test_a_frequent_channel_is_averaged(recent):
    """The mean of the latest fifth of a second."""
    recent.feed(rows(0, 500), 1.0)
    assert recent.means()["current_a"] == pytest.approx(np.arange(399, 500).mean(), abs=0.51)


def test_a_slow_channel_keeps_its_latest_reading_until_the_next_is_overdue(recent):
    """A temperature each half second is shown in between, and no longer than twice as long."""
    recent.feed(rows(0, 300), 1.0)
    assert recent.means()["pack_temperature_degc"] == 21.0
    recent.feed(rows(300, 150), 1.3)
    assert recent.means()["pack_temperature_degc"] == 21.0
    silent = block(
        450,
        {"current_a": np.zeros(400, np.float32), "pack_temperature_degc": np.full(400, np.nan, np.float32)},
    )
    recent.feed(silent, 2.0)
    assert recent.means()["pack_temperature_degc"] is None


def test_what_comes_late_changes_no_figure_of_the_moment(recent):
    """Samples that were asked for again are old: they count as having come, and no more."""
    recent.feed(rows(250, 250), 1.0)
    before = recent.means()
    recent.feed(rows(0, 250), 1.1)
    assert recent.means() == before
    assert recent.last_arrival == 1.1


def test_the_rate_is_that_of_the_logger(recent):
    """25 samples each 50 ms are 500 a second, not a message more; after two seconds of silence it is 0."""
    for number in range(60):
        recent.feed(rows(25 * number, 25), 10.0 + 0.05 * number)
    assert recent.rate_hz(13.0) == pytest.approx(500.0)
    assert recent.rate_hz(20.0) == 0.0
