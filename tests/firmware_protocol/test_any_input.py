"""Neither end raises or hangs, whatever comes in whatever order (SPEC 5)."""

from __future__ import annotations

import json
from dataclasses import replace
from importlib.resources import files

from hypothesis import given
from hypothesis import strategies as st

from firmware_protocol.codec import encode
from firmware_protocol.errors import RemoteProtocolError
from firmware_protocol.framing import encode_frame
from firmware_protocol.host_link import Failed, HostLink
from firmware_protocol.messages import Reply, Samples
from firmware_protocol.states import HostState
from firmware_protocol.wire import Status

VECTORS = json.loads((files("firmware_protocol") / "vectors" / "messages.json").read_text(encoding="utf-8"))
KINDS = ("messages", "extended", "foreign", "refused", "malformed")
SOUND_FRAMES = [
    encode_frame(bytes.fromhex(vector["payload"]))
    for kind in KINDS
    for vector in VECTORS[kind]
    if vector["payload"]
]
AT_REST = {HostState.CLOSED, HostState.READY, HostState.FAILED}

statuses = st.sampled_from([*[Status.DONE] * 9, *Status])
arrivals = st.one_of(
    st.tuples(st.just("identity")),
    st.tuples(st.just("channel"), st.integers(0, 2)),
    st.tuples(st.just("reply"), st.integers(1, 5), statuses),
    st.tuples(st.just("samples")),
    st.tuples(st.just("bytes"), st.binary(max_size=20) | st.sampled_from(SOUND_FRAMES)),
)
steps = st.lists(
    st.tuples(st.just("receive"), arrivals, st.sampled_from([0, 0, 0, -1, 1]))
    | st.tuples(st.sampled_from(["expire", "start", "stop", "resend"])),
    max_size=30,
)


def wire_of(arrival, bench, command_id):
    """Return the bytes of an arrival that answers `command_id`."""
    match arrival:
        case ("identity",):
            return encode_frame(encode(replace(bench.identity, command_id=command_id)))
        case ("channel", number):
            return encode_frame(encode(replace(bench.channels[number], command_id=command_id)))
        case ("reply", command, status):
            return encode_frame(encode(Reply(command_id, command, status, 0)))
        case ("samples",):
            return encode_frame(encode(Samples(0x42, 0, 0, 1, bench.rows(0, 1))))
        case ("bytes", chunk):
            return chunk
    raise AssertionError(arrival)


def take(step, host, bench, now):
    """Let the host take one step, if its state allows it; return the events."""
    match step:
        case ("receive", arrival, off_by):
            waiting_id = (host._next_command_id - 2) % 255 + 1
            return host.receive(wire_of(arrival, bench, (waiting_id + off_by) % 256), now)
        case ("expire",):
            return host.expire(now)
        case ("start",) if host.state is HostState.READY:
            host.start(now)
        case ("stop",) if host.state is HostState.STREAMING:
            host.stop(now)
        case ("resend",) if host.can_ask:
            host.resend(0, 1, now)
    return []


@given(steps, st.booleans())
def test_the_host_never_raises_and_never_waits_without_a_deadline(make_bench, sequence, resumes):
    """After any step the host is at rest or knows by when it acts; a failure is a RemoteProtocolError."""
    bench, host = make_bench(), HostLink()
    host.open(0.0, bench.identity if resumes else None, bench.channels)
    for number, step in enumerate(sequence):
        events = take(step, host, bench, 0.3 * number)
        for event in events:
            assert not isinstance(event, Failed) or isinstance(event.error, RemoteProtocolError)
        at_rest = host.can_ask if host.state is HostState.STREAMING else host.state in AT_REST
        assert (host.next_deadline() is None) == at_rest, (step, host.state)
        assert len(host.pending) <= 241
        assert len(host.outgoing()) <= 12 * 2


@given(st.lists(st.binary(max_size=40) | st.sampled_from(SOUND_FRAMES), max_size=30), st.integers(1, 300))
def test_the_logger_never_raises(make_bench, chunks, limit):
    """Whatever a logger receives, it does not raise, and what it holds for the wire is bounded."""
    bench = make_bench(ring_samples=10)
    for chunk in chunks:
        bench.logger.receive(chunk)
        bench.sample(1)
        assert len(bench.logger.outgoing(limit)) <= limit
    assert len(bench.logger.outgoing(1 << 30)) <= (10 + 16 + 1) * 242
