"""One tick of the logger: reads the adapter and the clocks, gives the sample and the events of that moment.

Rules of this module, each of which a test holds:

- Counters become differences since the sample before. There is none (None) where the counter restarted or
  went down, after sleep, after a failed reading, over a gap, and for the link's counters on a new
  association. A counter of the interface goes on through a new association.
- A rate is that of the last frame, however long ago. It counts only if a frame has gone its way since the
  sample before: transmit by the link's packet counter; receive by the interface's bytes, because the link's
  own packet counter counts beacons, which leave the rate as it is. (Multicast data does so too, and cannot
  be told apart.) Where a system has no such counter the rate is kept. Where the difference is unknown the
  rate is not.
- A rate that is told, while that counter stood still since the sample before, is stale: the sample says so
  (flags TX_RATE_STALE, RX_RATE_STALE) and has no rate. Where the difference is unknown, so is whether it is.
- A failed reading gives no sample: what was not read is a gap, not an outage. Neither does a radio that somebody
  switched off, nor a link that is not there yet just after the laptop woke, the radio was switched on or the
  interface came back.
- Nothing an adapter does ends the logger.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from typing import NamedTuple, Protocol

from adapters.clock import Clock
from adapters.contract import (
    Adapter,
    AdapterError,
    BitRate,
    InterfaceGone,
    LinkEvent,
    LinkReading,
    NoWirelessInterface,
)
from adapters.ieee80211 import band_of
from logger.blocks import GAP_INTERVALS, RX_RATE_STALE, TX_RATE_STALE
from logger.link_story import LinkStory
from logger.sample import Event, LinkIdentity, Sample, clock_set

CLOCKS_APART_S = 2.0  # by more than this two clocks must disagree before sleep or a set clock is believed
SETTLING_S = 15.0  # after waking: association, keys and DHCP take seconds
LONGEST_PAUSE_S = 60.0
_READS_AT_MOST = 3
_BUSY_SLACK_MS = 10  # two counters, read one after the other, each rounded to milliseconds


class Moment(NamedTuple):
    """The three clocks at one instant; see adapters/clock.py."""

    utc_ms: int
    awake_s: float
    elapsed_s: float

    @classmethod
    def of(cls, clock: Clock) -> Moment:
        return cls(clock.utc_ms(), clock.awake_s(), clock.elapsed_s())


def asleep_between_s(one: Moment, other: Moment) -> float:
    """How long the machine slept in between."""
    return (other.elapsed_s - one.elapsed_s) - (other.awake_s - one.awake_s)


class Listener(Protocol):
    """Somebody else who has to know what the adapter tells; an event is told once, and the sampler takes them all."""

    def hear(self, event: LinkEvent) -> None: ...

    def see(self, reading: LinkReading | None) -> None: ...  # None: it could not be read


class Sampler:
    """Turns one adapter's readings into rows for the log. Call ``tick`` every ``interval_s``."""

    def __init__(self, adapter: Adapter, clock: Clock, interval_s: float, listeners: Sequence[Listener] = ()) -> None:
        self._adapter = adapter
        self._listeners = listeners
        self._clock = clock
        self._gap_s = GAP_INTERVALS * interval_s
        self._last = Moment.of(clock)  # of the last tick, or the beginning
        self._before: tuple[Moment, LinkReading] | None = None  # of the last sample, while differences hold
        self._surveyed: LinkReading | None = None  # the last with channel counters, while differences hold
        self._told: list[LinkEvent] = []
        self._story = LinkStory()
        self._trouble = _Trouble()
        self._settling_until_s = float("-inf")
        self._radio_off = False
        self._sleep_told: Moment | None = None  # the system said that it goes to sleep
        self._wake_told: Moment | None = None

    def told_of_sleep(self, *, begins: bool) -> None:
        """The system says that it goes to sleep now, or that it woke. Whether it slept is for the clocks to say."""
        now = Moment.of(self._clock)
        if not begins:
            self._wake_told = now
            return
        if asleep_between_s(self._last, now) <= CLOCKS_APART_S:  # else it slept already since the last tick, and woke
            self._sleep_told = now
        self._wake_told = None

    def tick(self) -> tuple[list[Sample], list[Event]]:
        """At most one sample, stamped with the wall clock now, and the events since the last tick in order."""
        now = Moment.of(self._clock)
        events = self._what_the_clocks_tell(now)
        self._last = now
        if self._trouble.pausing(now):
            return [], events
        try:
            reading = self._read()
        except Exception as error:  # whatever an adapter does, the logger goes on and says so
            self._before = None
            self._show(None)
            events += self._story.follow(self._told, None, now.utc_ms)
            self._told.clear()
            return [], events + self._trouble.begins(error, now)
        self._show(reading)
        recovered = self._trouble.ends(now)
        if any(event.kind == "interface-back" for event in recovered):
            self._settling_until_s = now.elapsed_s + SETTLING_S
        events += recovered
        switched = self._switched(reading, now)
        of_the_link = self._story.follow(self._told, reading, now.utc_ms)
        self._told.clear()
        if self._radio_off:
            self._before = None
            return [], events + of_the_link + switched
        events += switched + of_the_link
        if reading.connected:
            self._settling_until_s = float("-inf")
        elif now.elapsed_s < self._settling_until_s:
            self._before = None
            return [], events
        before, surveyed = self._before, self._surveyed
        if before is None or now.elapsed_s - before[0].elapsed_s > self._gap_s:
            before = surveyed = None
        self._before = (now, reading)
        # An adapter may survey the channel less often than it is read.
        self._surveyed = surveyed if reading.channel_active_ms_total is None else reading
        return [sample_of(reading, before[1] if before else None, surveyed, now.utc_ms)], events

    def take_in_events(self) -> None:
        """Between two ticks that are far apart: listeners hear what was told since."""
        with suppress(Exception):  # the next tick meets it
            self._take_in()

    def _take_in(self) -> bool:
        """What the adapter tells goes into ``_told``; says whether it told anything."""
        told = self._adapter.events()
        self._told += told
        for event in told:
            for listener in self._listeners:
                listener.hear(event)
        return bool(told)

    def _show(self, reading: LinkReading | None) -> None:
        for listener in self._listeners:
            listener.see(reading)

    def _read(self) -> LinkReading:
        """A reading that agrees with the events in ``_told``: read again if the link changed meanwhile."""
        self._take_in()
        for _ in range(_READS_AT_MOST):
            reading = self._adapter.read()
            if not self._take_in():
                break
        return reading

    def _switched(self, reading: LinkReading, now: Moment) -> list[Event]:
        """The radio was switched off or on since the last reading."""
        was_off, self._radio_off = self._radio_off, reading.radio_off is not None
        if self._radio_off == was_off:
            return []
        if self._radio_off:
            return [Event(now.utc_ms, "radio-off", {"by": reading.radio_off})]
        self._settling_until_s = now.elapsed_s + SETTLING_S
        return [Event(now.utc_ms, "radio-on", {})]

    def _what_the_clocks_tell(self, now: Moment) -> list[Event]:
        last = self._last
        elapsed_s = now.elapsed_s - last.elapsed_s
        should_be_ms = last.utc_ms + round(1000 * elapsed_s)
        steps = []
        if abs(now.utc_ms - should_be_ms) > 1000 * CLOCKS_APART_S:
            steps = [clock_set(should_be_ms, now.utc_ms)]
        asleep_s = asleep_between_s(last, now)
        if asleep_s > CLOCKS_APART_S:
            fell_asleep_ms, woke_ms = self._when_asleep(last, now, set_meanwhile=bool(steps))
            detail: dict[str, object] = {"asleep_s": round(asleep_s, 1)}
            # In this order: who reads them one by one knows at each what the clock showed.
            steps = [Event(fell_asleep_ms, "suspended", detail), *steps, Event(woke_ms, "resumed", dict(detail))]
            self._before = None
            self._settling_until_s = now.elapsed_s + SETTLING_S
            self._trouble.try_again_now()
            self._sleep_told = self._wake_told = None
        return steps

    def _when_asleep(self, last: Moment, now: Moment, *, set_meanwhile: bool) -> tuple[int, int]:
        """Stamps of the beginning and the end of a sleep between two ticks, as well as they are known."""
        slept, woke = self._sleep_told, self._wake_told
        fell_asleep_ms = slept.utc_ms if slept and last.elapsed_s <= slept.elapsed_s else last.utc_ms
        if set_meanwhile or not woke or not last.elapsed_s <= woke.elapsed_s or woke.utc_ms < fell_asleep_ms:
            return fell_asleep_ms, now.utc_ms
        return fell_asleep_ms, woke.utc_ms


