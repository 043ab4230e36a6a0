"""A laptop's wireless interface that is not there: a real adapter on a simulated air.

The laptop prefers 5 GHz, falls back to 2.4 GHz for a while now and then (the oftener the weaker 5 GHz is), loses
its link when the router does, and makes a new association after every sleep. The received level is

    EIRP + laptop antenna - path, walls, obstacles + small-scale fading + slow and fast fading + day - people

and the rates follow from it through the signal-to-noise ratio, each direction by its own power and antennas.
"""

from __future__ import annotations

from datetime import UTC, tzinfo
from math import inf, log10
from random import Random

from adapters.abilities import Remedies, abilities_of
from adapters.clock import Clock
from adapters.contract import (
    Ability,
    AdapterError,
    ChannelVisit,
    EventKind,
    HeardRadio,
    LinkEvent,
    LinkReading,
    PhyMode,
    RadioOff,
    RegulatoryDomain,
)
from adapters.simulated.adaptation import best_rate
from adapters.simulated.air import Air
from adapters.simulated.association import Association
from adapters.simulated.ears import Ears, Moment, OnAir
from adapters.simulated.propagation import DAY_S, eirp_dbm
from adapters.simulated.scene import Band, Obstacle, RouterChange, RouterState, Scene, Stay
from adapters.simulated.traffic import Traffic

PHY_MODES: dict[Band, PhyMode] = {"2.4": "HT", "5": "HE"}
LOUDEST_DBM = -10.0  # a receiver says no more than this, however near
LOST_DBM = -90.0  # weaker, and beacons go unheard
FOUND_DBM = -86.0  # strong enough to try again
OUTAGE_MEAN_S = 90.0
# Our own plain model of a laptop that gives 5 GHz up for a while: three times a day at -70 dBm, ten times as often for
# each 5 dB below.
FALLBACKS_PER_DAY_AT_70 = 3.0
FALLBACKS_PER_DAY_AT_MOST = 8.0
FALLBACK_DECADE_DB = 5.0
FALLBACK_MEAN_S = 2400.0
RATE_JITTER_DB = 1.2  # rate control tries around
REASON_LEAVING = 3  # IEEE 802.11-2020 table 9-49
REASON_INACTIVE = 4
SLEPT_S = 1.0  # by more than this the two steady clocks must part
BEACON_INTERVAL_MS = 102.4
_REMEDIES = Remedies(no_link="carry the laptop nearer to the router", missing={})


# A time, and what is planned for it; None: the end of a restart, nothing but a look at what is due.
_Step = tuple[float, RouterChange | Stay | Obstacle | None]


