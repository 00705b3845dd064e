"""The virtual link: a virtual rig in memory, with no wire in between."""

from __future__ import annotations

import queue
import time
from typing import TYPE_CHECKING, Final

from capture.errors import InputError
from capture.model.pack import PACKS, Condition
from capture.model.rig import VirtualRig
from capture.model.scenario import FAULTS, Scenario, with_fault
from capture.model.sensors import INTERVAL_US
from capture.model.work import KINDS

if TYPE_CHECKING:
    from capture.links.address import Address

DEFAULT_PACK: Final = "heron"
_OPTIONS: Final = frozenset({"pack", "seed", "work", "fault", "charge", "ambient"})
_OPTION_WORDS: Final = "pack, seed, work, fault, charge (percent) and ambient (degC)"
MOST_BYTES: Final = 1 << 16
NAP_S: Final = 0.01
#: Virtual time waits for a reader that falls behind, instead of overrunning the logger's buffer.
MOST_SECONDS_A_READ: Final = 4096 * INTERVAL_US * 1e-6


class VirtualClock:
    """Virtual time: stands still until it is started, then runs at `speed` times the host's."""

    def __init__(self, speed: float) -> None:
        self._speed = speed
        self._read_at: float | None = None
        self.now_s = 0.0

    def start(self) -> None:
        """Let time run, if it does not yet."""
        if self._read_at is None:
            self._read_at = time.monotonic()

    def advance(self, at_most_s: float) -> float:
        """Return the virtual time now; it moves on by `at_most_s` at most."""
        if self._read_at is not None:
            read_at = time.monotonic()
            self.now_s += min((read_at - self._read_at) * self._speed, at_most_s)
            self._read_at = read_at
        return self.now_s


class VirtualLink:
    """A virtual rig behind the interface of a link.

    Only `read` touches the rig: what another thread writes waits until then, as on a wire. One read takes at
    most `most_bytes`.
    """

    def __init__(
        self, address: str, rig: VirtualRig, speed: float = 1.0, most_bytes: int = MOST_BYTES
    ) -> None:
        self.address = address
        self.rig = rig
        self._most_bytes = most_bytes
        self._clock = VirtualClock(speed)
        self._written: queue.SimpleQueue[bytes] = queue.SimpleQueue()

    def open(self) -> None:
        """Do nothing: the rig is always there."""

    def read(self) -> bytes:
        """Let the time since the last call pass in the rig, and return what it sends."""
        while not self._written.empty():
            self.rig.receive(self._written.get())
        if self.rig.started:
            self._clock.start()
        self.rig.advance_to(self._clock.advance(MOST_SECONDS_A_READ))
        sent = self.rig.outgoing(self._most_bytes)
        if not sent:
            time.sleep(NAP_S)
        return sent

    def write(self, content: bytes) -> None:
        """Send `content` to the rig's logger."""
        self._written.put(content)

    def close(self) -> None:
        """Do nothing."""


def virtual_rig(address: Address) -> VirtualRig:
    """Return the rig that a `sim:` address names: `sim:polesaw?pack=wren&seed=3&work=run_down&charge=80`.

    Options: pack, seed, work, fault (one of FAULTS), charge in percent, ambient in degC. Raises InputError.
    """
    if address.place != "polesaw":
        raise InputError(f"there is no virtual rig {address.place!r}", address.text, "There is sim:polesaw.")
    unknown = address.options.keys() - _OPTIONS
    if unknown:
        raise InputError(f"unknown option {min(unknown)!r}", address.text, f"Options are {_OPTION_WORDS}.")
    pack = PACKS[address.choice("pack", PACKS, DEFAULT_PACK)]
    ambient = address.number("ambient", 22.0, -20.0, 50.0)
    charge = address.number("charge", 100.0, 1.0, 100.0) / 100
    scenario = Scenario(
        pack,
        address.whole_number("seed", 1),
        address.choice("work", KINDS, "cuts"),
        Condition(charge, pack_degc=ambient, ambient_degc=ambient),
    )
    return VirtualRig(with_fault(scenario, address.choice("fault", FAULTS, "none")))
