"""From messages to ordered blocks, whatever the line does to them."""

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from logger_streams import (
    assert_same_rows,
    channel,
    columns_of,
    logger_with,
    samples,
    start_reply,
    stop_reply,
    stream_of,
)

from capture.blocks import Quality
from capture.order import Position
from capture.path import SamplePath
from capture.run import Opening, Run
from firmware_protocol.host_link import MessageReader
from firmware_protocol.messages import Samples


@pytest.fixture
def path():
    return SamplePath(logger_with([channel()]))


def indices(blocks):
    return [index for block in blocks for index in range(block.first_index, block.end_index)]


@settings(deadline=None, max_examples=25)
@given(seed=st.integers(0, 2**32))
def test_any_chunking_gives_the_same_rows(stream, whole_rows, seed):
    """The stream may be cut anywhere: columns, indices and quality do not change."""
    cut = random.Random(seed)  # noqa: S311  not for secrets
    run, reader, blocks, at = Run(Opening(0, stream.logger)), MessageReader(), [], 0
    while at < len(stream.wire):
        size = cut.choice([1, 7, 100, 3000])
        blocks += run.receive(reader.receive(stream.wire[at : at + size]))
        at += size
    assert_same_rows(columns_of(blocks), whole_rows)


@settings(deadline=None, max_examples=40)
@given(lost=st.sets(st.integers(1, 100)))
def test_any_loss_is_counted_exactly(stream, whole_rows, lost):
    """Frames lost anywhere, first and last too: the rest is untouched, the gaps are told to the row."""
    total = len(whole_rows["index"])
    kept_frames = [frame for number, frame in enumerate(stream.frames) if number not in lost]
    gone = {
        index
        for number, frame in enumerate(stream.frames)
        if number in lost
        for message in MessageReader().receive(frame)
        if isinstance(message, Samples)
        for index in range(message.first_index, message.first_index + message.count)
    }
    run = Run(Opening(0, stream.logger))
    blocks = run.receive(MessageReader().receive(b"".join(kept_frames)))
    rows = columns_of(blocks)
    kept = ~np.isin(whole_rows["index"], list(gone))
    for name in ("index", "tick_us", "current_a", "voltage_v"):
        np.testing.assert_array_equal(rows[name], whole_rows[name][kept])
    assert run.path.account.lost == len(gone) == total - len(rows["index"])
    told = {index for gap in run.path.account.gaps for index in range(gap.first_index, gap.end_index)}
    assert told == gone
    after_gap = rows["index"][rows["quality"] & Quality.AFTER_GAP != 0]
    assert set(after_gap.tolist()) == {gap.end_index for gap in run.path.account.gaps} & set(
        rows["index"].tolist()
    )


@settings(deadline=None, max_examples=30)
@given(seed=st.integers(0, 2**32))
def test_corrupted_bytes_cost_samples_and_nothing_else(stream, whole_rows, seed):
    """With bytes flipped at random every row that comes out is true, once, and all are accounted for."""
    noise = random.Random(seed)  # noqa: S311
    ends = {0, len(stream.frames) - 1}  # the answers to start and stop stay whole, so that the total is known
    frames = [
        frame
        if number in ends
        else bytes(b ^ (noise.random() < 5e-4 and noise.randrange(1, 256)) for b in frame)
        for number, frame in enumerate(stream.frames)
    ]
    run = Run(Opening(0, stream.logger))
    rows = columns_of(run.receive(MessageReader().receive(b"".join(frames))))
    place = np.searchsorted(whole_rows["index"], rows["index"])
    for name in ("index", "tick_us", "current_a", "voltage_v"):
        np.testing.assert_array_equal(rows[name], whole_rows[name][place])
    assert len(np.unique(rows["index"])) == len(rows["index"])
    assert len(rows["index"]) + run.path.account.lost == len(whole_rows["index"])


def test_repeated_and_late_frames_count_once(path):
    """What was seen before is dropped and counted."""
    blocks = path.receive([samples(0, 5), samples(5, 5), samples(0, 5), samples(5, 5), samples(10, 5)])
    assert indices(blocks) == list(range(15))
    assert (path.account.repeated_frames, path.account.lost) == (2, 0)


