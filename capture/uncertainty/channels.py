"""How well the readings of a channel are known, and what is assumed where nobody has measured it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from capture.uncertainty.gum import quantisation

#: Noise of at least this share of a step moves readings across steps, so that means see between them (half a
#: step: Widrow and Kollar, Quantization Noise, 2008, from memory).
DITHERS: Final = 0.5


@dataclass(frozen=True, slots=True)
class ChannelUncertainty:
    """Standard uncertainties of one channel.

    `gain` (relative) and `offset` (in the channel's unit) are the same error in every sample of a run, with
    `correlation` (-1 to 1) between them; `noise` (in the unit) is new in every reading, the scatter of its
    quantisation included where it was measured; `resolution` is one count, a rectangle of that width.
    `source` says in words where gain and offset come from; `assumed` that nobody has measured them here.
    """

    gain: float
    offset: float
    noise: float = 0.0
    resolution: float = 0.0
    correlation: float = 0.0
    source: str = ""
    assumed: bool = False

    def common(self, by_gain: float, by_offset: float) -> float:
        """Return the u of a figure from gain and offset, of which it moves by so much for 1 of each.

        sqrt((a u_g)^2 + (b u_o)^2 + 2 r a b u_g u_o), GUM 5.2.2.
        """
        gain, offset = by_gain * self.gain, by_offset * self.offset
        variance = gain * gain + offset * offset + 2 * self.correlation * gain * offset
        return math.sqrt(max(variance, 0.0))

    @property
    def standing(self) -> float:
        """The u that steps leave to a mean of many readings: step / sqrt(12), 0 where noise dithers."""
        return 0.0 if self.noise >= DITHERS * self.resolution else quantisation(self.resolution)

    @property
    def single(self) -> float:
        """The u of one reading from noise and steps; measured noise has the steps in it."""
        return max(self.noise, quantisation(self.resolution))

    def of_mean(self, readings: float) -> float:
        """Return the u of a mean of n readings from noise and steps."""
        return math.hypot(self.noise / math.sqrt(max(readings, 1.0)), self.standing)


#: A hobby shunt or hall sensor with its amplifier, uncalibrated: tolerances of 1 % (shunt) and of the
#: amplifier, self-heating and solder together as one standard uncertainty. Common practice, no source.
HOBBY_SHUNT: Final = ChannelUncertainty(
    gain=0.01, offset=0.02, source="assumed of a hobby shunt", assumed=True
)
#: A divider of two 1 % resistors at a converter's reference, uncalibrated. Common practice, no source.
HOBBY_DIVIDER: Final = ChannelUncertainty(
    gain=0.005, offset=0.005, source="assumed of a hobby divider", assumed=True
)
#: Pulses against a logger's clock: a ceramic resonator of 0.5 % as a rectangle. Common practice, no source.
HOBBY_TACHOMETER: Final = ChannelUncertainty(
    gain=0.003, offset=0.0, source="assumed for a clock without a crystal", assumed=True
)
#: A thermistor of 1 % and its contact to what it measures. Common practice, no source.
HOBBY_THERMOMETER: Final = ChannelUncertainty(
    gain=0.0, offset=1.0, source="assumed for a hobby thermistor that was not calibrated", assumed=True
)
