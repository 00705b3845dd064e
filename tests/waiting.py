"""Waiting for what a session does in its own threads."""

import time

PATIENCE_S = 20.0


def wait_for(session, wanted, timeout_s=PATIENCE_S):
    """Return the first snapshot for which `wanted` holds."""
    give_up = time.monotonic() + timeout_s
    while time.monotonic() < give_up:
        snapshot = session.snapshot()
        if wanted(snapshot):
            return snapshot
        time.sleep(0.01)
    raise AssertionError(f"never came: {session.snapshot()}")
