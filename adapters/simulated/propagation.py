"""What the air does to a signal on its way: the laws and the random processes, each on its own.

All levels are in dB or dBm, all times in seconds. Each process may be read at any later time, however far
apart the readings are: the distribution of what is read does not depend on the steps taken on the way.
"""

from __future__ import annotations

import math
from random import Random

SPEED_OF_LIGHT_M_PER_S = 299_792_458.0
THERMAL_NOISE_DBM_PER_HZ = -173.975  # k * 290 K, in dBm per hertz
DAY_S = 86_400.0


def free_space_loss_db(distance_m: float, frequency_mhz: float) -> float:
    """Loss between isotropic antennas in free space, dB: 20 log10(4 pi d f / c) (Friis 1946; ITU-R P.525)."""
    return 20 * math.log10(4 * math.pi * distance_m * frequency_mhz * 1e6 / SPEED_OF_LIGHT_M_PER_S)


def path_loss_db(distance_m: float, frequency_mhz: float, exponent: float) -> float:
    """Log-distance path loss, dB: the free-space loss of the first metre + 10 n log10(d / 1 m).

    Source: Rappaport, Wireless Communications, 2nd ed., section 4.9; indoors the exponent n is about 1.6 along a
    corridor and 2.5 to 3.5 through rooms (ITU-R P.1238). Nearer than one metre counts as one metre.
    """
    return free_space_loss_db(1.0, frequency_mhz) + 10 * exponent * math.log10(max(distance_m, 1.0))


def eirp_dbm(tx_power_dbm: float, cable_loss_db: float, antenna_gain_dbi: float) -> float:
    """Equivalent isotropically radiated power, dBm: transmit power - cable loss + antenna gain (ITU-R V.573)."""
    return tx_power_dbm - cable_loss_db + antenna_gain_dbi


def thermal_noise_dbm(width_mhz: float, noise_figure_db: float) -> float:
    """Noise of a receiver at 290 K over ``width_mhz``, dBm: kTB + noise figure (ITU-R P.372)."""
    return THERMAL_NOISE_DBM_PER_HZ + 10 * math.log10(width_mhz * 1e6) + noise_figure_db


def small_scale_fade_db(random: Random, shape: float) -> float:
    """One draw of Nakagami-m fading, dB about the mean power: the power is gamma of shape m and mean 1.

    m = 1 is Rayleigh fading; (K + 1)^2 / (2K + 1) imitates Rician fading of factor K (Nakagami 1960; Simon and
    Alouini, Digital Communication over Fading Channels, section 2.2). In dB its standard deviation is
    10/ln 10 * sqrt(trigamma(m)) and its mean 10/ln 10 * (digamma(m) - ln m), a little below 0.
    """
    return 10 * math.log10(max(random.gammavariate(shape, 1 / shape), 1e-6))


def daily_cycle_db(local_s: float, amplitude_db: float, peak_hour: float) -> float:
    """A cosine over the local day, dB, highest at ``peak_hour``; ``local_s`` counts from any local midnight."""
    return amplitude_db * math.cos(2 * math.pi * (local_s / DAY_S - peak_hour / 24))


class OrnsteinUhlenbeck:
    """Slow wandering about 0: stationary, Gaussian, with autocorrelation exp(-lag / tau).

    Stepped exactly for any dt: x' = x e^(-dt/tau) + sd sqrt(1 - e^(-2 dt/tau)) N(0, 1) (Gillespie 1996, Phys. Rev.
    E 54, 2084). It begins at a draw of its own stationary distribution.
    """

    def __init__(self, random: Random, sd: float, tau_s: float, start_s: float = 0.0) -> None:
        self._gauss = random.gauss
        self._sd = sd
        self._tau_s = tau_s
        self._time_s = start_s
        self._value = sd * self._gauss(0, 1)
        self._step_s = -1.0  # the step that the two factors below were worked out for
        self._keep = 0.0
        self._stir = 0.0

    def at(self, time_s: float) -> float:
        """The value at a time not before the last one asked for."""
        step_s = time_s - self._time_s
        if step_s > 0:
            if step_s != self._step_s:
                self._step_s = step_s
                self._keep = math.exp(-step_s / self._tau_s)
                self._stir = self._sd * math.sqrt(-math.expm1(-2 * step_s / self._tau_s))
            self._value = self._value * self._keep + self._stir * self._gauss(0, 1)
            self._time_s = time_s
        return self._value


class PassersBy:
    """People who stand in the path: arrivals are Poisson, each stays an exponential time and takes a gamma depth.

    Depths of several people add. While people are about, this is shot noise (M/G/infinity): its mean is
    rate * stay * E[depth] and its variance rate * stay * E[depth^2] (Campbell's theorem), with
    E[depth] = shape * scale and E[depth^2] = shape (shape + 1) scale^2.
    """

    def __init__(
        self, random: Random, per_hour: float, stay_s: float, depth_shape: float, depth_scale_db: float, start_s: float
    ) -> None:
        self._random = random
        self._rate_per_s = per_hour / 3600
        self._leave_rate_per_s = 1 / stay_s
        self._depth_shape = depth_shape
        self._depth_scale_db = depth_scale_db
        self._next_s = start_s + self._wait_s()
        self._here: list[tuple[float, float]] = []  # (leaves at, depth)

    def loss_at(self, time_s: float, local_minus_time_s: float, opens_h: float, closes_h: float) -> float:
        """Loss in dB at a time not before the last one asked for; nobody arrives outside the opening hours.

        ``local_minus_time_s`` turns ``time_s`` into seconds since a local midnight.
        """
        while self._next_s <= time_s:
            arrival_s = self._next_s
            self._next_s += self._wait_s()
            leaves_s = arrival_s + self._random.expovariate(self._leave_rate_per_s)
            depth_db = self._random.gammavariate(self._depth_shape, self._depth_scale_db)
            if leaves_s > time_s and opens_h <= (arrival_s + local_minus_time_s) % DAY_S / 3600 < closes_h:
                self._here.append((leaves_s, depth_db))
        if not self._here:
            return 0.0
        self._here = [(leaves_s, depth_db) for leaves_s, depth_db in self._here if leaves_s > time_s]
        return sum(depth_db for _, depth_db in self._here)

    def _wait_s(self) -> float:
        return self._random.expovariate(self._rate_per_s) if self._rate_per_s > 0 else math.inf
