"""What a logger says, scene by scene (SPEC 5.2 and 6); firmware in C is held to the same file."""

from __future__ import annotations

import json
from importlib.resources import files

import pytest
from protocol_talk import ALL

from firmware_protocol.codec import decode
from firmware_protocol.framing import FrameReader, encode_frame
from firmware_protocol.messages import Identity, Resend
from firmware_protocol.virtual_logger import VirtualLogger
from firmware_protocol.wire import PROTOCOL_VERSION

FILE = json.loads((files("firmware_protocol") / "vectors" / "logger.json").read_text(encoding="utf-8"))
SCENES = [pytest.param(scene, id=scene["name"]) for scene in FILE["scenes"]]


@pytest.mark.parametrize("scene", SCENES)
def test_scene(scene):
    """The logger says what the scene says, payload for payload and in that order."""
    identity = Identity(
        version=PROTOCOL_VERSION,
        command_id=0,
        channel_count=1,
        ring_samples=scene["ring_samples"],
        **FILE["logger"],
    )
    logger = VirtualLogger(identity, ())
    taken = 0
    for step in scene["steps"]:
        match step:
            case {"sample": count}:
                indices = range(taken, taken + count)
                rows = b"".join((index % 2**15).to_bytes(2, "little") for index in indices)
                logger.sample(taken * 1000, count, rows)
                taken += count
            case {"hear": payload}:
                logger.receive(encode_frame(bytes.fromhex(payload)))
            case {"say": payloads}:
                said = FrameReader().receive(logger.outgoing(ALL))
                assert [payload.hex() for payload in said] == payloads
            case _:
                raise AssertionError(step)
    assert logger.outgoing(ALL) == b""


def test_scenes_resend():
    """Each scene ends on what the logger says; nearly all of them ask for a resend."""
    assert all("say" in scene["steps"][-1] for scene in FILE["scenes"])
    heard = [
        [decode(bytes.fromhex(step["hear"])) for step in scene["steps"] if "hear" in step]
        for scene in FILE["scenes"]
    ]
    assert sum(any(isinstance(each, Resend) for each in commands) for commands in heard) >= 15
