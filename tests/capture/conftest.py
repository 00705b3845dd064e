"""One stream of the virtual rig and its rows, made once for all tests of the path and its ends."""

import pytest
from logger_streams import columns_of, stream_of

from capture.opening import Opening
from capture.run import Run
from firmware_protocol.host_link import MessageReader


@pytest.fixture(scope="session")
def stream():
    return stream_of()


@pytest.fixture(scope="session")
def whole_rows(stream):
    run = Run(Opening(0, stream.logger))
    return columns_of(run.receive(MessageReader().receive(stream.wire)).ordered)