class _Trouble:
    """A spell in which the adapter fails: what has been said of it, and when to try again."""

    def __init__(self) -> None:
        self._kinds: list[str] = []
        self._pause_s = 0.0
        self._again_at_s = float("-inf")

    def pausing(self, now: Moment) -> bool:
        return now.elapsed_s < self._again_at_s

    def try_again_now(self) -> None:
        self._again_at_s = float("-inf")

    def begins(self, error: Exception, now: Moment) -> list[Event]:
        """Take in one failure; gives an event unless this spell has had one of the kind."""
        self._pause_s = min(LONGEST_PAUSE_S, 2 * self._pause_s or 1.0)
        self._again_at_s = now.elapsed_s + self._pause_s
        gone = isinstance(error, InterfaceGone | NoWirelessInterface)
        kind = "interface-gone" if gone else "adapter-failed"
        if kind in self._kinds:
            return []
        self._kinds.append(kind)
        words = str(error) if isinstance(error, AdapterError) else f"{type(error).__name__}: {error}"
        return [Event(now.utc_ms, kind, {"message": " ".join(words.split())[:300]})]

    def ends(self, now: Moment) -> list[Event]:
        """The adapter can be read: an event for each kind of failure told, none where there was no spell."""
        back = {"interface-gone": "interface-back", "adapter-failed": "adapter-recovered"}
        events = [Event(now.utc_ms, back[kind], {}) for kind in self._kinds]
        self._kinds.clear()
        self._pause_s = 0.0
        return events


