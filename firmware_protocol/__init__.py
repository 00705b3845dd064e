"""The wire protocol between a logger and its host: frames, messages and both ends as pure state machines.

Nothing in this package reads a clock, opens a port or needs a numbers library. `SPEC.md` is the
authority; section numbers in the code refer to it.
"""
