"""Finding loggers: what is in reach, and what each says of itself.

Only what hangs on USB is asked unbidden: bytes that are not meant for it can do harm to what hangs on another
port.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from capture.errors import CaptureError
from capture.links.address import open_address
from capture.links.asking import described
from capture.quantities import column_name

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from firmware_protocol.messages import Channel

SERIAL: Final = "serial"
VIRTUAL: Final = "virtual"
VIRTUAL_ADDRESS: Final = "sim:polesaw"
NOT_ASKED: Final = "not asked: it is no USB port"

#: A board that resets when its port is opened sits in its bootloader for one to two seconds.
ANSWER_WITHIN_S: Final = 3.0
#: Opening and letting go of a port may hang in its driver; then it is told, not waited for.
HANGS_AFTER_S: Final = 2.0
MOST_CANDIDATES: Final = 64
LONGEST_PORT: Final = 60
_TURN_S: Final = 0.1


@dataclass(frozen=True, slots=True)
class FoundLogger:
    """Something in reach that is a logger, or may be one.

    `address` opens it; `kind` says what it hangs on, such as `serial` or `virtual`. `name`, `firmware` and
    `channels` (column names) are its own words, empty where it has not said; `port` is what the host knows of
    where it is plugged in. `trouble` is empty, or says in a line why it could not be asked or did not answer.
    """

    address: str
    kind: str
    name: str = ""
    firmware: str = ""
    channels: tuple[str, ...] = ()
    port: str = ""
    trouble: str = ""


#: What may be a logger; one with a `trouble` is told as it is and not asked.
Source = Callable[[], Iterable[FoundLogger]]


def serial_ports() -> list[FoundLogger]:
    """Return the serial ports that the system lists; those on USB may be asked."""
    from serial.tools import list_ports

    try:
        ports = sorted(list_ports.comports())
    except OSError as error:
        why = f"the system does not list its ports ({error.strerror}). Name one yourself."
        return [FoundLogger(f"{SERIAL}:", SERIAL, trouble=why)]
    return [
        FoundLogger(
            f"{SERIAL}:{port.device}",
            SERIAL,
            port=_described_by_host(port.product, port.description),
            trouble="" if port.vid is not None else NOT_ASKED,
        )
        for port in ports
    ]


def _described_by_host(*descriptions: str | None) -> str:
    """Return the first description that says something; the library says `n/a` where it knows nothing."""
    told = (text for text in descriptions if text and text != "n/a")
    return next(told, "")[:LONGEST_PORT]


def virtual_loggers() -> list[FoundLogger]:
    """Return the built-in virtual logger."""
    return [FoundLogger(VIRTUAL_ADDRESS, VIRTUAL, port="built in, without hardware")]


#: Where loggers are looked for. A source returns at once; what it names is asked afterwards.
SOURCES: Final[tuple[Source, ...]] = (serial_ports, virtual_loggers)


def find_loggers(
    sources: Sequence[Source] = SOURCES,
    *,
    within_s: float = ANSWER_WITHIN_S,
    stop: threading.Event | None = None,
) -> Iterator[FoundLogger]:
    """Yield what is in reach, each as soon as it has answered or has been found not to.

    All are asked at once, each in a thread of its own and for at most `within_s`. `stop` ends the search
    early: what has not answered by then is not told.
    """
    stop = stop or threading.Event()
    candidates = [candidate for source in sources for candidate in source()][:MOST_CANDIDATES]
    answers: queue.SimpleQueue[FoundLogger] = queue.SimpleQueue()
    waiting: dict[str, FoundLogger] = {}
    for candidate in candidates:
        if candidate.trouble:
            yield candidate
        elif candidate.address not in waiting:
            waiting[candidate.address] = candidate
    threads = [
        threading.Thread(
            target=lambda one=candidate: answers.put(ask(one, within_s=within_s, stop=stop)),
            name=f"asking {candidate.address}",
            daemon=True,
        )
        for candidate in waiting.values()
    ]
    for thread in threads:
        thread.start()
    try:
        yield from _as_they_answer(answers, waiting, time.monotonic() + within_s + HANGS_AFTER_S, stop)
    finally:
        stop.set()
        give_up = time.monotonic() + HANGS_AFTER_S
        for thread in threads:
            thread.join(max(0.0, give_up - time.monotonic()))


def _as_they_answer(
    answers: queue.SimpleQueue[FoundLogger],
    waiting: dict[str, FoundLogger],
    give_up: float,
    stop: threading.Event,
) -> Iterator[FoundLogger]:
    """Yield the answers of all that are waited for; those that hang in their driver as such."""
    while waiting and time.monotonic() < give_up:
        try:
            answered = answers.get(timeout=_TURN_S)
        except queue.Empty:
            answered = None
        if stop.is_set():  # what answers now was cut short
            return
        if answered is not None:
            del waiting[answered.address]
            yield answered
    for one in waiting.values():
        yield replace(one, trouble="opening it hangs. Unplug it and plug it in again.")


def ask(
    candidate: FoundLogger, *, within_s: float = ANSWER_WITHIN_S, stop: threading.Event | None = None
) -> FoundLogger:
    """Return `candidate` with what it says of itself, or with the trouble there was; never raises.

    The link is opened, and let go of before this returns.
    """
    try:
        link = open_address(candidate.address)
        link.open()
        try:
            told = described(link, within_s, stop or threading.Event())
        finally:
            link.close()
    except CaptureError as error:
        return replace(candidate, trouble=f"{error.what}. {error.hint}")
    except Exception as error:  # noqa: BLE001  a driver's surprise must not end the search for the others
        return replace(candidate, trouble=f"cannot be asked ({error!r}). Check the port.")
    return replace(
        candidate,
        name=told.identity.name,
        firmware=told.identity.firmware,
        channels=tuple(_column(channel) for channel in told.channels),
    )


def _column(channel: Channel) -> str:
    """Return the column of a channel; its quantity alone where its unit is none that a recording can hold."""
    return column_name(channel.quantity, channel.unit) or channel.quantity
