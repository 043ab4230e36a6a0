"""The air between the router and the laptop: how much of the power arrives, now and in the long run."""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo
from math import inf, log10
from random import Random

from adapters.simulated.propagation import (
    DAY_S,
    OrnsteinUhlenbeck,
    PassersBy,
    daily_cycle_db,
    path_loss_db,
    small_scale_fade_db,
    thermal_noise_dbm,
)
from adapters.simulated.scene import Band, Scene, Stay

NOISE_SD_DB = 0.8  # the noise floor wanders with whatever else is switched on
NOISE_TAU_S = 600.0
MAN_MADE_NOISE_DB: dict[Band, float] = {"2.4": 3.0, "5": 0.0}  # the 2.4 GHz band is shared with ovens and toys
CHAIN_IMBALANCE_SD_DB = 3.0


class Air:
    """Everything random about one scene. The same seed gives the same air.

    What belongs to a place (a placement, a channel) is drawn from the seed and the place's name, so that it is
    the same each time one comes back to it, in whatever order. What wanders is read forwards in time only; another
    ``listener`` has wanderings of its own.
    """

    def __init__(self, scene: Scene, seed: int, zone: tzinfo, start_s: float, listener: str = "") -> None:
        fading = scene.fading
        self._scene = scene
        self._seed = seed
        self._zone = zone
        self._listener = listener
        self._fast = self._wanderers("fast", fading.fast_sd_db, fading.fast_tau_s, start_s)
        self._slow = self._wanderers("slow", fading.slow_sd_db, fading.slow_tau_s, start_s)
        self._noise = self._wanderers("noise", NOISE_SD_DB, NOISE_TAU_S, start_s)
        self._passers_by = PassersBy(
            self._random(f"{listener}passers-by"),
            fading.people_per_hour,
            fading.people_stay_s,
            fading.people_depth_shape,
            fading.people_depth_scale_db,
            start_s,
        )
        self._floor_dbm: dict[Band, float] = {
            band: thermal_noise_dbm(20, scene.noise_figure_db) + MAN_MADE_NOISE_DB[band] for band in self._noise
        }
        self._local_minus_time_s = 0.0
        self._offset_good_until_s = -inf

    def gain_db(self, position: str, band: Band, frequency_mhz: int, stay: Stay, at_utc_ms: float) -> float:
        """What is left of the power radiated at ``position`` where the laptop stands, dB, in the long run.

        The same both ways. It holds the small-scale fading of this placement on this frequency, but not what
        passes: people, the day, slow and fast fading. New antennas on the router leave the fading as it was;
        with real ones the phase centre moves a little too.
        """
        spot = f"{stay.location}/{stay.placement}/{position}"
        shared_db = self._random(f"placement/{spot}").gauss(0, self._scene.fading.placement_sd_db)
        fade_db = small_scale_fade_db(self._random(f"fade/{spot}/{frequency_mhz}"), self._scene.fading.shape)
        return shared_db + fade_db - self.mean_loss_db(position, band, frequency_mhz, stay.location, at_utc_ms)

    def mean_loss_db(self, position: str, band: Band, frequency_mhz: int, location: str, at_utc_ms: float) -> float:
        """Path, walls and obstacles, dB: what all placements at a location have in common."""
        path = self._scene.paths[position, location]
        in_the_way_db = sum(
            obstacle.loss_db.get(band, 0.0)
            for obstacle in self._scene.obstacles
            if obstacle.location == location and obstacle.at_utc_ms <= at_utc_ms
        )
        open_air_db = path_loss_db(path.distance_m, frequency_mhz, self._scene.exponent)
        return open_air_db + path.wall_loss_db.get(band, 0.0) + in_the_way_db

    def chain_shares_db(self, stay: Stay) -> tuple[float, float]:
        """How far each of the two receive chains lies below their sum at this placement, dB (both negative)."""
        imbalance_db = self._random(f"chains/{stay.location}/{stay.placement}").gauss(0, CHAIN_IMBALANCE_SD_DB)
        first_db = -10 * log10(1 + 10 ** (-imbalance_db / 10))
        return first_db, first_db - imbalance_db

    def passing_db(self, band: Band, time_s: float, utc_s: float) -> float:
        """What passes, dB: slow and fast fading, the day, people. ``time_s`` must not go back."""
        fading = self._scene.fading
        local_minus_time_s = self._local_minus(time_s, utc_s)
        return (
            self._fast[band].at(time_s)
            + self._slow[band].at(time_s)
            + daily_cycle_db(time_s + local_minus_time_s, fading.daily_amplitude_db, fading.daily_peak_hour)
            - self._passers_by.loss_at(time_s, local_minus_time_s, fading.opens_h, fading.closes_h)
        )

    def noise_dbm(self, band: Band, time_s: float) -> float:
        """The noise floor in 20 MHz, dBm."""
        return self._floor_dbm[band] + self._noise[band].at(time_s)

    def local_hour(self, time_s: float, utc_s: float) -> float:
        """Hours since local midnight."""
        return (time_s + self._local_minus(time_s, utc_s)) % DAY_S / 3600

    def _wanderers(self, name: str, sd_db: float, tau_s: float, start_s: float) -> dict[Band, OrnsteinUhlenbeck]:
        bands: tuple[Band, ...] = ("2.4", "5")
        return {
            band: OrnsteinUhlenbeck(self._random(f"{self._listener}{name}/{band}"), sd_db, tau_s, start_s)
            for band in bands
        }

    def _local_minus(self, time_s: float, utc_s: float) -> float:
        """What turns ``time_s`` into local seconds. Zones shift on the half hour: it is looked up twice an hour."""
        if utc_s >= self._offset_good_until_s:
            offset = datetime.fromtimestamp(utc_s, self._zone).utcoffset() or timedelta()
            self._local_minus_time_s = utc_s - time_s + offset.total_seconds()
            self._offset_good_until_s = utc_s - utc_s % 1800 + 1800
        return self._local_minus_time_s

    def _random(self, name: str) -> Random:
        return Random(f"{self._seed}/{name}")
