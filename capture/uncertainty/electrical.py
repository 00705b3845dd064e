"""Standard uncertainties of charge, energy, voltages and their differences, from one run's sums.

Each function combines independent contributions as root of the sum of squares (GUM 5.1.2); gain and offset of
one channel are one error in all samples of the run and may be correlated (GUM 5.2.2). What is known and
not corrected (skew, what a gap hides) enters with its whole size: u is then the root mean square error of
the value as it is reported (compare GUM F.2.4.5).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Final

from capture.uncertainty.gum import quantisation, rectangular, root_sum_square

if TYPE_CHECKING:
    from capture.uncertainty.channels import ChannelUncertainty

#: A tool that chops draws a current with a root mean square ripple of at most this share of its mean, as the
#: pack and its leads see it. Common practice, no source.
MOST_RIPPLE: Final = 0.3


@dataclass(frozen=True, slots=True)
class Electrical:
    """What is known of current and voltage as one run sampled them.

    `spacing_s` is the time between samples that have both. `scatter_a`, `scatter_v` are what one sample is
    uncertain by where it stands for its share of a sum: the noise alone where a sample is the mean over its
    window, ripple and edges too where it is of one instant. `lowest_over_s`: the loaded voltage is averaged
    over this before its lowest is taken. `averaged`: both channels are means. `resistance_ohm` is what the
    run shows of sample to sample; `skew_s` by how much the current is sampled later than the voltage,
    `slope_a_per_s` the root mean square slope of the current; `together` is the correlation of both scatters
    (-1 to 1): ripple moves both. `clock` is the relative u of time.
    """

    current: ChannelUncertainty
    voltage: ChannelUncertainty
    spacing_s: float
    scatter_a: float
    scatter_v: float
    lowest_over_s: float
    averaged: bool = False
    resistance_ohm: float = 0.0
    skew_s: float = 0.0
    slope_a_per_s: float = 0.0
    together: float = 0.0
    clock: float = 0.0

    @property
    def lowest_readings(self) -> float:
        """How many samples the mean has whose lowest is the minimum voltage of a cut."""
        return max(self.lowest_over_s / self.spacing_s, 1.0)


@dataclass(frozen=True, slots=True)
class Stretch:
    """The sums over one stretch of time: seconds, C, J, V s, A^2 s.

    `hidden_c`, `hidden_j` and `hidden_a2_s` are what its gaps hide; `volt_amperes` is the sum of V dI over
    it; `ends` is how many of its ends lie under load.
    """

    seconds: float
    charge_c: float
    energy_j: float
    volt_s: float
    square_a2_s: float
    hidden_c: float = 0.0
    hidden_j: float = 0.0
    volt_amperes: float = 0.0
    ends: int = 0
    hidden_a2_s: float = 0.0


def charge_u(known: Electrical, stretch: Stretch) -> float:
    """Return u of a charge in coulomb, Q = sum of I dt over `stretch.seconds` T.

    Gain moves it by Q, offset by T (with their correlation), steps that no noise dithers act like an offset;
    n = T / dt samples scatter by s dt sqrt(n) = s sqrt(T dt); time by Q. What a gap hides if the work went on
    as beside it is missing from the value, and is its error with respect to the whole run. An end under load
    lies somewhere between two samples.
    """
    return root_sum_square(
        known.current.common(stretch.charge_c, stretch.seconds),
        known.current.standing * stretch.seconds,
        known.scatter_a * math.sqrt(stretch.seconds * known.spacing_s),
        known.clock * stretch.charge_c,
        stretch.hidden_c,
        ends_share(known, stretch.seconds, stretch.ends) * stretch.charge_c,
    )


def energy_u(known: Electrical, stretch: Stretch, beyond_ohm: float = 0.0) -> float:
    """Return u of an energy in joule, E = sum of V I dt: what `power_sum_u` has, and time and gaps.

    With `beyond_ohm` it is that of E + R S at the far side of a resistance (negative: behind it), S the sum
    of I^2 dt; the same current is in both terms, and its errors are counted once. R itself is not in it.
    """
    beyond_j = beyond_ohm * stretch.square_a2_s
    return root_sum_square(
        power_sum_u(known, stretch, beyond_ohm),
        known.clock * (stretch.energy_j + beyond_j),
        stretch.hidden_j + beyond_ohm * stretch.hidden_a2_s,
    )


def square_u(known: Electrical, stretch: Stretch) -> float:
    """Return u of S, the sum of I^2 dt in A^2 s.

    A gain moves it by 2 S, an offset by 2 Q; n = T / dt samples scatter by 2 I s dt each. Of means over
    windows in which the tool chops it lacks their variance, between nothing and MOST_RIPPLE^2 S.
    """
    ripple = MOST_RIPPLE**2 * stretch.square_a2_s if known.averaged else 0.0
    return root_sum_square(
        known.current.common(2 * stretch.square_a2_s, 2 * stretch.charge_c),
        2 * known.current.standing * stretch.charge_c,
        2 * known.scatter_a * math.sqrt(stretch.square_a2_s * known.spacing_s),
        known.clock * stretch.square_a2_s,
        stretch.hidden_a2_s,
        rectangular(ripple),
    )


def mean_power_u(known: Electrical, stretch: Stretch) -> float:
    """Return u of a mean power in watt over the time covered: time and gaps do not enter."""
    return power_sum_u(known, stretch) / stretch.seconds if stretch.seconds > 0 else 0.0


def power_sum_u(known: Electrical, stretch: Stretch, beyond_ohm: float = 0.0) -> float:
    """Return u of the sum of V I dt in joule as far as it comes from the readings.

    Either gain moves it by E, the current's offset by the integral of V, the voltage's by Q. Samples scatter
    by dt sqrt(sum of V^2 s_I^2 + I^2 s_V^2 + 2 r V I s_I s_V). Where both are means over windows in which the
    tool chops, the product of means is too high by R times the variance of the current inside the window:
    between nothing and R MOST_RIPPLE^2 I^2, a rectangle. A skew d between both moves it by d times the sum of
    V dI. With R I^2 of `beyond_ohm` added, the current's gain moves it by 2 R S more and its offset by 2 R Q,
    and the mean of squares is too low by the same variance.
    """
    seconds = max(stretch.seconds, known.spacing_s)
    beyond_j = beyond_ohm * stretch.square_a2_s
    volt_s = stretch.volt_s + 2 * beyond_ohm * stretch.charge_c
    by_current = known.scatter_a * abs(volt_s) / seconds
    by_voltage = known.scatter_v * math.sqrt(abs(stretch.square_a2_s) / seconds)
    both = by_current**2 + by_voltage**2 + 2 * known.together * by_current * by_voltage
    scatter = math.sqrt(max(both, 0.0) * seconds * known.spacing_s)
    too_high_ohm = known.resistance_ohm - beyond_ohm
    chopped = too_high_ohm * MOST_RIPPLE**2 * stretch.square_a2_s if known.averaged else 0.0
    return root_sum_square(
        known.current.common(stretch.energy_j + 2 * beyond_j, volt_s),
        known.voltage.common(stretch.energy_j, stretch.charge_c),
        known.current.standing * volt_s,
        known.voltage.standing * stretch.charge_c,
        scatter,
        rectangular(chopped),
        ends_share(known, stretch.seconds, stretch.ends) * (stretch.energy_j + beyond_j),
        known.skew_s * stretch.volt_amperes,
    )


def ends_share(known: Electrical, seconds: float, ends: int) -> float:
    """Return what share of a mean or sum over `seconds` is uncertain because its ends fall between samples.

    Each is a rectangle of one sample, dt / sqrt(12) of the time, and by the skew the voltage ends elsewhere.
    """
    each_s = math.hypot(quantisation(known.spacing_s), known.skew_s)
    return each_s * math.sqrt(ends) / seconds if seconds > 0 else 0.0


def level_u(channel: ChannelUncertainty, value: float, random: float) -> float:
    """Return u of one reading or mean: gain on the value, the offset, and `random`, what noise leaves."""
    return root_sum_square(channel.common(value, 1.0), random)


def difference_u(channel: ChannelUncertainty, difference: float, *randoms: float) -> float:
    """Return u of a difference within one channel: gain acts on the difference, the offset drops out."""
    return root_sum_square(channel.common(difference, 0.0), *randoms)


def extreme_random(single: float, readings: float) -> float:
    """Return the random part of u of the highest or lowest of n readings that each scatter by `single`.

    The extreme of n readings of the same level lies about m s beyond it, m the expected largest of n standard
    normal values (Blom, Statistical Estimates and Transformed Beta-Variables, 1958: quantile of
    (n - 3/8) / (n + 1/4), from memory); a lone peak is not moved at all. Between both: a rectangle of 0 to
    m s beside the value, s sqrt(1 + m^2 / 3).
    """
    count = max(readings, 1.0)
    beyond = max(NormalDist().inv_cdf((count - 0.375) / (count + 0.25)), 0.0)
    return single * math.sqrt(1 + beyond * beyond / 3)


def lowest_mean_random(known: Electrical, seconds: float) -> float:
    """Return the random part of u of the lowest mean of the voltage in a stretch of `seconds`."""
    return extreme_random(known.scatter_v / math.sqrt(known.lowest_readings), seconds / known.lowest_over_s)


def peak_power_u(known: Electrical, power_w: float, current_a: float, seconds: float) -> float:
    """Return u of the highest V I of single samples, at a current of `current_a`.

    Both gains on the power, offsets by V and I, noise of both as of an extreme, and a skew d times V dI/dt.
    """
    voltage_v = power_w / current_a if current_a > 0 else 0.0
    noise = math.hypot(voltage_v * known.current.single, current_a * known.voltage.single)
    return root_sum_square(
        known.current.common(power_w, voltage_v),
        known.voltage.common(power_w, current_a),
        extreme_random(noise, seconds / known.spacing_s),
        known.skew_s * voltage_v * known.slope_a_per_s,
    )


def percent_u(channel: ChannelUncertainty, rest_v: float, loaded_v: float, *randoms: float) -> float:
    """Return u of a sag in percent, 100 (1 - L / R), `randoms` those of R and of L.

    The gain drops out; an offset o moves it by 100 o (R - L) / R^2.
    """
    of_rest, of_loaded = randoms
    return root_sum_square(
        100 * channel.offset * (rest_v - loaded_v) / rest_v**2,
        100 * of_loaded / rest_v,
        100 * of_rest * loaded_v / rest_v**2,
    )


def per_ampere_u(
    known: Electrical, sag_v: float, current_a: float, randoms: tuple[float, float, float]
) -> float:
    """Return u of a sag over the mean current of the same time, R = S / I.

    (u_R / R)^2 = gain_V^2 + (u_I / I)^2 + (s_R / S)^2 + (s_L / S)^2 + (s_I / I)^2 + 2 r s_L s_I / (S I),
    with `randoms` s_R of the rest voltage, s_L of the loaded one and s_I of the current, and the correlation
    r of both (`together`): where current and voltage scatter apart, both move the ratio (GUM 5.2.2).
    """
    of_rest, of_loaded, of_current = randoms
    volts, amperes = of_loaded / sag_v, of_current / current_a
    scatter = max(volts**2 + amperes**2 + 2 * known.together * volts * amperes, 0.0)
    relative = root_sum_square(
        known.voltage.common(sag_v, 0.0) / sag_v,
        known.current.common(current_a, 1.0) / current_a,
        of_rest / sag_v,
        math.sqrt(scatter),
    )
    return abs(sag_v / current_a) * relative
