"""Finding loggers: on pseudo-terminals, in what the system lists, and among things that are no loggers."""

import os
import pty
import threading
import time
import tty
from contextlib import contextmanager, suppress

import pytest
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from capture.links import asking, finding
from capture.links.address import open_address, parse_address
from capture.links.finding import NOT_ASKED, FoundLogger, ask, find_loggers, serial_ports, virtual_loggers
from capture.links.pseudo_terminal import PseudoTerminalLogger
from capture.links.virtual import virtual_rig
from firmware_protocol.codec import decode
from firmware_protocol.framing import FrameReader, FrameRejected, encode_frame
from firmware_protocol.messages import Identify, Start

SHORT_S = 0.6


@pytest.fixture
def terminal():
    """A pseudo-terminal on which nobody answers: its device end and its path."""
    device, host = pty.openpty()
    tty.setraw(host)
    yield device, os.ttyname(host)
    os.close(device)
    os.close(host)


@pytest.fixture
def logger():
    with PseudoTerminalLogger(virtual_rig(parse_address("sim:polesaw?pack=wren"))) as logger:
        yield logger


@contextmanager
def sending(device, content):
    """Send `content` for ever, as fast as it is taken."""
    over = threading.Event()
    os.set_blocking(device, False)

    def send():
        while not over.is_set():
            with suppress(BlockingIOError):
                os.write(device, content)

    thread = threading.Thread(target=send)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def at(path):
    return FoundLogger(f"serial:{path}", "serial")


def port(device, *, vid=None, product=None, description="n/a"):
    told = ListPortInfo(device)
    told.vid, told.product, told.description = vid, product, description
    return told


def test_a_logger_says_who_it_is_and_its_port_is_let_go(logger):
    """Name, firmware and columns are the logger's own words; afterwards others may open the port."""
    found = ask(at(logger.path))
    assert (found.trouble, found.name, found.firmware) == ("", "virtual pole saw, wren", "virtual 1.0")
    assert found.channels[:2] == ("current_a", "voltage_v")
    assert len(found.channels) == 16
    again = open_address(found.address)
    again.open()
    again.close()


def test_a_logger_is_never_started(terminal):
    """All that goes out until the answer is overdue are questions who is there."""
    device, path = terminal
    ask(at(path), within_s=SHORT_S)
    os.set_blocking(device, False)
    frames = FrameReader().receive(os.read(device, 4096))
    messages = [decode(frame) for frame in frames if not isinstance(frame, FrameRejected)]
    assert messages
    assert all(isinstance(message, Identify) for message in messages)


def test_no_start_in_a_whole_conversation(monkeypatch):
    """Also with a logger that answers, nothing but the opening of a conversation is sent."""
    sent = FrameReader()
    kinds = []
    link = open_address("sim:polesaw")
    write = link.write

    def listen(content):
        kinds.extend(type(decode(frame)) for frame in sent.receive(content))
        write(content)

    link.write = listen
    monkeypatch.setattr(finding, "open_address", lambda _text: link)
    assert ask(FoundLogger("sim:polesaw", "virtual")).trouble == ""
    assert len(kinds) > 2
    assert Start not in kinds
    assert not link.rig.started


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (None, "nothing answers"),
        (b"current 3.2 A\r\n" * 20, "none of them is a frame"),
        (encode_frame(b"\x81\x07\x01" + bytes(20)), "speaks protocol version 7"),
    ],
    ids=["silent", "another protocol", "another version"],
)
def test_what_is_no_logger_is_told_in_time(terminal, answer, words):
    device, path = terminal
    if answer:
        threading.Timer(0.15, os.write, (device, answer)).start()
    started = time.monotonic()
    found = ask(at(path), within_s=SHORT_S)
    assert words in found.trouble
    assert "\n" not in found.trouble
    assert found.name == ""
    assert time.monotonic() - started < SHORT_S + 1.0


def test_garbage_without_end_is_bounded(terminal, monkeypatch):
    """After so many bytes nobody listens any longer, whatever the time."""
    monkeypatch.setattr(asking, "MOST_BYTES", 1 << 15)
    device, path = terminal
    started = time.monotonic()
    with sending(device, bytes(range(1, 256)) * 4):
        found = ask(at(path), within_s=30.0)
    assert "none of them is a frame" in found.trouble
    assert time.monotonic() - started < 10.0


