"""How well the readings of a channel are known, and what is assumed where nobody has measured it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class ChannelUncertainty:
    """Standard uncertainties of one channel.

    `gain` (relative) and `offset` (in the channel's unit) are the same error in every sample of a run, with
    `correlation` (-1 to 1) between them; `noise` (in the unit) is new in every reading; `resolution` is one
    count, a rectangle of that width. `source` says in words where gain and offset come from; `assumed` that
    nobody has measured them here.
    """

    gain: float
    offset: float
    noise: float = 0.0
    resolution: float = 0.0
    correlation: float = 0.0
    source: str = ""
    assumed: bool = False


#: A hobby shunt or hall sensor with its amplifier, uncalibrated: tolerances of 1 % (shunt) and of the
#: amplifier, self-heating and solder together as one standard uncertainty. Common practice, no source.
HOBBY_SHUNT: Final = ChannelUncertainty(
    gain=0.01, offset=0.02, source="assumed for a hobby shunt that was not calibrated", assumed=True
)
#: A divider of two 1 % resistors at a converter's reference, uncalibrated. Common practice, no source.
HOBBY_DIVIDER: Final = ChannelUncertainty(
    gain=0.005, offset=0.005, source="assumed for a hobby divider that was not calibrated", assumed=True
)