def sample_of(reading: LinkReading, before: LinkReading | None, surveyed: LinkReading | None, utc_ms: int) -> Sample:
    """The row of one reading. ``before`` is the reading of the sample before, ``surveyed`` the last one with
    channel counters; None where differences from them would mean nothing (first sample, sleep, gap)."""
    rx_bytes = tx_bytes = None
    if before is not None:
        rx_bytes = _difference(reading.interface_rx_bytes_total, before.interface_rx_bytes_total)
        tx_bytes = _difference(reading.interface_tx_bytes_total, before.interface_tx_bytes_total)
    if not reading.connected:
        return Sample(utc_ms, None, rx_bytes=rx_bytes, tx_bytes=tx_bytes)

    tx_packets = rx_packets = tx_retries = tx_failed = beacon_losses = None
    if before is not None and _same_association(reading, before):
        tx_packets = _difference(reading.tx_packets_total, before.tx_packets_total)
        rx_packets = _difference(reading.rx_packets_total, before.rx_packets_total)
        tx_retries = _difference(reading.tx_retries_total, before.tx_retries_total)
        tx_failed = _difference(reading.tx_failed_total, before.tx_failed_total)
        beacon_losses = _difference(reading.beacon_loss_total, before.beacon_loss_total)
    tx_rate, tx_stale = _refreshed(reading.tx_rate, reading.tx_packets_total, tx_packets)
    if reading.interface_rx_bytes_total is not None:
        rx_rate, rx_stale = _refreshed(reading.rx_rate, reading.interface_rx_bytes_total, rx_bytes)
    else:
        rx_rate, rx_stale = _refreshed(reading.rx_rate, reading.rx_packets_total, rx_packets)
    return Sample(
        time_utc_ms=utc_ms,
        link=LinkIdentity(
            interface=reading.interface,
            ssid=reading.ssid,
            bssid=reading.bssid,
            frequency_mhz=reading.frequency_mhz,
            width_mhz=reading.width_mhz,
            band=band_of(reading.frequency_mhz),
        ),
        rssi_dbm=reading.rssi_dbm,
        rssi_avg_dbm=reading.rssi_avg_dbm,
        beacon_rssi_avg_dbm=reading.beacon_rssi_avg_dbm,
        chain_rssi_dbm=reading.chain_rssi_dbm,
        noise_dbm=reading.noise_dbm,
        tx_rate=tx_rate,
        rx_rate=rx_rate,
        tx_packets=tx_packets,
        tx_retries=tx_retries,
        tx_failed=tx_failed,
        beacon_losses=beacon_losses,
        busy_permille=None if surveyed is None else _busy_permille(reading, surveyed),
        rx_bytes=rx_bytes,
        tx_bytes=tx_bytes,
        flags=(TX_RATE_STALE if tx_stale else 0) | (RX_RATE_STALE if rx_stale else 0),
    )


def _difference(now: int | None, before: int | None) -> int | None:
    return None if now is None or before is None or now < before else now - before


def _same_association(reading: LinkReading, before: LinkReading) -> bool:
    """Whether the link's counters have run on since the reading before."""
    if not (reading.connected and before.connected) or reading.bssid != before.bssid:
        return False
    if reading.associated_at_boottime_ns is not None and before.associated_at_boottime_ns is not None:
        return reading.associated_at_boottime_ns == before.associated_at_boottime_ns
    if reading.connected_time_s is not None and before.connected_time_s is not None:
        return reading.connected_time_s >= before.connected_time_s
    return True


def _busy_permille(reading: LinkReading, before: LinkReading) -> int | None:
    """Share of the time listened on the channel, since the survey before, in which it was busy, in
    1/1000."""
    if reading.frequency_mhz != before.frequency_mhz:
        return None
    active_ms = _difference(reading.channel_active_ms_total, before.channel_active_ms_total)
    busy_ms = _difference(reading.channel_busy_ms_total, before.channel_busy_ms_total)
    if not active_ms or busy_ms is None or busy_ms > active_ms + _BUSY_SLACK_MS:
        return None
    return min(1000, round(1000 * busy_ms / active_ms))


def _refreshed(rate: BitRate | None, total: int | None, since: int | None) -> tuple[BitRate | None, bool]:
    """A rate if it is known and a frame has refreshed it, and whether it is stale. ``total``: the counter that tells of
    frames, ``since``: its difference."""
    if rate is None or not rate.mbps:
        return None, False
    if total is None or since:
        return rate, False
    return None, since == 0
