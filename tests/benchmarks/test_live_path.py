"""What the live path costs, as ratios in one run: python -m pytest tests/benchmarks --benchmark-only.

Never judged by time: a ratio is printed for the reader, the assertions are about work done.
"""

import time
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from logger_streams import end

from capture.folds.run import RunFolds
from capture.model.pack import PACKS
from capture.model.rig import VirtualRig
from capture.opening import Opening
from capture.path import LoggerDescription
from capture.run import Run
from capture.storage.parquet_file import RecordingFile
from firmware_protocol.host_link import Described, HostLink, MessageReader

ROWS = 200_000


@dataclass(frozen=True)
class Stream:
    logger: LoggerDescription
    wire: bytes


@pytest.fixture(scope="module")
def stream():
    rig, host, now = VirtualRig(PACKS["heron"], 1), HostLink(), 0.0
    host.open(now)
    described = None
    while described is None:
        rig.receive(host.outgoing())
        events = host.receive(rig.outgoing(1 << 20), now)
        described = next((event for event in events if isinstance(event, Described)), None)
        now += 0.01
    host.start(now)
    rig.receive(host.outgoing())
    wire = bytearray()
    while now < ROWS * 0.002 + 0.1:
        now += 1.0
        rig.advance_to(now)
        wire += rig.outgoing(1 << 22)
    return Stream(LoggerDescription(described.identity, described.channels, "sim:bench"), bytes(wire))


def live_path(stream, path, chunk=4096):
    run, reader, folds = Run(Opening(0, stream.logger)), MessageReader(), RunFolds()
    file = RecordingFile(path, run.path.decoder.columns)
    for at in range(0, len(stream.wire), chunk):
        blocks = run.receive(reader.receive(stream.wire[at : at + chunk])).ordered
        folds.feed(blocks)
        for block in blocks:
            file.append(block)
    end(run)
    file.seal(run.document())
    return folds.figures().samples


def bare_write(columns, path):
    table = pa.table(columns)
    pq.write_table(table, path, compression="zstd", row_group_size=65_536)


def test_live_path_against_a_bare_write(benchmark, stream, tmp_path):
    """Bytes to frames, blocks, folds and a verified file, against pyarrow writing finished columns."""
    samples = benchmark(lambda: live_path(stream, tmp_path / "path.parquet"))
    with pq.ParquetFile(tmp_path / "path.parquet") as file:
        columns = {name: file.read().column(name) for name in file.schema_arrow.names}
    started = time.perf_counter()
    bare_write(columns, tmp_path / "bare.parquet")
    bare_s = time.perf_counter() - started
    benchmark.extra_info["samples"] = samples
    benchmark.extra_info["ratio to a bare write"] = benchmark.stats.stats.median / bare_s
    benchmark.extra_info["real time at 500 Hz"] = samples / 500 / benchmark.stats.stats.median
    assert samples > ROWS


def test_folds_against_plain_numpy(benchmark, stream):
    """All folds on the grid, against one numpy trapezoid over the whole."""
    run = Run(Opening(0, stream.logger))
    blocks = run.receive(MessageReader().receive(stream.wire)).ordered

    def fold():
        folds = RunFolds()
        folds.feed(blocks)
        return folds.figures()

    figures = benchmark(fold)
    started = time.perf_counter()
    power = np.concatenate([block.columns["current_a"] * block.columns["voltage_v"] for block in blocks])
    plain = np.trapezoid(power.astype(float), np.concatenate([block.ticks_us for block in blocks]) * 1e-6)
    plain_s = time.perf_counter() - started
    benchmark.extra_info["ratio to one trapezoid"] = benchmark.stats.stats.median / plain_s
    assert figures.energy.value == pytest.approx(plain / 3600, rel=1e-5)
