"""The serial link: USB and UART loggers through pyserial."""

from __future__ import annotations

import errno
import time
from contextlib import suppress
from typing import TYPE_CHECKING, Final

import serial

from capture.errors import AccessDenied, DeviceNotFound, LinkError, LinkLost, NotALogger, PortBusy

if TYPE_CHECKING:
    from capture.links.address import Address

DEFAULT_BAUD: Final = 115_200
READ_TIMEOUT_S: Final = 0.05
WRITE_TIMEOUT_S: Final = 1.0
#: After a short read the rest of a frame is on its way: a nap lets more arrive and costs less than polling.
NAP_S: Final = 0.01
MOST_BYTES: Final = 1 << 16


class SerialLink:
    """A logger on a serial port. Opening may reset the board behind it; the protocol's retries cover that."""

    def __init__(self, address: Address) -> None:
        self.address = address.text
        self._place = address.place
        self._baud = address.whole_number("baud", DEFAULT_BAUD)
        self._port: serial.Serial | None = None

    def open(self) -> None:
        """Open the port for this program alone; raise the LinkError that says why it cannot be."""
        try:
            self._port = serial.Serial(
                self._place,
                self._baud,
                timeout=READ_TIMEOUT_S,
                write_timeout=WRITE_TIMEOUT_S,
                exclusive=True,
            )
        except (OSError, ValueError) as error:  # SerialException is an OSError
            raise self._opening_error(error) from error

    def read(self) -> bytes:
        """Return what has arrived, or nothing after 50 ms; raise LinkLost when the port has gone."""
        if self._port is None:
            raise self._lost("is closed")
        try:
            waiting = min(self._port.in_waiting, MOST_BYTES)
            if waiting:
                return self._port.read(waiting)
            first = self._port.read(1)
            if first:
                time.sleep(NAP_S)
                first += self._port.read(min(self._port.in_waiting, MOST_BYTES))
        except (OSError, TypeError) as error:  # TypeError: closed by another thread while reading
            raise self._lost("went away") from error
        else:
            return first

    def write(self, content: bytes) -> None:
        """Send `content`; raise LinkLost when the port has gone or takes nothing for a second."""
        if self._port is None:
            raise self._lost("is closed")
        try:
            self._port.write(content)
        except serial.SerialTimeoutException as error:
            raise self._lost("takes no more bytes") from error
        except (OSError, TypeError) as error:
            raise self._lost("went away") from error

    def close(self) -> None:
        """Let go of the port."""
        port, self._port = self._port, None
        if port is not None:
            with suppress(OSError, TypeError):
                port.cancel_read()
            with suppress(OSError, TypeError):
                port.close()

    def _lost(self, what: str) -> LinkLost:
        return LinkLost(what, self.address, "Check the cable and the logger's supply, then connect again.")

    def _opening_error(self, error: OSError | ValueError) -> LinkError:
        number = getattr(error, "errno", None)
        if number in {errno.ENOENT, errno.ENXIO, errno.ENODEV}:
            return DeviceNotFound(
                "no such port", self.address, "Plug the logger in and check the port's name."
            )
        if number in {errno.EACCES, errno.EPERM}:
            return AccessDenied(
                "you may not open this port",
                self.address,
                "On Linux, add yourself to the group that owns it (often dialout) and log in again.",
            )
        if number in {errno.EBUSY, errno.EAGAIN}:
            return PortBusy(
                "another program holds this port", self.address, "Close that program and try again."
            )
        if number in {errno.ENOTTY, errno.EISDIR, errno.EINVAL} or "configure port" in str(error):
            return NotALogger("is not a serial port", self.address, "Give the device of the logger's port.")
        return LinkError(f"cannot be opened ({error})", self.address, "Check the port and its settings.")
