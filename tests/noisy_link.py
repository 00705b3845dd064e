"""Links that lose and damage what they carry, for tests: deterministic from a seed."""

import random
import time

from capture.errors import LinkLost
from firmware_protocol.codec import encode
from firmware_protocol.framing import encode_frame
from firmware_protocol.host_link import MessageReader
from firmware_protocol.messages import Resend


class NoisyLink:
    """Another link behind a bad line: bytes change, and whole stretches vanish, in both directions."""

    def __init__(self, link, seed, byte_errors=0.0, losses=0.0):
        self.link = link
        self.address = link.address
        self.damaged_bytes = self.lost_bytes = 0
        self._random = random.Random(seed)  # noqa: S311  not for secrets
        self._byte_errors = byte_errors
        self._losses = losses

    def open(self):
        self.link.open()

    def close(self):
        self.link.close()

    def read(self):
        return self._carry(self.link.read())

    def write(self, content):
        self.link.write(self._carry(content))

    def _carry(self, content):
        carried = bytearray()
        for at in range(0, len(content), 64):
            piece = bytearray(content[at : at + 64])
            if self._random.random() < self._losses:
                self.lost_bytes += len(piece)
                continue
            for place in range(len(piece)):
                if self._random.random() < self._byte_errors:
                    piece[place] ^= self._random.randrange(1, 256)
                    self.damaged_bytes += 1
            carried += piece
        return bytes(carried)


class PulledLink:
    """Another link whose cable is pulled after so many bytes, and put back when it is opened again.

    What is on its way at that moment is lost. The logger lives on.
    """

    def __init__(self, link, after_bytes, attempts_in_vain=0):
        self.link = link
        self.address = link.address
        self.pulled = 0
        self.when_pulled = lambda: None
        self.when_back = lambda: None
        self._after_bytes = list(after_bytes)
        self._carried = 0
        self._in_vain = attempts_in_vain
        self._refusals = 0

    def pull_after(self, *more_bytes):
        """Pull the cable after so many bytes from now on, each time."""
        self._after_bytes = [self._carried + count for count in more_bytes]

    def open(self):
        if self._refusals > 0:
            self._refusals -= 1
            raise LinkLost("no such port", self.address, "Plug it in.")
        if self.pulled:
            self.when_back()
        self.link.open()

    def close(self):
        self.link.close()

    def write(self, content):
        self.link.write(content)

    def read(self):
        received = self.link.read()
        self._carried += len(received)
        if self._after_bytes and self._carried > self._after_bytes[0]:
            del self._after_bytes[0]
            self.pulled += 1
            self._refusals = self._in_vain
            self.when_pulled()
            raise LinkLost("went away", self.address, "Check the cable.")
        return received


class DeafLink:
    """Another link whose logger never hears that samples are wanted again."""

    def __init__(self, link):
        self.link = link
        self.address = link.address

    def open(self):
        self.link.open()

    def close(self):
        self.link.close()

    def read(self):
        return self.link.read()

    def write(self, content):
        messages = MessageReader().receive(content)
        heard = [encode_frame(encode(one)) for one in messages if not isinstance(one, Resend)]
        self.link.write(b"".join(heard))


class SlowWire:
    """A virtual rig behind a wire of so many bytes a second, as a serial line has; a burst has to wait."""

    def __init__(self, link, bytes_per_s):
        self.link = link
        self.address = link.address
        self._bytes_per_s = bytes_per_s
        self._waiting = b""
        self._room = 0.0
        self._read_at = time.monotonic()

    def open(self):
        self.link.open()

    def close(self):
        self.link.close()

    def write(self, content):
        self.link.write(content)

    def read(self):
        now = time.monotonic()
        self._room = min(self._room + (now - self._read_at) * self._bytes_per_s, 256.0)
        self._read_at = now
        self._waiting += self.link.read() if len(self._waiting) < 256 else b""
        size = min(int(self._room), len(self._waiting))
        carried, self._waiting = self._waiting[:size], self._waiting[size:]
        self._room -= size
        if not carried:
            time.sleep(0.002)
        return carried