class SimulatedRadio:
    """One simulated wireless interface, as in :class:`adapters.contract.Adapter`.

    ``clock`` is the laptop's: the world moves with its ``elapsed_s`` and begins at its wall time as it is now, so that
    setting the wall clock later moves no router. The same ``seed`` and the same readings give the same answers.
    ``band`` pins the laptop to one band. ``zone`` is the local time of the people in the building.
    """

    name = "simulated"

    def __init__(
        self,
        scene: Scene,
        clock: Clock,
        *,
        seed: int = 0,
        band: Band | None = None,
        interface: str = "wlan0",
        zone: tzinfo = UTC,
    ) -> None:
        self.interface = interface
        self._scene = scene
        self._clock = clock
        self._pinned = band
        self._now_s = clock.elapsed_s()
        self._awake_minus_now_s = clock.awake_s() - self._now_s
        self._utc_minus_now_s = clock.utc_ms() / 1000 - self._now_s
        self._air = Air(scene, seed, zone, self._now_s)
        self._luck = Random(f"{seed}/luck")
        self._traffic = Traffic(Random(f"{seed}/traffic"))
        self._ears = Ears(scene, Air(scene, seed, zone, self._now_s, "ears/"), seed, self._now_s)
        self._told: list[LinkEvent] = []
        self._closed = False
        self._off_by: RadioOff | None = None

        self._router: RouterState = scene.changes[0].state
        self._stay: Stay = scene.stays[0]
        self._chain_shares_db = self._air.chain_shares_db(self._stay)
        self._plan = self._planned()
        self._restarted_s = -inf
        self._dropout_s = self._fallback_s = inf  # when the next one begins
        self._dropout_ends_s = self._fallback_ends_s = -inf
        self._faint: set[Band] = set()  # bands given up for weakness
        self._due_s = self._now_s  # nothing happens by itself before this time
        self._link: Association | None = None
        self._catch_up()
        self._told.clear()  # the laptop was on the air before anyone looked

    def read(self) -> LinkReading:
        self._be_here()
        if self._faint:
            self._listen_again()
        while (link := self._link) is not None:
            passing_db = self._passing_db(link.band)
            level_dbm = link.down_dbm + passing_db
            if level_dbm >= LOST_DBM:
                return self._reading(link, min(level_dbm, LOUDEST_DBM), passing_db)
            self._faint.add(link.band)
            self._join_best(REASON_INACTIVE)
        return LinkReading(
            self.interface,
            connected=False,
            radio_off=self._off_by,
            interface_rx_bytes_total=int(self._traffic.interface_rx_bytes),
            interface_tx_bytes_total=int(self._traffic.interface_tx_bytes),
        )

    def events(self) -> list[LinkEvent]:
        if not self._closed:
            self._catch_up()
        told, self._told = self._told, []
        return told

    def heard(self) -> list[HeardRadio]:
        self._be_here()
        if self._off_by is not None:
            return []
        return self._ears.heard(self._moment(), self._link)

    def visits(self) -> list[ChannelVisit]:
        self._be_here()
        return self._ears.visits(self._link, self._traffic)

    def begin_scan(self) -> None:
        self._be_here()
        if self._off_by is not None:
            raise AdapterError(f"{self.interface} is switched off: nothing can be heard")
        self._ears.begin_scan(self._now_s, self.interface)
        self._told.append(LinkEvent("scan-started"))

    def regulatory(self) -> RegulatoryDomain | None:
        self._be_here()
        return self._scene.regulatory

    def abilities(self) -> list[Ability]:
        return abilities_of(self.read(), _REMEDIES, events="connected, disconnected, roamed, channel-switched")

    def close(self) -> None:
        self._closed = True

    def switch(self, off_by: RadioOff | None) -> None:
        """Somebody switches this radio off, by that; or on again, with None."""
        self._catch_up()
        self._off_by = off_by
        if off_by is not None:
            self._end_scan(in_vain=True)
            self._ears.forget()
        self._join_best(REASON_LEAVING)

    def _be_here(self) -> None:
        if self._closed:
            raise AdapterError("the simulated radio was closed; make a new one")
        self._catch_up()

    # --- the world moves on ---

    def _planned(self) -> list[_Step]:
        """Everything planned, the soonest last."""
        steps: list[_Step] = []
        for change in self._scene.changes:
            at_s = change.at_utc_ms / 1000 - self._utc_minus_now_s
            steps.append((at_s, change))
            steps.append((at_s + change.restart_s, None))
        entries: list[Stay | Obstacle] = [*self._scene.stays, *self._scene.obstacles]
        steps += [(entry.at_utc_ms / 1000 - self._utc_minus_now_s, entry) for entry in entries]
        return sorted(steps, key=lambda step: step[0], reverse=True)

    def _catch_up(self) -> None:
        """Bring the world to the clock's now, one happening after the other."""
        now_s = self._clock.elapsed_s()
        if now_s == self._now_s and now_s < self._due_s:
            return
        awake_minus_now_s = self._clock.awake_s() - now_s
        slept = self._awake_minus_now_s - awake_minus_now_s > SLEPT_S
        if slept:
            self._leave(REASON_LEAVING, by_access_point=False)
        if self._ears.scan_ends_s <= now_s:
            self._go_on_to(self._ears.scan_ends_s, asleep=slept)
            self._end_scan(in_vain=slept)
        self._go_on_to(now_s, asleep=slept)
        self._awake_minus_now_s = awake_minus_now_s
        if slept:
            self._join_best(REASON_LEAVING)
        link = self._link
        if link is not None:
            awake_s = now_s + awake_minus_now_s
            seconds = awake_s - link.counted_to_awake_s
            if seconds > 0:
                link.counted_to_awake_s = awake_s
                hour = self._air.local_hour(now_s, now_s + self._utc_minus_now_s)
                self._traffic.grow(link.counters, seconds, hour, link.snr_db, link.mbps, link.band, link.frequency_mhz)

    def _go_on_to(self, time_s: float, *, asleep: bool) -> None:
        while self._due_s <= time_s:
            self._now_s = self._due_s
            self._happen(asleep=asleep)
        self._now_s = time_s

    def _end_scan(self, *, in_vain: bool) -> None:
        """Whoever sleeps or is switched off meanwhile hears nothing."""
        if self._ears.scan_ends_s == inf:
            return
        if in_vain:
            self._ears.scan_ends_s = inf
        else:
            self._ears.finish_scan(self._moment())
        self._told.append(LinkEvent("scan-finished"))

    def _moment(self) -> Moment:
        router = () if self._silent() else self._router.bands.items()
        on_air = tuple(
            OnAir(band, radio.frequency_mhz(band), radio.width_mhz, self._levels_dbm(band)[0]) for band, radio in router
        )
        return Moment(self._now_s, self._now_s + self._utc_minus_now_s, self._stay.location, on_air)

    def _happen(self, *, asleep: bool) -> None:
        """Do what is due at ``self._now_s``, then find out what is due next."""
        reason_code = REASON_INACTIVE
        while self._plan and self._plan[-1][0] <= self._now_s:
            at_s, entry = self._plan.pop()
            if isinstance(entry, RouterChange):
                self._router = entry.state
                self._restarted_s = at_s + entry.restart_s
                reason_code = REASON_LEAVING
            elif isinstance(entry, Stay):
                self._stay = entry
                self._chain_shares_db = self._air.chain_shares_db(entry)
        if self._dropout_s <= self._now_s:
            self._dropout_ends_s = self._now_s + self._luck.expovariate(1 / OUTAGE_MEAN_S)
        if self._fallback_s <= self._now_s:
            self._fallback_ends_s = self._now_s + self._luck.expovariate(1 / FALLBACK_MEAN_S)
        if not asleep:
            self._join_best(reason_code)
        self._draw_next()

    def _draw_next(self) -> None:
        """Draw when the next drop-out and fallback begin; they have no memory, so drawing anew changes nothing."""
        now_s = self._now_s
        self._dropout_s = self._fallback_s = inf
        if self._router.dropouts_per_day > 0 and not self._silent():
            self._dropout_s = now_s + self._luck.expovariate(self._router.dropouts_per_day / DAY_S)
        both = self._router.bands.keys() >= {"2.4", "5"}
        if both and self._pinned is None and self._fallback_ends_s <= now_s:
            weakness_db = -70.0 - self._levels_dbm("5")[0]
            per_day = min(FALLBACKS_PER_DAY_AT_70 * 10 ** (weakness_db / FALLBACK_DECADE_DB), FALLBACKS_PER_DAY_AT_MOST)
            self._fallback_s = now_s + self._luck.expovariate(per_day / DAY_S)
        ends_s = (end_s for end_s in (self._dropout_ends_s, self._fallback_ends_s) if end_s > now_s)
        planned_s = self._plan[-1][0] if self._plan else inf
        self._due_s = min(self._dropout_s, self._fallback_s, planned_s, *ends_s)

    def _silent(self) -> bool:
        return self._now_s < max(self._restarted_s, self._dropout_ends_s)

    # --- the link ---

    def _join_best(self, reason_code: int) -> None:
        """Be on the band that the laptop would choose now, and tell what that changed."""
        band = self._best_band()
        if band is None:
            self._leave(reason_code, by_access_point=reason_code == REASON_LEAVING and self._off_by is None)
            return
        radio = self._router.bands[band]
        frequency_mhz = radio.frequency_mhz(band)
        link = self._link
        if link is None or link.band != band:
            kind: EventKind = "connected" if link is None else "roamed"
            awake_s = self._now_s + self._awake_minus_now_s
            link = self._link = Association(band, self._now_s, awake_s, awake_s, radio, frequency_mhz)
            self._tell(kind, link)
        elif (link.frequency_mhz, link.radio.width_mhz) != (frequency_mhz, radio.width_mhz):
            link.radio, link.frequency_mhz = radio, frequency_mhz
            self._tell("channel-switched", link)
        link.radio = radio
        link.down_dbm, link.up_dbm = self._levels_dbm(band)
        link.wider_noise_db = 10 * log10(radio.width_mhz / 20)

    def _leave(self, reason_code: int, *, by_access_point: bool) -> None:
        link, self._link = self._link, None
        if link is not None:
            bssid = self._scene.bssids[link.band]
            self._told.append(
                LinkEvent("disconnected", bssid, reason_code=reason_code, by_access_point=by_access_point)
            )

    def _tell(self, kind: EventKind, link: Association) -> None:
        bssid = self._scene.bssids[link.band]
        self._told.append(LinkEvent(kind, bssid, self._scene.ssid, link.frequency_mhz, link.radio.width_mhz))

    def _best_band(self) -> Band | None:
        if self._silent() or self._off_by is not None:
            return None
        fallen_back = self._fallback_ends_s > self._now_s
        wanted: tuple[Band, ...] = (self._pinned,) if self._pinned else ("2.4", "5") if fallen_back else ("5", "2.4")
        return next((band for band in wanted if band in self._router.bands and band not in self._faint), None)

    def _listen_again(self) -> None:
        """Take back the bands that were given up for weakness and can be heard again."""
        heard = {
            band
            for band in self._faint
            if band in self._router.bands and self._levels_dbm(band)[0] + self._passing_db(band) >= FOUND_DBM
        }
        if heard:
            self._faint -= heard
            self._join_best(REASON_INACTIVE)

    # --- levels ---

    def _levels_dbm(self, band: Band) -> tuple[float, float]:
        """Downlink and uplink level in the long run, at this placement and in this state of the router."""
        radio = self._router.bands[band]
        scene = self._scene
        at_utc_ms = (self._now_s + self._utc_minus_now_s) * 1000
        frequency_mhz = radio.frequency_mhz(band)
        way_db = self._air.gain_db(self._router.position, band, frequency_mhz, self._stay, at_utc_ms)
        way_db += scene.laptop_antenna_gain_dbi
        down_dbm = eirp_dbm(radio.tx_power_dbm, radio.cable_loss_db, radio.antenna_gain_dbi) + way_db
        up_dbm = eirp_dbm(scene.laptop_tx_power_dbm, radio.cable_loss_db, radio.antenna_gain_dbi) + way_db
        return down_dbm, up_dbm

    def _passing_db(self, band: Band) -> float:
        return self._air.passing_db(band, self._now_s, self._now_s + self._utc_minus_now_s)

    def _reading(self, link: Association, level_dbm: float, passing_db: float) -> LinkReading:
        gauss = self._luck.gauss
        band, radio, counters, traffic = link.band, link.radio, link.counters, self._traffic
        frame_sd_db = self._scene.fading.frame_sd_db
        frame_dbm = min(level_dbm + gauss(0, frame_sd_db), LOUDEST_DBM)
        noise_dbm = self._air.noise_dbm(band, self._now_s)
        floor_dbm = noise_dbm + link.wider_noise_db
        phy_mode = PHY_MODES[band]
        rx_rate = best_rate(level_dbm - floor_dbm + gauss(0, RATE_JITTER_DB), phy_mode, radio.width_mhz)
        link.snr_db = link.up_dbm + passing_db - floor_dbm
        tx_rate = best_rate(link.snr_db + gauss(0, RATE_JITTER_DB), phy_mode, radio.width_mhz)
        link.mbps = tx_rate.mbps or 1.0
        link.passing_db, link.noise_dbm, link.read_s = passing_db, round(noise_dbm), self._now_s
        first_db, second_db = self._chain_shares_db
        return LinkReading(
            interface=self.interface,
            connected=True,
            ssid=self._scene.ssid,
            bssid=self._scene.bssids[band],
            frequency_mhz=link.frequency_mhz,
            width_mhz=radio.width_mhz,
            rssi_dbm=round(frame_dbm),
            rssi_avg_dbm=round(level_dbm),
            beacon_rssi_avg_dbm=round(level_dbm + gauss(0, frame_sd_db / 2)),
            chain_rssi_dbm=(round(frame_dbm + first_db), round(frame_dbm + second_db)),
            noise_dbm=round(noise_dbm),
            channel_active_ms_total=int(traffic.channel_active_ms.get(link.frequency_mhz, 0)),
            channel_busy_ms_total=int(traffic.channel_busy_ms.get(link.frequency_mhz, 0)),
            rx_rate=rx_rate,
            tx_rate=tx_rate,
            rx_packets_total=int(counters.rx_packets),
            tx_packets_total=int(counters.tx_packets),
            rx_bytes_total=int(counters.rx_bytes),
            tx_bytes_total=int(counters.tx_bytes),
            tx_retries_total=int(counters.tx_retries),
            tx_failed_total=int(counters.tx_failed),
            beacon_loss_total=int(counters.beacon_losses),
            connected_time_s=int(self._now_s + self._awake_minus_now_s - link.since_awake_s),
            inactive_time_ms=int(self._luck.random() * BEACON_INTERVAL_MS),
            associated_at_boottime_ns=int(link.since_elapsed_s * 1e9),
            tx_power_dbm=self._scene.laptop_tx_power_dbm,
            interface_rx_bytes_total=int(traffic.interface_rx_bytes),
            interface_tx_bytes_total=int(traffic.interface_tx_bytes),
        )
