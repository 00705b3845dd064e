"""The tables of moves (SPEC 5)."""

from __future__ import annotations

from itertools import product

import pytest

from firmware_protocol.errors import LocalProtocolError
from firmware_protocol.states import (
    HOST_MOVES,
    LOGGER_MOVES,
    HostState,
    HostStep,
    LoggerState,
    LoggerStep,
    move_host,
)


@pytest.mark.parametrize(("state", "step"), product(HostState, HostStep))
def test_host_moves_by_its_table_only(state, step):
    """A move in the table is made; each other is our own error and names state and step."""
    if (state, step) in HOST_MOVES:
        assert move_host(state, step) is HOST_MOVES[state, step]
    else:
        with pytest.raises(LocalProtocolError, match=f"{step.name} while {state.name}"):
            move_host(state, step)


def test_every_host_state_is_reached_and_can_fail():
    """Each state but the first is the end of some move, and every state can fail."""
    assert set(HOST_MOVES.values()) == set(HostState) - {HostState.CLOSED}
    assert all(HOST_MOVES[state, HostStep.FAIL] is HostState.FAILED for state in HostState)


def test_logger_has_a_move_for_everything():
    """A logger can start and stop in every state, and doing it twice is doing it once."""
    assert set(LOGGER_MOVES) == set(product(LoggerState, LoggerStep))
    for (_, step), reached in LOGGER_MOVES.items():
        assert LOGGER_MOVES[reached, step] is reached
