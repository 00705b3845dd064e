"""The states of both ends and the only moves between them (SPEC 5). Nothing else may stand here."""

from __future__ import annotations

from enum import Enum, auto
from typing import Final

from firmware_protocol.errors import LocalProtocolError


class HostState(Enum):
    """Where the host is with its logger."""

    CLOSED = auto()
    IDENTIFYING = auto()
    QUIETING = auto()
    DESCRIBING = auto()
    READY = auto()
    STARTING = auto()
    STREAMING = auto()
    STOPPING = auto()
    FAILED = auto()


class HostStep(Enum):
    """What moves the host on."""

    OPEN = auto()
    IDENTIFIED = auto()
    RESUME = auto()
    QUIET = auto()
    DESCRIBED = auto()
    START = auto()
    STARTED = auto()
    STOP = auto()
    STOPPED = auto()
    FAIL = auto()


class LoggerState(Enum):
    """Where the logger is."""

    IDLE = auto()
    STREAMING = auto()


class LoggerStep(Enum):
    """What moves the logger on."""

    START = auto()
    STOP = auto()


HOST_MOVES: Final = {
    (HostState.CLOSED, HostStep.OPEN): HostState.IDENTIFYING,
    (HostState.IDENTIFYING, HostStep.IDENTIFIED): HostState.QUIETING,
    (HostState.IDENTIFYING, HostStep.RESUME): HostState.STARTING,
    (HostState.QUIETING, HostStep.QUIET): HostState.DESCRIBING,
    (HostState.DESCRIBING, HostStep.DESCRIBED): HostState.READY,
    (HostState.READY, HostStep.START): HostState.STARTING,
    (HostState.STARTING, HostStep.STARTED): HostState.STREAMING,
    (HostState.STREAMING, HostStep.STOP): HostState.STOPPING,
    (HostState.STOPPING, HostStep.STOPPED): HostState.READY,
    **{(state, HostStep.FAIL): HostState.FAILED for state in HostState},
}

LOGGER_MOVES: Final = {
    (LoggerState.IDLE, LoggerStep.START): LoggerState.STREAMING,
    (LoggerState.IDLE, LoggerStep.STOP): LoggerState.IDLE,
    (LoggerState.STREAMING, LoggerStep.START): LoggerState.STREAMING,
    (LoggerState.STREAMING, LoggerStep.STOP): LoggerState.IDLE,
}


def move_host(state: HostState, step: HostStep) -> HostState:
    """Return the state that `step` leads to; raise LocalProtocolError where there is no such move."""
    try:
        return HOST_MOVES[state, step]
    except KeyError:
        raise LocalProtocolError(f"the host cannot {step.name} while {state.name}") from None