def test_ports_that_cannot_be_opened_are_told(terminal, tmp_path):
    _, path = terminal
    assert "no such port" in ask(at("/dev/ttyNONE9")).trouble
    held = open_address(f"serial:{path}")
    held.open()
    assert "another program holds this port" in ask(at(path)).trouble
    held.close()
    (tmp_path / "file").touch()
    assert "not a serial port" in ask(at(tmp_path / "file")).trouble


def test_a_surprise_in_a_driver_is_told(monkeypatch):
    class Broken:
        address = "serial:x"

        def open(self):
            raise RuntimeError("driver")

    monkeypatch.setattr(finding, "open_address", lambda _text: Broken())
    assert "driver" in ask(at("x")).trouble


def test_only_usb_ports_are_asked(monkeypatch):
    """A port of another kind is listed, and nothing is sent to it."""
    ports = [
        port("/dev/ttyUSB7", vid=0x1234, product="fabricated UART"),
        port("/dev/ttyS0"),
        port("/dev/rfcomm0", description="a radio"),
    ]
    monkeypatch.setattr(list_ports, "comports", lambda: ports)
    listed = {one.address: one for one in serial_ports()}
    assert listed["serial:/dev/ttyUSB7"] == FoundLogger(
        "serial:/dev/ttyUSB7", "serial", port="fabricated UART"
    )
    assert listed["serial:/dev/ttyS0"] == FoundLogger("serial:/dev/ttyS0", "serial", trouble=NOT_ASKED)
    assert listed["serial:/dev/rfcomm0"].port == "a radio"
    asked = []

    def note(one, **_options):
        asked.append(one.address)
        return one

    monkeypatch.setattr(finding, "ask", note)
    found = {one.address for one in find_loggers([serial_ports])}
    assert found == set(listed)
    assert asked == ["serial:/dev/ttyUSB7"]


def test_a_system_that_does_not_list_its_ports_is_told(monkeypatch):
    def fail():
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(list_ports, "comports", fail)
    (one,) = find_loggers([serial_ports])
    assert "does not list its ports (Permission denied)" in one.trouble


def test_they_come_as_they_answer(logger, terminal):
    """A silent port holds nobody up: the loggers are there long before its time is over."""
    arrived = {}
    started = time.monotonic()
    sources = [lambda: [at(terminal[1]), at(logger.path)], virtual_loggers]
    for one in find_loggers(sources, within_s=3.0):
        arrived[one.address] = time.monotonic() - started
    silent, real = f"serial:{terminal[1]}", f"serial:{logger.path}"
    assert set(arrived) == {silent, real, "sim:polesaw"}
    assert max(arrived[real], arrived["sim:polesaw"]) < 2.5 < arrived[silent]


def test_a_search_that_is_stopped_lets_go_of_its_ports(terminal):
    """Stopped from another thread it ends at once, tells nothing more, and the port is free."""
    stop = threading.Event()
    threading.Timer(0.3, stop.set).start()
    started = time.monotonic()
    assert list(find_loggers([lambda: [at(terminal[1])]], within_s=20.0, stop=stop)) == []
    assert time.monotonic() - started < 2.0
    link = open_address(f"serial:{terminal[1]}")
    link.open()
    link.close()


def test_a_port_that_hangs_in_its_driver_is_told(monkeypatch):
    monkeypatch.setattr(finding, "HANGS_AFTER_S", 0.1)
    over = threading.Event()
    monkeypatch.setattr(finding, "ask", lambda one, **_options: over.wait(10) and one)
    (found,) = find_loggers([lambda: [at("x")]], within_s=0.1)
    over.set()
    assert "hangs" in found.trouble


def test_what_the_host_says_of_a_port_is_bounded(monkeypatch):
    monkeypatch.setattr(list_ports, "comports", lambda: [port("/dev/ttyUSB0", vid=1, product="x" * 5000)])
    (one,) = serial_ports()
    assert len(one.port) <= finding.LONGEST_PORT
    many = [at(number) for number in range(500)]
    monkeypatch.setattr(finding, "ask", lambda one, **_options: one)
    assert len(list(find_loggers([lambda: many]))) == finding.MOST_CANDIDATES
