"""What the simulated card hears besides its link: the router's radios, the neighbours', and how busy channels are.

By the same laws as the link, but with chances of its own: listening must not change what is read. What was heard is
forgotten after half a minute, as a system's scan cache does.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf
from random import Random

from adapters.contract import ChannelVisit, FrequencyRule, HeardRadio
from adapters.errors import AdapterError
from adapters.ieee80211 import frequency_of
from adapters.simulated.air import Air
from adapters.simulated.association import Association
from adapters.simulated.propagation import OrnsteinUhlenbeck
from adapters.simulated.scene import Band, Scene
from adapters.simulated.traffic import NEIGHBOURS_BUSY_SHARE, WORK_H, Traffic

SCAN_S = 3.2
VISIT_MS = 110  # how long a scan stays on a channel: a beacon interval and a bit
FORGOTTEN_S = 30.0
READ_WITHIN_S = 10.0  # so long does a reading tell how strong the link is
UNHEARD_DBM = -90.0
LOUDEST_DBM = -10.0
BEACON_INTERVAL_MS = 102.4
NEIGHBOUR_SD_DB, NEIGHBOUR_TAU_S = 2.0, 1200.0  # how neighbours' levels wander
POWER_CONSTRAINT_DB = 3  # what the router asks of stations where radar comes first
QUIET_SHARE: dict[Band, float] = {"2.4": 0.04, "5": 0.01}  # how busy a channel is on which nobody is heard
AFTER_HOURS = 0.3  # of a neighbour's airtime and stations, outside working hours
CHANNELS: dict[Band, tuple[int, ...]] = {
    "2.4": tuple(range(1, 14)),
    "5": (36, 40, 44, 48, 52, 56, 60, 64, 100, 104, 108, 112, 116, 120, 124, 128, 132, 136, 140),
}


@dataclass(frozen=True, slots=True)
class OnAir:
    """One radio of the router: its channel, and its level where the laptop stands, in the long run."""

    band: Band
    frequency_mhz: int
    width_mhz: int
    level_dbm: float


@dataclass(frozen=True, slots=True)
class Moment:
    """The world at one moment, as far as it can be heard. A router that is silent has no radios."""

    time_s: float
    utc_s: float
    location: str
    router: tuple[OnAir, ...]


class Ears:
    """Hears for one simulated radio. ``scan_ends_s`` is infinite while no scan goes on. Moments must not go back."""

    def __init__(self, scene: Scene, air: Air, seed: int, start_s: float) -> None:
        self._scene = scene
        self._air = air
        self._luck = Random(f"{seed}/ears")
        self._wander = {
            each.bssid: OrnsteinUhlenbeck(Random(f"{seed}/{each.bssid}"), NEIGHBOUR_SD_DB, NEIGHBOUR_TAU_S, start_s)
            for each in scene.neighbours
        }
        self._channels = [(band, _mhz(channel, band)) for band, channels in CHANNELS.items() for channel in channels]
        middles = [center_mhz(_mhz(each.channel, each.band), each.width_mhz) for each in scene.neighbours]
        self._takes_mhz = {  # by neighbour, the channels across which it sends
            each.bssid: {mhz for _, mhz in self._channels if abs(middle_mhz - mhz) < each.width_mhz / 2}
            for each, middle_mhz in zip(scene.neighbours, middles, strict=True)
        }
        self._heard: dict[str, tuple[float, HeardRadio]] = {}  # by BSSID, with the time of its last beacon
        self._visits: dict[int, ChannelVisit] = {}
        self._visited: Moment | None = None  # by a scan; what it found is worked out when somebody asks
        self.scan_ends_s = inf

    def begin_scan(self, now_s: float, interface: str) -> None:
        if self.scan_ends_s < inf:
            raise AdapterError(f"{interface} is busy with a scan; ask again when it has finished")
        self.scan_ends_s = now_s + SCAN_S

    def forget(self) -> None:
        """The radio was switched off."""
        self._heard.clear()
        self._visits.clear()
        self._visited = None

    def finish_scan(self, moment: Moment) -> None:
        """Take in what is on the air as the scan ends."""
        self.scan_ends_s = inf
        for radio in (*self._router(moment), *self._neighbours(moment)):
            if radio.rssi_dbm is not None and radio.rssi_dbm >= UNHEARD_DBM:
                visited_s = moment.time_s - self._luck.random() * SCAN_S  # one channel after the other
                self._heard[radio.bssid] = visited_s, radio
        self._visited = moment

    def heard(self, moment: Moment, link: Association | None) -> list[HeardRadio]:
        """What is remembered, and every beacon of the radio that the laptop is on, as strong as it was just read."""
        out: dict[str, HeardRadio] = {}
        if link is not None:
            fresh = moment.time_s - link.read_s <= READ_WITHIN_S
            level_dbm = link.down_dbm + link.passing_db if fresh else None
            for radio in self._router(moment, link.band, level_dbm):
                age_ms = int(self._luck.random() * BEACON_INTERVAL_MS)
                out[radio.bssid] = replace(radio, associated=True, age_ms=age_ms)
        for bssid, (seen_s, radio) in list(self._heard.items()):
            if moment.time_s - seen_s >= FORGOTTEN_S:
                del self._heard[bssid]
            else:
                out.setdefault(bssid, replace(radio, age_ms=round((moment.time_s - seen_s) * 1000)))
        return list(out.values())

    def visits(self, link: Association | None, traffic: Traffic) -> list[ChannelVisit]:
        """What the last scan found, and on the channel in use what was counted all along."""
        if self._visited is not None:
            for band, frequency_mhz in self._channels:
                self._visits[frequency_mhz] = self._visit(band, frequency_mhz, self._visited)
            self._visited = None
        visits = dict(self._visits)
        if link is not None:
            mhz = link.frequency_mhz
            active_ms, busy_ms = traffic.channel_active_ms.get(mhz, 0), traffic.channel_busy_ms.get(mhz, 0)
            visits[mhz] = ChannelVisit(mhz, link.noise_dbm, int(active_ms), int(busy_ms))
        return list(visits.values())

    def _router(self, moment: Moment, only: Band | None = None, level_dbm: float | None = None) -> list[HeardRadio]:
        out: list[HeardRadio] = []
        at_work = self._at_work(moment)
        for radio in moment.router:
            if only not in (None, radio.band):
                continue
            if level_dbm is None:
                passing_db = self._air.passing_db(radio.band, moment.time_s, moment.utc_s)
                mean_dbm = radio.level_dbm + passing_db
            else:
                mean_dbm = level_dbm
            always, by_day = NEIGHBOURS_BUSY_SHARE[radio.band]
            out.append(
                self._described(
                    radio.frequency_mhz,
                    radio.width_mhz,
                    mean_dbm,
                    bssid=self._scene.bssids[radio.band],
                    ssid=self._scene.ssid,
                    station_count=1 + (3 if at_work else 1) + self._luck.randrange(2),
                    busy_share=(always + by_day * at_work) * self._luck.uniform(0.7, 1.3),
                )
            )
        return out

    def _neighbours(self, moment: Moment) -> list[HeardRadio]:
        out: list[HeardRadio] = []
        activity = 1.0 if self._at_work(moment) else AFTER_HOURS
        for each in self._scene.neighbours:
            wander_db = self._wander[each.bssid].at(moment.time_s)
            level_dbm = each.level_dbm.get(moment.location)
            frequency_mhz = frequency_of(each.channel, each.band)
            if level_dbm is None or frequency_mhz is None:
                continue
            busy_share = min(each.busy_share * activity * self._luck.uniform(0.7, 1.3), 1.0)
            out.append(
                self._described(
                    frequency_mhz,
                    each.width_mhz,
                    level_dbm + wander_db,
                    bssid=each.bssid,
                    ssid=each.ssid,
                    station_count=round(each.station_count * activity) if each.tells_load else None,
                    busy_share=busy_share if each.tells_load else None,
                )
            )
        return out

    def _described(
        self,
        frequency_mhz: int,
        width_mhz: int,
        level_dbm: float,
        *,
        bssid: str,
        ssid: bytes | None,
        station_count: int | None,
        busy_share: float | None,
    ) -> HeardRadio:
        rssi_dbm = min(level_dbm + self._luck.gauss(0, self._scene.fading.frame_sd_db), LOUDEST_DBM)
        domain, rule = self._scene.regulatory, self._rule(frequency_mhz)
        limit_dbm = None if rule is None or rule.max_eirp_dbm is None else int(rule.max_eirp_dbm)
        return HeardRadio(
            bssid=bssid,
            frequency_mhz=frequency_mhz,
            ssid=ssid,
            center_mhz=center_mhz(frequency_mhz, width_mhz),
            width_mhz=width_mhz,
            rssi_dbm=float(round(rssi_dbm)),
            station_count=station_count,
            busy_share=None if busy_share is None else round(busy_share * 255) / 255,
            country=None if domain is None else domain.country,
            country_max_dbm=limit_dbm,
            power_constraint_db=POWER_CONSTRAINT_DB if rule is not None and rule.radar_detection else None,
        )

    def _rule(self, frequency_mhz: int) -> FrequencyRule | None:
        domain = self._scene.regulatory
        rules = () if domain is None else domain.rules
        return next((rule for rule in rules if rule.start_mhz < frequency_mhz < rule.end_mhz), None)

    def _visit(self, band: Band, frequency_mhz: int, moment: Moment) -> ChannelVisit:
        """How busy a channel is, by who is heard on it."""
        activity = 1.0 if self._at_work(moment) else AFTER_HOURS
        busy_share = QUIET_SHARE[band]
        for each in self._scene.neighbours:
            if (
                frequency_mhz in self._takes_mhz[each.bssid]
                and each.level_dbm.get(moment.location, -inf) >= UNHEARD_DBM
            ):
                busy_share += each.busy_share * activity
        for radio in moment.router:
            middle_mhz = center_mhz(radio.frequency_mhz, radio.width_mhz)
            if abs(middle_mhz - frequency_mhz) < radio.width_mhz / 2:  # as the link itself finds it
                always, by_day = NEIGHBOURS_BUSY_SHARE[band]
                busy_share = max(busy_share, always + by_day * self._at_work(moment))
        busy_ms = min(busy_share * self._luck.uniform(0.5, 1.5), 1.0) * VISIT_MS
        return ChannelVisit(frequency_mhz, round(self._air.noise_dbm(band, moment.time_s)), VISIT_MS, round(busy_ms))

    def _at_work(self, moment: Moment) -> bool:
        return WORK_H[0] <= self._air.local_hour(moment.time_s, moment.utc_s) < WORK_H[1]


def _mhz(channel: int, band: Band) -> int:
    return frequency_of(channel, band) or 0


def center_mhz(frequency_mhz: int, width_mhz: int) -> float:
    """The middle of the channel whose primary 20 MHz channel that is. In 5 GHz they lie on a raster (IEEE 802.11-2020,
    annex E) from 5170 and 5490 MHz; in 2.4 GHz the other half lies where there is room."""
    if width_mhz == 20:
        return float(frequency_mhz)
    if frequency_mhz < 3000:
        return frequency_mhz + (10.0 if frequency_mhz <= 2442 else -10.0)
    edge_mhz = 5170 if frequency_mhz < 5490 else 5490
    return edge_mhz + ((frequency_mhz - edge_mhz) // width_mhz + 0.5) * width_mhz
