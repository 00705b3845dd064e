"""Streams of the virtual rig and of hand-made loggers, as bytes and messages, for tests of the path."""

from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np

from capture.events import Ended
from capture.model.pack import PACKS
from capture.model.rig import VirtualRig
from capture.model.sensors import SENSORS
from capture.path import LoggerDescription
from firmware_protocol.codec import encode
from firmware_protocol.framing import encode_frame
from firmware_protocol.host_link import Described, HostLink, MessageReader, Stopped
from firmware_protocol.messages import Channel, Identity, Reply, Samples
from firmware_protocol.wire import PROTOCOL_VERSION, MessageType, Statistic, Status, WireType


@dataclass(frozen=True)
class Stream:
    """A logger's words from its answer to start to its answer to stop, as frames on the wire."""

    logger: LoggerDescription
    frames: tuple[bytes, ...]
    rig: VirtualRig

    @property
    def wire(self):
        return b"".join(self.frames)


def stream_of(pack="heron", seed=1, seconds=8.0):
    rig, host, now, events = VirtualRig(PACKS[pack], seed, boot_id=0xB001), HostLink(), 0.0, []
    described, wire = None, bytearray()
    host.open(now)
    while not any(isinstance(event, Stopped) for event in events):
        rig.receive(host.outgoing())
        now += 0.05
        rig.advance_to(now)
        received = rig.outgoing(1 << 20)
        if described is not None:
            wire += received
        events = host.receive(received, now)
        for event in events:
            if isinstance(event, Described):
                described = event
                host.start(now)
        if host.state.name == "STREAMING" and now >= seconds:
            host.stop(now)
    frames = tuple(part + b"\0" for part in bytes(wire).split(b"\0")[:-1])
    assert any(isinstance(message, Reply) for message in MessageReader().receive(frames[0])), (
        "begins with start"
    )
    return Stream(LoggerDescription(described.identity, described.channels, "sim:test"), frames, rig)


def end(run, how="test", *, interrupted=False):
    """End `run`; return the blocks that had waited behind gaps."""
    return run.apply(Ended(run.moment(0), how, interrupted))


def columns_of(blocks):
    """Return all rows of some blocks as one dictionary of arrays, indices included."""
    names = blocks[0].columns
    return {
        "index": np.concatenate([np.arange(block.first_index, block.end_index) for block in blocks]),
        "tick_us": np.concatenate([block.ticks_us for block in blocks]),
        "quality": np.concatenate([block.quality for block in blocks]),
        **{name: np.concatenate([block.columns[name] for block in blocks]) for name in names},
    }


def assert_same_rows(left, right):
    assert left.keys() == right.keys()
    for name in left:
        np.testing.assert_array_equal(left[name], right[name], err_msg=name)
        assert left[name].dtype == right[name].dtype


def channel(number=0, quantity="current", unit="A", wire_type=WireType.I16, scale="0.01", **changes):
    plain = Channel(
        command_id=0,
        channel=number,
        quantity=quantity,
        unit=unit,
        wire_type=wire_type,
        divisor=1,
        scale=Decimal(scale),
        offset=Decimal(0),
        range_low=Decimal(-100000),
        range_high=Decimal(100000),
        statistic=Statistic.INSTANTANEOUS,
        window_us=0,
        bandwidth_hz=Decimal(0),
        delay_us=0,
        sensed_at="pack",
    )
    return replace(plain, **changes)


def logger_with(channels, interval_ns=1_000_000, boot_id=7, ring_samples=0):
    identity = Identity(
        PROTOCOL_VERSION, 0, boot_id, interval_ns, ring_samples, len(channels), "hand-made", "1"
    )
    return LoggerDescription(identity, tuple(channels), "sim:hand")


ELECTRICAL_CHANNELS = tuple(sensor.channel for sensor in SENSORS[:2])


def samples(first_index, count, *, interval_us=1000, boot_tag=7, tick_us=None, row=b"\x01\x00"):
    tick = first_index * interval_us if tick_us is None else tick_us
    return Samples(boot_tag, first_index % 2**32, tick % 2**32, count, row * count)


def start_reply(index):
    return Reply(1, MessageType.START, Status.DONE, index % 2**32)


def stop_reply(index):
    return Reply(2, MessageType.STOP, Status.DONE, index % 2**32)


def resend_reply(index):
    return Reply(3, MessageType.RESEND, Status.DONE, index % 2**32)


def wire_of(*messages):
    return b"".join(encode_frame(encode(message)) for message in messages)