def test_counters_wrap(path):
    """Index and tick go on past 2**32."""
    first = 2**32 - 7
    path = SamplePath(logger_with([channel()]), start=Position(7, first, 2**32 - 3000))
    frames = [samples(first + at, 5, tick_us=2**32 - 3000 + at * 1000) for at in (0, 5, 10)]
    blocks = path.receive(frames)
    assert indices(blocks) == list(range(first, first + 15))
    assert np.concatenate([block.ticks_us for block in blocks]).tolist() == [
        2**32 - 3000 + step * 1000 for step in range(15)
    ]


@pytest.mark.parametrize(
    "frame",
    [
        samples(5, 5, boot_tag=8),
        samples(5, 5, tick_us=5_000_000),
        samples(5, 5, row=b"\x01\x00\x00"),
        samples(10**9, 5, tick_us=5000),
    ],
    ids=["another boot", "a tick far off its index", "rows of another length", "an index far off its tick"],
)
def test_frames_that_cannot_be_true_are_rejected(path, frame):
    """A frame with a good checksum still has to fit the stream."""
    blocks = path.receive([samples(0, 5), frame, samples(5, 5)])
    assert indices(blocks) == list(range(10))
    assert path.account.rejected_frames == 1


def test_the_limit_ends_the_run_in_mid_frame():
    """A run of 12 samples has 12 rows, however the frames lie."""
    path = SamplePath(logger_with([channel()]), sample_limit=12)
    blocks = path.receive([start_reply(3), *(samples(3 + 5 * step, 5) for step in range(4)), stop_reply(23)])
    assert indices(blocks) == list(range(3, 15))
    assert (path.complete, path.account.lost) == (True, 0)


def test_losses_count_towards_the_limit():
    """A limit is a time: what was lost in it is lost, not made up for later."""
    path = SamplePath(logger_with([channel()]), sample_limit=12)
    blocks = path.receive([start_reply(0), samples(5, 5), samples(20, 5), stop_reply(25)])
    assert indices(blocks) == list(range(5, 10))
    assert (path.complete, path.account.lost) == (True, 7)


def test_a_pause_is_no_loss(path):
    """Between a stop and the next start nothing was to come; the first row after it says so."""
    blocks = path.receive(
        [
            start_reply(0),
            samples(0, 5),
            stop_reply(5),
            start_reply(500),
            samples(500, 5),
            stop_reply(505),
        ]
    )
    assert indices(blocks) == [*range(5), *range(500, 505)]
    assert path.account.lost == 0
    assert blocks[1].quality[0] == Quality.AFTER_PAUSE


def test_a_repeated_start_changes_nothing(path):
    """The host repeats a start whose answer was lost; the second answer names the same first sample."""
    blocks = path.receive([start_reply(0), samples(0, 5), start_reply(0), samples(5, 5)])
    assert indices(blocks) == list(range(10))
    assert path.account.lost == 0


def test_samples_carry_what_the_sensors_said():
    """Byte-exact path: the columns are the model's counts times scale, rounded to float32."""
    from capture.model.pack import PACKS
    from capture.model.rig import VirtualRig
    from capture.model.sensors import SENSORS
    from capture.quantities import column_name

    stream = stream_of("wren", seed=3, seconds=2.0)
    rows = columns_of(Run(Opening(0, stream.logger)).receive(MessageReader().receive(stream.wire)))
    twin = VirtualRig(PACKS["wren"], 3)
    end = int(rows["index"][-1]) + 1
    counts = np.concatenate([lived.counts for lived in twin.lived(0, end)], axis=1)
    for sensor, said in zip(SENSORS, counts, strict=True):
        channel = sensor.channel
        expected = (said[rows["index"]] * float(channel.scale) + float(channel.offset)).astype(np.float32)
        expected[rows["index"] % channel.divisor != 0] = np.nan
        np.testing.assert_array_equal(rows[column_name(channel.quantity, channel.unit)], expected)
