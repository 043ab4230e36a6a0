"""The air round the laptop, over the logged days: who is heard on which channel, how busy it is, and whether another
channel would be better. ``find_air`` works it all out, for the command and for the report."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from itertools import combinations

import numpy as np

from adapters.contract import RegulatoryDomain
from adapters.ieee80211 import band_of, channel_of
from dashboards.air.findings import AirFindings, ChannelHeard, Choice, OwnChannel, RadioHeard
from dashboards.air.rules import ChannelRules, radar_in_most_countries, rules_on
from dashboards.air.scans import AirLog, Described, read_air
from dashboards.analysis.air.airtime import (
    LEAST_DAYS,
    LEAST_LOOKS_A_DAY,
    busiest_hours,
    by_hours,
    daily_means,
    full_sweeps,
    median,
    once_each,
    per_look,
    presences,
    visits_on,
)
from dashboards.analysis.air.choice import Candidate, channels_of, pick, pieces_mhz
from dashboards.analysis.air.overlap import Channel, relation, share
from dashboards.analysis.copies import LEAST_STRETCHES, is_one, may_be_one
from logger.log import Log
from logger.router_settings import eirp_dbm

MOST_LOOKS_FOR_COPIES = 2_000  # the newest


def find_air(
    log: Log,
    *,
    zone: str,
    location: str | None = None,
    band: str | None = None,
    since_utc_ms: int = 0,
    regulatory: RegulatoryDomain | None = None,
    no_rules: str = "a report does not read them; 'linktrial channels' does, on the machine that has the card",
) -> AirFindings:
    """What full scans since a moment tell, at one location or all and on one band or all. ``zone``: whose clock the
    hours of the day are of. ``regulatory``: the rules in force, where the system told them; ``no_rules``: why it did
    not."""
    air = read_air(log, zone, location=location, since_utc_ms=since_utc_ms)
    found = _Finder(air, regulatory).found(zone, band)
    return replace(found, band=band, no_rules=None if regulatory else no_rules)


class _Finder:
    """Puts together what one log tells."""

    def __init__(self, air: AirLog, regulatory: RegulatoryDomain | None) -> None:
        self.air = air
        self.looks = air.looks
        self.regulatory = regulatory
        self.link = air.links[0] if air.links else None
        self.mhz = np.array([radio.frequency_mhz for radio in air.radios], dtype=np.int64)
        self.on = [Channel.known(radio.frequency_mhz, radio.center_mhz, radio.width_mhz) for radio in air.radios]
        self.kinds = list(dict.fromkeys(self.on))
        numbers = {on: number for number, on in enumerate(self.kinds)}
        self.kind = np.array([numbers[on] for on in self.on], dtype=np.int64)
        networks = {link.ssid for link in air.links if link.ssid}
        addresses = {link.bssid for link in air.links if link.bssid}
        self.ours = np.array([radio.ssid in networks or radio.bssid in addresses for radio in air.radios], dtype=bool)
        self.counted = self._counted()
        self.presences = presences(self.looks, self.counted)
        self.is_heard = np.array([presence.n_heard > 0 for presence in self.presences], dtype=bool)
        self.group = self._groups()
        self.once = once_each(self.looks, self.group)
        look, transmitter = self.once
        n_heard = np.bincount(transmitter[self.counted[look]], minlength=len(self.on))
        self.at_a_look = n_heard / max(int(self.counted.sum()), 1)  # by transmitter, in the mean
        of_us = set(self.group[self.ours].tolist())
        self.own_group = np.array([number in of_us for number in self.group.tolist()], dtype=bool)  # by radio
        self.own = {own.band: own for own in self._own_channels()}

    def found(self, zone: str, band: str | None) -> AirFindings:
        def wanted(one: str | None) -> bool:
            return band is None or one == band

        times = self.air.times_ms
        heard = {self.air.radios[number].frequency_mhz for number in np.flatnonzero(self.is_heard).tolist()}
        ours = {round(own.on.primary_mhz) for own in self.own.values()}
        mhz = sorted(heard | ours | set(self.looks.visit_mhz.tolist()))
        channels = [self._channel(each) for each in mhz]
        return AirFindings(
            locations=self.air.locations,
            zone=zone,
            from_utc_ms=int(times[0]) if len(times) else None,
            to_utc_ms=int(times[-1]) if len(times) else None,
            n_looks=len(times),
            n_counted=int(self.counted.sum()),
            n_days=len(np.unique(self.looks.day[self.counted])),
            n_asked=int(self.looks.asked.sum()),
            own=tuple(own for own in self.own.values() if wanted(own.band)),
            channels=tuple(channel for channel in channels if wanted(channel.band)),
            radios=tuple(radio for radio in self._radios() if wanted(radio.band)),
            choices=tuple(self._choice(own) for own in self.own.values() if wanted(own.band)),
            country=None if self.regulatory is None else self.regulatory.country,
        )

    # --- which looks, whose radios ---

    def _counted(self) -> np.ndarray:
        """Looks that tell of all channels; all of them, where none does."""
        linked_mhz = [link.frequency_mhz for link in self.air.links]
        swept = full_sweeps(self.looks, ~np.isin(self.mhz, linked_mhz) & ~self.ours)
        off_channel = ~np.isin(self.looks.visit_mhz, linked_mhz)
        swept[self.looks.visit_look[off_channel]] = True
        return swept if swept.any() else np.ones(len(swept), dtype=bool)

    def _groups(self) -> np.ndarray:
        """By radio, the number of its transmitter: the radio of its addresses that was heard most."""
        group = np.arange(len(self.air.radios))
        for copies in self._copies():
            most = max(copies, key=lambda radio: (self.presences[radio].n_heard, -radio))
            group[list(copies)] = most
        return group

    def _copies(self) -> Iterator[set[int]]:
        """Radios that are copies of one another, by their addresses and their levels at the newest looks."""
        looks = self.looks
        newest = np.flatnonzero(self.counted)[-MOST_LOOKS_FOR_COPIES:]
        column = np.full(len(looks.day), -1)
        column[newest] = np.arange(len(newest))
        mine = np.flatnonzero((column[looks.seen_look] >= 0) & ~np.isnan(looks.seen_rssi_dbm))
        radios = looks.seen_radio[mine]
        often = np.bincount(radios, minlength=len(self.mhz)) >= LEAST_STRETCHES  # who passes by is nobody's copy
        for mhz in np.unique(self.mhz[often]).tolist():
            here = np.flatnonzero(often & (self.mhz == mhz))
            if len(here) < 2:
                continue
            row = np.full(len(self.mhz), -1)
            row[here] = np.arange(len(here))
            on_it = mine[row[radios] >= 0]
            level = np.full((len(here), len(newest)), np.nan)
            level[row[looks.seen_radio[on_it]], column[looks.seen_look[on_it]]] = looks.seen_rssi_dbm[on_it]
            found: list[set[int]] = []
            for one, other in combinations(range(len(here)), 2):
                pair = {int(here[one]), int(here[other])}
                if not may_be_one(*(self.air.radios[radio].bssid for radio in pair)):
                    continue
                if is_one(level[one], level[other], np.ones(len(newest))):
                    joined = [known for known in found if known & pair]
                    found = [known for known in found if not known & pair] + [pair.union(*joined)]
            yield from found

    def _own_channels(self) -> Iterator[OwnChannel]:
        """By band: the link that the laptop had last there, else the strongest radio of its network."""
        radios = self.air.radios
        described = {(radio.bssid, radio.frequency_mhz): radio for radio in radios}
        for link in self.air.links:
            if link.band is None:
                continue
            radio = described.get((link.bssid or "", link.frequency_mhz))
            centre = radio.center_mhz if radio and radio.width_mhz == link.width_mhz else None
            on = Channel.known(link.frequency_mhz, centre, link.width_mhz)
            yield self._own_channel(link.band, on, link.bssid, link.ssid_text, radio, linked=True)
        linked = {link.band for link in self.air.links}
        heard = [number for number in np.flatnonzero(self.ours).tolist() if radios[number].band not in linked]
        heard.sort(key=lambda number: -(self.presences[number].rssi_median_dbm or -999))
        told = set()
        for number in heard:
            radio = radios[number]
            if radio.band and radio.band not in told and self.presences[number].n_heard:
                told.add(radio.band)
                yield self._own_channel(radio.band, self.on[number], radio.bssid, radio.ssid_text, radio, linked=False)

    def _own_channel(
        self, band: str, on: Channel, bssid: str | None, ssid: str | None, radio: Described | None, *, linked: bool
    ) -> OwnChannel:
        return OwnChannel(
            band=band,
            channel=channel_of(round(on.primary_mhz)),
            on=on,
            bssid=bssid,
            ssid=ssid,
            linked=linked,
            country=None if radio is None else radio.country,
            country_max_dbm=None if radio is None else radio.country_max_dbm,
            power_constraint_db=None if radio is None else radio.power_constraint_db,
            eirp_dbm=eirp_dbm(self.air.settings, band),
            rules=self._rules(on),
        )

    def _rules(self, channel: Channel) -> ChannelRules | None:
        return None if self.regulatory is None else rules_on(self.regulatory, channel)

    # --- radios and channels ---

    def _radios(self) -> list[RadioHeard]:
        """The own network's first, then by channel, the most heard first."""
        found = []
        for number, radio in enumerate(self.air.radios):
            presence = self.presences[number]
            if self.group[number] != number or not presence.n_heard:
                continue
            own = self.own.get(radio.band or "")
            others = np.flatnonzero(self.group == number).tolist()
            found.append(
                RadioHeard(
                    bssid=radio.bssid,
                    also_bssid=tuple(self.air.radios[other].bssid for other in others if other != number),
                    ssid=radio.ssid_text,
                    band=radio.band,
                    channel=channel_of(radio.frequency_mhz),
                    frequency_mhz=radio.frequency_mhz,
                    width_mhz=radio.width_mhz,
                    own=bool(self.own_group[number]),
                    presence=presence,
                    relation=None if own is None else relation(self.on[number], own.on),
                    overlap=None if own is None else share(self.on[number], own.on),
                )
            )
        return sorted(found, key=lambda radio: (not radio.own, radio.frequency_mhz, -radio.presence.share))

    def _channel(self, mhz: int) -> ChannelHeard:
        looks = self.looks
        here = self.mhz == mhz
        own = next((own for own in self.own.values() if own.band == band_of(mhz)), None)
        mask = here & self.is_heard & ~self.own_group & (self.group == np.arange(len(here)))
        neighbours = np.flatnonzero(mask).tolist()
        level = {number: self.presences[number].rssi_median_dbm or -999.0 for number in neighbours}
        strongest = self.presences[max(level, key=lambda number: level[number])] if level else None
        meets = [] if own is None else [(share(self.on[n], own.on), relation(self.on[n], own.on)) for n in neighbours]
        most = max(meets, key=lambda each: each[0], default=None)
        loads = here[looks.seen_radio] & self.counted[looks.seen_look] & ~np.isnan(looks.seen_load)
        ours = loads & self.own_group[looks.seen_radio]
        others = loads & ~ours
        busy, n_busy, busy_from, hours, hours_from = self._busy(mhz, ours if ours.any() else others)
        is_own = own is not None and round(own.on.primary_mhz) == mhz
        reaching = self._reaching(own.on if own is not None and is_own else Channel.known(mhz, None, 20))
        return ChannelHeard(
            band=band_of(mhz),
            channel=channel_of(mhz),
            frequency_mhz=mhz,
            own=is_own,
            n_neighbours=len(neighbours),
            neighbours_at_a_look=sum(self.presences[number].share for number in neighbours),
            n_reaching=reaching[0],
            reaching_at_a_look=reaching[1],
            rssi_median_dbm=None if strongest is None else strongest.rssi_median_dbm,
            rssi_p95_dbm=None if strongest is None else strongest.rssi_p95_dbm,
            load=median(looks.seen_load[others]),
            n_load=int(others.sum()),
            own_load=median(looks.seen_load[ours]),
            n_own_load=int(ours.sum()),
            busy_share=busy,
            n_busy=n_busy,
            busy_from=busy_from,
            noise_dbm=self._noise(mhz),
            relation=None if most is None else most[1],
            overlap=None if most is None else most[0],
            by_hours=hours,
            hours_from=hours_from,
            busiest_hours=busiest_hours(hours),
            rules=self._rules(Channel.known(mhz, None, 20)),
        )

    def _busy(
        self, mhz: int, loads: np.ndarray
    ) -> tuple[float | None, int, str | None, tuple[float | None, ...], str | None]:
        """Of a channel: the share of the time, of how many, told by what; the same by hours, told by what."""
        link, looks = self.air.link_air, self.looks
        linked = (link.mhz == mhz) & (link.busy_n > 0)
        visits = visits_on(looks, mhz)
        hours: tuple[float | None, ...]
        if linked.any():
            value, weight = link.busy_share[linked], link.busy_n[linked]
            hours = by_hours(link.hour[linked], value, weight, link.day[linked])
            return float(np.average(value, weights=weight)), int(weight.sum()), "samples", hours, "samples"
        if visits.any():
            weight, look = looks.visit_active_ms[visits], looks.visit_look[visits]
            value = np.minimum(looks.visit_busy_ms[visits] / weight, 1.0)
            hours = by_hours(looks.hour[look], value, weight, looks.day[look])
            return float(np.average(value, weights=weight)), int(visits.sum()), "visits", hours, "visits"
        look = looks.seen_look[loads]
        hours = by_hours(looks.hour[look], looks.seen_load[loads], np.ones(len(look)), looks.day[look])
        return None, 0, None, hours, "BSS Load" if any(each is not None for each in hours) else None

    def _noise(self, mhz: int) -> float | None:
        link, looks = self.air.link_air, self.looks
        linked = (link.mhz == mhz) & (link.noise_n > 0)
        if linked.any():
            return float(np.average(link.noise_dbm[linked], weights=link.noise_n[linked]))
        visits = (looks.visit_mhz == mhz) & ~np.isnan(looks.visit_noise_dbm)
        return median(looks.visit_noise_dbm[visits])

    # --- another channel ---

    def _choice(self, own: OwnChannel) -> Choice:
        used = Candidate(own.on, self._neighbours_by_day(own.on), self._busy_by_day(own.on))
        others = [
            self._candidate(channel)
            for channel in channels_of(own.band, own.on.width_mhz)
            if channel.center_mhz != own.on.center_mhz
        ]
        found = pick(used, others)
        if found.best is None:
            return Choice(own.band, found, _mean(used.neighbours), own_heard=self._heard_on(own.on))
        best = replace(found.best, channel=self._primary_in(found.best.channel))
        compared = used.neighbours.keys() & best.neighbours.keys()
        return Choice(
            band=own.band,
            pick=replace(found, best=best),
            own_neighbours=_mean(
                {day: used.neighbours[day] for day in used.neighbours.keys() & best.neighbours.keys()}
            ),
            best_neighbours=_mean({day: best.neighbours[day] for day in compared}),
            channel=channel_of(round(best.channel.primary_mhz)),
            rules=self._rules(best.channel),
            own_heard=self._heard_on(own.on),
            best_heard=self._heard_on(best.channel),
        )

    def _candidate(self, channel: Channel) -> Candidate:
        rules = self._rules(channel)
        listened = set.intersection(*(self._days_of(mhz) for mhz in pieces_mhz(channel)))
        return Candidate(
            channel=channel,
            neighbours={day: mean for day, mean in self._neighbours_by_day(channel).items() if day in listened},
            busy=self._busy_by_day(channel),
            listened=len(listened) >= LEAST_DAYS,
            allowed=rules is None or rules.usable,
            restricted=radar_in_most_countries(channel) if rules is None else rules.restricted,
        )

    def _weights(self, channel: Channel) -> np.ndarray:
        """By transmitter, how much of what it sends falls into a channel; 0 of the own network and of what is apart."""
        into = {on: share(on, channel) if relation(on, channel) != "apart" else 0.0 for on in self.kinds}
        weight = np.zeros(len(self.on))
        of_each = np.array(list(into.values()))[self.kind]
        np.maximum.at(weight, self.group[~self.own_group], of_each[~self.own_group])
        return weight

    def _reaching(self, channel: Channel) -> tuple[int, float]:
        """How many neighbours send into a channel, and at a look, each by the share that falls in."""
        weight = self._weights(channel)
        return int(((weight > 0) & (self.at_a_look > 0)).sum()), float(weight @ self.at_a_look)

    def _neighbours_by_day(self, channel: Channel) -> dict[int, float]:
        heard = per_look(len(self.looks.day), self.once, self._weights(channel))
        counted = self.counted
        return daily_means(self.looks.day[counted], heard[counted], np.ones(int(counted.sum())), LEAST_LOOKS_A_DAY)

    def _heard_on(self, channel: Channel) -> tuple[int, int]:
        heard = per_look(len(self.looks.day), self.once, self._weights(channel)) > 0
        return int((heard & self.counted).sum()), int(self.counted.sum())

    def _busy_by_day(self, channel: Channel) -> dict[int, float]:
        """Of the primary where the link was on it, by samples; else of the busiest 20 MHz of the channel, by visits."""
        link, looks = self.air.link_air, self.looks
        linked = (link.mhz == channel.primary_mhz) & (link.busy_n > 0)
        if linked.any():
            return daily_means(link.day[linked], link.busy_share[linked], link.busy_n[linked], 1)
        found: list[dict[int, float]] = []
        for mhz in pieces_mhz(channel):
            visits = visits_on(looks, mhz)
            weight = looks.visit_active_ms[visits]
            value = np.minimum(looks.visit_busy_ms[visits] / weight, 1.0)
            found.append(daily_means(looks.day[looks.visit_look[visits]], value, weight, LEAST_LOOKS_A_DAY))
        days = set.intersection(*(set(each) for each in found)) if found else set()
        return {day: max(each[day] for each in found) for day in days}

    def _days_of(self, mhz: int) -> set[int]:
        """The days on which the card listened there, as far as is known: it visited it, or heard a radio on it."""
        looks = self.looks
        heard = looks.seen_look[(self.mhz == mhz)[looks.seen_radio]]
        visited = looks.visit_look[(looks.visit_mhz == mhz) & (looks.visit_active_ms > 0)]
        return set(looks.day[np.concatenate((heard, visited))].tolist())

    def _primary_in(self, channel: Channel) -> Channel:
        """The channel with the primary that most neighbours there have: with them it takes turns."""
        shares = np.array([presence.share for presence in self.presences])
        counts = self.group == np.arange(len(self.mhz))
        heard = [float(shares[counts & (self.mhz == mhz)].sum()) for mhz in pieces_mhz(channel)]
        return replace(channel, primary_mhz=pieces_mhz(channel)[int(np.argmax(heard))])


def _mean(by_day: Mapping[int, float]) -> float:
    values: Iterable[float] = by_day.values()
    return float(np.mean(list(values))) if by_day else 0.0
