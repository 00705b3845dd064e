"""The serial link on real pseudo-terminals, and what it says when a port is not what it should be."""

import os
import pty
import time
import tty

import pyarrow.parquet as pq
import pytest
import serial
from waiting import wait_for

from capture.engine.live_run import Settings
from capture.engine.session import Session
from capture.engine.snapshot import LinkState, RecordingState
from capture.errors import AccessDenied, DeviceNotFound, InputError, LinkLost, NotALogger, PortBusy
from capture.links.address import open_address, parse_address
from capture.links.pseudo_terminal import PseudoTerminalLogger
from capture.links.virtual import VirtualLink
from capture.model.pack import PACKS
from capture.model.rig import VirtualRig
from capture.run_card import RunCard
from capture.storage.recording import open_recording
from firmware_protocol.framing import encode_frame


@pytest.fixture
def terminal():
    device, host = pty.openpty()
    tty.setraw(host)
    os.set_blocking(device, False)
    yield device, os.ttyname(host)
    os.close(device)
    os.close(host)


def test_bytes_go_both_ways(terminal):
    """What is written arrives; what is sent is read, in order and whole."""
    device, path = terminal
    link = open_address(f"serial:{path}")
    link.open()
    link.write(b"hello")
    assert os.read(device, 100) == b"hello"
    content = bytes(range(256)) * 8
    os.write(device, content)
    received = b""
    while len(received) < len(content):
        received += link.read()
    link.close()
    assert received == content


def test_silence_returns_in_time(terminal):
    """Reading a silent port comes back empty, well within a second."""
    link = open_address(f"serial:{terminal[1]}")
    link.open()
    started = time.monotonic()
    assert link.read() == b""
    assert time.monotonic() - started < 1.0
    link.close()
    link.close()


def recorded(link, folder):
    session = Session(link, Settings(folder, RunCard(), record_at_once=True, seconds=8.0))
    session.open()
    snapshot = wait_for(session, lambda snapshot: snapshot.recording.state is RecordingState.SAVED)
    session.close()
    return snapshot


def test_a_virtual_logger_on_a_pseudo_terminal(tmp_path):
    """Through pyserial and a kernel buffer the run is the same as in memory, to the bit; nothing is lost."""
    with PseudoTerminalLogger(VirtualRig(PACKS["heron"], 1), speed=5.0) as logger:
        snapshot = recorded(open_address(f"serial:{logger.path}"), tmp_path / "port")
    in_memory = recorded(VirtualLink("sim:x", VirtualRig(PACKS["heron"], 1), 50.0), tmp_path / "memory")
    assert pq.read_table(snapshot.recording.path).equals(pq.read_table(in_memory.recording.path))
    assert (snapshot.recording.samples, snapshot.link.lost_samples, snapshot.link.rejected_frames) == (
        4000,
        0,
        0,
    )


def test_a_pulled_cable(tmp_path):
    """Unplugging in mid-run: the link is lost in words, the run so far is a whole recording."""
    logger = PseudoTerminalLogger(VirtualRig(PACKS["heron"], 1), speed=5.0)
    with logger:
        session = Session(
            open_address(f"serial:{logger.path}"), Settings(tmp_path, RunCard(), record_at_once=True)
        )
        session.open()
        wait_for(session, lambda snapshot: snapshot.recording.samples > 1000)
        logger.unplug()
        snapshot = wait_for(session, lambda snapshot: snapshot.link.state is LinkState.LOST)
        session.close()
    assert isinstance(session.failure, LinkLost)
    assert logger.path in str(session.failure)
    recording = open_recording(session.snapshot().recording.path)
    assert recording.rows == session.snapshot().recording.samples > 1000
    assert recording.document["interrupted"]
    assert snapshot.link.message == str(session.failure)


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (None, "nothing answers"),
        (b"current 3.2 A\r\n" * 20, "none of them is a frame"),
        (encode_frame(b"\x81\x07\x01" + bytes(20)), "speaks protocol version 7"),
    ],
    ids=["silent", "another protocol", "another version"],
)
def test_what_is_no_logger_is_told(terminal, tmp_path, monkeypatch, answer, words):
    """Silence, garbage and another version are three different lines, each with what to do."""
    monkeypatch.setattr("firmware_protocol.host_link.IDENTIFY_ATTEMPTS", 3)
    device, path = terminal
    session = Session(open_address(f"serial:{path}"), Settings(tmp_path, RunCard(), record_at_once=True))
    session.open()
    if answer:
        time.sleep(0.2)
        os.write(device, answer)
    snapshot = wait_for(session, lambda snapshot: snapshot.link.state is LinkState.FAILED)
    session.close()
    assert isinstance(session.failure, NotALogger)
    assert words in snapshot.link.message
    assert "\n" not in snapshot.link.message
    assert list(tmp_path.iterdir()) == []


def test_ports_that_cannot_be_opened(terminal, tmp_path, monkeypatch):
    """Missing, no port at all, busy and forbidden are told apart."""
    with pytest.raises(DeviceNotFound, match="no such port"):
        open_address("serial:/dev/ttyNONE9").open()
    plain = tmp_path / "file"
    plain.touch()
    with pytest.raises(NotALogger, match="not a serial port"):
        open_address(f"serial:{plain}").open()
    held = open_address(f"serial:{terminal[1]}")
    held.open()
    with pytest.raises(PortBusy, match="another program holds"):
        open_address(f"serial:{terminal[1]}").open()
    held.close()

    def forbidden(*_arguments, **_options):
        raise serial.SerialException(13, "could not open port: Permission denied")

    monkeypatch.setattr(serial, "Serial", forbidden)
    with pytest.raises(AccessDenied, match="dialout"):
        open_address(f"serial:{terminal[1]}").open()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("/dev/ttyACM0", "Did you mean serial:/dev/ttyACM0"),
        ("nonsense", "is not an address"),
        ("tcp:host", "'tcp' is not a kind of link"),
        ("serial:/dev/ttyACM0?baud=fast", "baud=fast is not a whole number"),
        ("sim:drill", "no virtual rig 'drill'"),
        ("sim:polesaw?pack=crow", "unknown pack 'crow'"),
        ("sim:polesaw?sped=3", "unknown option 'sped'"),
    ],
)
def test_addresses_that_name_nothing(text, words):
    """A mistyped address is told with what one looks like."""
    with pytest.raises(InputError, match=r"address|link|Options|sim:polesaw|whole number") as told:
        open_address(text)
    assert words in str(told.value)


def test_an_address_in_parts():
    """Scheme, place and options come apart."""
    address = parse_address("serial:/dev/ttyUSB0?baud=500000")
    assert (address.scheme, address.place, address.whole_number("baud", 1)) == (
        "serial",
        "/dev/ttyUSB0",
        500_000,
    )
