"""Finding loggers: what is in reach, and what each says of itself."""

from __future__ import annotations

from dataclasses import dataclass


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
