"""The errors of the protocol.

ProtocolError
 ├─ LocalProtocolError          our own side broke the rules: a bug here
 └─ RemoteProtocolError         the other side did
     ├─ MalformedMessage        a frame arrived whole but its message makes no sense
     ├─ VersionMismatch         it speaks another version of the protocol
     ├─ CommandRefused          it understood a command and would not do it
     └─ NoReply                 a command stayed unanswered after all its retries

Line noise is none of these: a damaged frame is counted and the stream goes on.
"""


class ProtocolError(Exception):
    """Anything that breaks the rules of SPEC.md."""


class LocalProtocolError(ProtocolError):
    """The caller asked for something that its state does not allow."""


class RemoteProtocolError(ProtocolError):
    """The other end sent something that the rules do not allow."""


class MalformedMessage(RemoteProtocolError):  # noqa: N818  the name says what it is
    """A frame with a good checksum holds a message that cannot be read."""


class VersionMismatch(RemoteProtocolError):  # noqa: N818
    """The logger speaks a version of the protocol that this host does not."""

    def __init__(self, version: int, supported: int) -> None:
        super().__init__(f"the logger speaks protocol version {version}, this program version {supported}")
        self.version = version
        self.supported = supported


class CommandRefused(RemoteProtocolError):  # noqa: N818
    """The logger answered a command with a status other than done."""


class NoReply(RemoteProtocolError):  # noqa: N818
    """A command was sent as often as allowed and never answered."""
