"""The virtual link: a virtual rig in memory, with no wire in between."""

from __future__ import annotations

import math
import queue
import time
from typing import TYPE_CHECKING, Final

from capture.errors import InputError
from capture.model.load_bank import Duty
from capture.model.pack import PACKS
from capture.model.rig import VirtualRig
from capture.model.scenario import Imperfection
from capture.model.sensors import INTERVAL_US
from capture.model.stops import StopCause
from capture.model.work import WorkKind

if TYPE_CHECKING:
    from capture.links.address import Address

DEFAULT_PACK: Final = "heron"
_IMPERFECT: Final = ("current", "voltage")
#: What an address may ask for: words to choose from, and numbers with their ranges; of any rig, of the saw
#: alone, of the load bank alone.
_CHOICES: Final = {
    "pack": tuple(PACKS),
    "fault": tuple(cause.value for cause in StopCause),
    "work": tuple(kind.value for kind in WorkKind),
}
_NUMBERS: Final = {
    "charge": (0.0, 100.0),
    "ambient": (-20.0, 50.0),
    **{f"{quantity}_gain": (-50.0, 50.0) for quantity in _IMPERFECT},
    **{f"{quantity}_offset": (-50.0, 50.0) for quantity in _IMPERFECT},
    "speed": (0.01, 1000.0),
    "amps": (0.0, 200.0),
    "ohms": (0.05, 10_000.0),
    "rest": (0.0, 3600.0),
    "on": (0.1, 600.0),
    "off": (0.1, 3600.0),
    "before": (0.0, 200.0),
}
_ANY_RIG: Final = (
    "pack",
    "fault",
    "seed",
    "charge",
    "ambient",
    *(f"{quantity}_{what}" for quantity in _IMPERFECT for what in ("gain", "offset")),
    "speed",
)
_REPEATS: Final = ("repeats", "early", "weak", "soon")
_OPTIONS: Final = {
    "polesaw": (*_ANY_RIG, "work"),
    "loadbank": (*_ANY_RIG, "amps", "ohms", "rest", "on", "off", "before", *_REPEATS),
}
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


def virtual_link(address: Address) -> VirtualLink:
    """Return the link that a `sim:` address names; `speed` is how many times as fast as real time it runs."""
    rig = virtual_rig(address)
    return VirtualLink(address.text, rig, _number(address, "speed") or 1.0)


def virtual_rig(address: Address) -> VirtualRig:
    """Return the rig that a `sim:` address names: `sim:polesaw?pack=wren&seed=3&work=run_down&fault=joint`.

    `charge` is the pack's in percent, `ambient` in degC; `current_gain`, `voltage_offset` and the like set
    what is wrong with a sensor, a gain in percent and an offset in the channel's unit. `sim:loadbank?amps=20`
    has a load bank in place of the saw; its options are those of `model.load_bank.Duty`. Raises InputError.
    """
    options = _OPTIONS.get(address.place)
    if options is None:
        known = ", ".join(f"sim:{place}" for place in _OPTIONS)
        raise InputError(f"there is no virtual rig {address.place!r}", address.text, f"There is {known}.")
    unknown = address.options.keys() - set(options)
    if unknown:
        raise InputError(
            f"unknown option {min(unknown)!r}", address.text, f"Options are {', '.join(options)}."
        )
    charge_percent = _number(address, "charge")
    return VirtualRig(
        PACKS[_choice(address, "pack", DEFAULT_PACK)],
        address.whole_number("seed", 1),
        work=_choice(address, "work", WorkKind.CUTS),
        fault=_choice(address, "fault", StopCause.NONE),
        charge=None if charge_percent is None else charge_percent / 100,
        ambient_degc=_number(address, "ambient"),
        imperfections={
            quantity: Imperfection(
                (_number(address, f"{quantity}_gain") or 0.0) / 100,
                _number(address, f"{quantity}_offset") or 0.0,
            )
            for quantity in _IMPERFECT
        },
        bank=_duty(address) if address.place == "loadbank" else None,
    )


def _duty(address: Address) -> Duty:
    """Return how the load bank of an address is switched."""
    usual = Duty()
    if {"amps", "ohms"} <= address.options.keys():
        raise InputError("amps and ohms are both given", address.text, "Give one: a current or a resistor.")

    def given_or(key: str, otherwise: float) -> float:
        given = _number(address, key)
        return otherwise if given is None else given

    def repeat(key: str) -> int | None:
        return address.whole_number(key, 1) if key in address.options else None

    return Duty(
        amps=given_or("amps", usual.amps),
        ohms=_number(address, "ohms"),
        rest_s=given_or("rest", usual.rest_s),
        on_s=given_or("on", usual.on_s),
        off_s=given_or("off", usual.off_s),
        repeats=repeat("repeats"),
        before_amps=given_or("before", usual.before_amps),
        early=repeat("early"),
        weak=repeat("weak"),
        soon=repeat("soon"),
    )


def _choice(address: Address, key: str, default: str) -> str:
    """Return an option that is one of some words."""
    word = address.options.get(key, default)
    if word not in _CHOICES[key]:
        raise InputError(f"unknown {key} {word!r}", address.text, f"Options are {', '.join(_CHOICES[key])}.")
    return word


def _number(address: Address, key: str) -> float | None:
    """Return an option that is a number within its range; None where it is not given."""
    text = address.options.get(key)
    if text is None:
        return None
    lowest, highest = _NUMBERS[key]
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not lowest <= number <= highest:
        hint = f"Give {key} as a number from {lowest:g} to {highest:g}."
        raise InputError(f"{key}={text} is not in its range", address.text, hint)
    return number
