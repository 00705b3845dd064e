"""Addresses name links: `serial:/dev/ttyACM0`, `serial:/dev/ttyUSB0?baud=500000`, `sim:polesaw?pack=wren`."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Protocol

from capture.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Mapping

EXAMPLES: Final = "An address looks like serial:/dev/ttyACM0 or sim:polesaw."


class Link(Protocol):
    """A byte stream to a logger. `read` blocks for at most a tenth of a second; errors are LinkErrors."""

    @property
    def address(self) -> str:
        """The address that opens this link again."""
        ...

    def open(self) -> None:
        """Open the way; raises LinkError."""
        ...

    def read(self) -> bytes:
        """Return what has arrived, at most 64 KiB, or nothing; raises LinkLost."""
        ...

    def write(self, content: bytes) -> None:
        """Send `content`; raises LinkLost."""
        ...

    def close(self) -> None:
        """Let go; never raises, may be called twice."""
        ...


@dataclass(frozen=True, slots=True)
class Address:
    """An address in its parts: `scheme:place?key=value&...`."""

    text: str
    scheme: str
    place: str
    options: Mapping[str, str] = field(default_factory=dict)

    def whole_number(self, key: str, default: int) -> int:
        """Return an option that is a whole number above zero."""
        text = self.options.get(key, str(default))
        if not (text.isascii() and text.isdigit() and 0 < int(text) < 10**9):
            raise InputError(f"{key}={text} is not a whole number above zero", self.text, EXAMPLES)
        return int(text)


def parse_address(text: str) -> Address:
    """Return the parts of an address; raise InputError where it is none."""
    scheme, colon, rest = text.partition(":")
    place, _, query = rest.partition("?")
    if not colon or not place:
        hint = f"Did you mean serial:{text}? {EXAMPLES}" if text.startswith("/dev/") else EXAMPLES
        raise InputError("is not an address", text, hint)
    options = dict(part.partition("=")[::2] for part in query.split("&") if part)
    return Address(text, scheme, place, options)


def open_address(text: str) -> Link:
    """Return the link that `text` names, not opened yet; raise InputError where no such link exists."""
    address = parse_address(text)
    match address.scheme:
        case "serial":
            from capture.links.serial_port import SerialLink

            return SerialLink(address)
        case "sim":
            from capture.links.virtual import virtual_link

            return virtual_link(address)
        case _:
            raise InputError(f"{address.scheme!r} is not a kind of link", text, EXAMPLES)
