"""What can go wrong while capturing, in the user's words.

CaptureError
 ├─ LinkError                   the way to the logger
 │   ├─ DeviceNotFound          nothing is at that address
 │   ├─ PortBusy                another program holds it
 │   ├─ AccessDenied            the user may not open it
 │   ├─ LinkLost                it was there and went away
 │   ├─ NotALogger              something answers, or nothing, but not our protocol
 │   └─ LoggerRefused           it is a logger and will not do what is asked
 ├─ StorageError                files
 │   ├─ DiskFull                no room or no permission to write on
 │   ├─ RecordingDamaged        a file that should be a recording cannot be read as one
 │   └─ RecordingInUse          another process is writing it
 └─ InputError                  what the user gave does not fit

Each says what happened, where, and what to do next.
"""

from __future__ import annotations


class CaptureError(Exception):
    """One failure: `what` happened, `where`, and a `hint` at what to do next."""

    def __init__(self, what: str, where: str, hint: str) -> None:
        super().__init__(f"{where}: {what}. {hint}")
        self.what = what
        self.where = where
        self.hint = hint


class LinkError(CaptureError):
    """The way to the logger failed."""


class DeviceNotFound(LinkError):  # noqa: N818  these names say what happened
    """Nothing is at the address."""


class PortBusy(LinkError):  # noqa: N818
    """Another program holds the port."""


class AccessDenied(LinkError):  # noqa: N818
    """The user may not open the port."""


class LinkLost(LinkError):  # noqa: N818
    """The logger was there and went away."""


class NotALogger(LinkError):  # noqa: N818
    """What is at the address does not speak the protocol, or another version of it."""


class LoggerRefused(LinkError):  # noqa: N818
    """The logger understood and would not do it."""


class StorageError(CaptureError):
    """A file could not be written or read."""


class DiskFull(StorageError):  # noqa: N818
    """The recording cannot be written on."""


class RecordingDamaged(StorageError):  # noqa: N818
    """A file is not a recording, or not a whole one."""


class RecordingInUse(StorageError):  # noqa: N818
    """Another process writes this recording now."""


class InputError(CaptureError):
    """What the user gave does not fit."""
