"""Talking to one end of the protocol, and a noisy line between both ends, for tests."""

from random import Random

from firmware_protocol.codec import decode, encode
from firmware_protocol.framing import decode_frame, encode_frame
from firmware_protocol.host_link import MessageReader

ALL = 1 << 20


def sent_by(host):
    """Return the commands that the host sends now."""
    return [decode(decode_frame(wire)) for wire in host.outgoing().split(b"\0") if wire]


def answer(host, message, now=0.0):
    """Let the host receive one message whole."""
    return host.receive(encode_frame(encode(message)), now)


def exchange(host, logger, now=0.0):
    """Carry bytes both ways until the host is silent; return the host's events."""
    events = []
    while wire := host.outgoing():
        logger.receive(wire)
        events += host.receive(logger.outgoing(ALL), now)
    return events


def tell(logger, *commands):
    """Let the logger receive commands whole."""
    for command in commands:
        logger.receive(encode_frame(encode(command)))


def heard(logger):
    """Return all messages that the logger has to send."""
    return MessageReader().receive(logger.outgoing(ALL))


class NoisyLine:
    """One direction of a line; `trouble` is the chance of each fault at each byte."""

    def __init__(self, random: Random, trouble: float) -> None:
        self._random = random
        self._trouble = trouble
        self.faults = 0

    def carry(self, sent: bytes) -> bytes:
        """Return what arrives of `sent`."""
        arrived = bytearray()
        for byte in sent:
            arrived += self._through(byte)
        if arrived and self._random.random() < 10 * self._trouble:  # a whole burst comes twice
            self.faults += 1
            arrived *= 2
        return bytes(arrived)

    def _through(self, byte: int) -> bytes:
        chance = self._random.random()
        if chance >= 3 * self._trouble:
            return bytes([byte])
        self.faults += 1
        if chance < self._trouble:
            return b""
        if chance < 2 * self._trouble:
            return bytes([byte ^ 1 << self._random.randrange(8)])
        return bytes([byte, byte])
