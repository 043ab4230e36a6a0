"""One turn: step aside where it should, write the row, measure, write what came of it.

The row is in the log before any traffic is on the link, so that samples taken meanwhile are marked whatever becomes of
this process.
"""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from adapters.clock import Clock
from adapters.contract import Adapter, AdapterError, LinkReading
from adapters.ieee80211 import band_of
from adapters.processor import waited_s
from logger.claim import Claim
from logger.daemon import EARLIEST_MS
from logger.errors import LogError
from logger.log import Log
from logger.printable import printable
from logger.probe_table import (
    LONGEST_PROBE_MS,
    Latency,
    Outcome,
    Probe,
    Transfer,
    begin_probe,
    bytes_moved,
    end_probe,
    read_probe,
    stepped_aside,
)
from logger.probing.instruments import Instruments, ShouldStop
from logger.probing.plan import Share, day_of, least_bytes, phase_ms, share_of, turn_before
from logger.probing.standing import PURPOSE, log_number
from logger.sample import LinkIdentity
from logger.sample_id import LATEST_MS
from logger.settings import Settings
from logger.timeline import begin_timeline

if TYPE_CHECKING:
    from adapters.probing.results import Turn
    from adapters.probing.target import Target

BUSY_AT_MOST_S = 60.0  # another laptop's turn is over by then
ASLEEP_S = 2.0  # the two steady clocks apart by more: the laptop slept
WAITED_SHARE = 0.2  # of the transfers' time, waiting for the processor: then it is said
WORDS_AT_MOST = 600  # of what others said
FASTEST_OF_MS = 7 * 86_400_000
_CHANGES = ("connected", "disconnected", "roamed", "channel-switched")
_FASTEST = """
SELECT max(ifnull(goodput_mbps, bytes * 8.0 / duration_ms / 1000)) FROM transfer JOIN probe ON probe.id = probe_id
WHERE source_id = 1 AND probe.started_at_utc_ms >= ? AND probe.started_at_utc_ms < ?
"""


@dataclass(frozen=True, slots=True)
class Asked:
    """How a turn was asked for. ``scheduled``: by the daemon, within the day's budget and not on battery. ``anyway``:
    by hand, though the link is in use or metered."""

    scheduled: bool = False
    anyway: bool = False


def take_turn(
    log: Log,
    settings: Settings,
    adapter: Adapter,
    target: Target | None,
    instruments: Instruments,
    clock: Clock,
    *,
    zone: str,
    asked: Asked = Asked(),
    interface: str | None = None,
    should_stop: ShouldStop = lambda: False,
) -> Probe:
    """Take one turn now and return its row. ``target`` None: latency to the gateway only. ``interface``: over which to
    measure, the adapter's own unless told. Raises LogInUse while another turn runs, LogError where the log cannot be
    written or the wall clock is not set; whatever else goes wrong is told in the row."""
    if not EARLIEST_MS <= clock.utc_ms() <= LATEST_MS:
        raise LogError("the wall clock is before 2025 or after 2109; set it right first, or the log would begin there")
    over = interface or adapter.interface
    whom = target.label if target else ""
    with Claim.take(log.path, PURPOSE):
        with log.transaction() as db:
            begin_timeline(db, clock.utc_ms())
        share = _share(log, settings, clock, zone) if asked.scheduled and target else Share(None)
        why_not = share.words or _why_not(settings, instruments, adapter, over, asked)
        if why_not:
            return read_probe(log.db, stepped_aside(log, clock.utc_ms(), _line(why_not), far_end=whom))
        means = (log, settings, adapter, target, instruments, clock, over, share.n_bytes, should_stop)
        probe, busy_for_s = _measure(*means)
        if asked.scheduled and probe.outcome == "stepped-aside" and busy_for_s is not None:
            # Two laptops whose turns fall together: without this the later one would never have its own.
            instruments.wait(min(busy_for_s, BUSY_AT_MOST_S) + 1, should_stop)
            if not should_stop() and not _why_not(settings, instruments, adapter, over, asked):
                probe, _ = _measure(*means)
        return probe


def _share(log: Log, settings: Settings, clock: Clock, zone: str) -> Share:
    every_ms = max(1000, round(settings.probe_every_s * 1000))
    now_ms = clock.utc_ms()
    turn_ms = turn_before(now_ms, every_ms, phase_ms(log_number(log.db), every_ms))
    day = day_of(turn_ms, zone)
    # As it was at the day's beginning, so that all turns of a day go by one rule.
    fastest = _fastest(log, day.started_at_utc_ms) or _fastest(log, now_ms)
    return share_of(
        turn_ms,
        every_ms=every_ms,
        day=day,
        budget=round(settings.probe_daily_mb * 1e6),
        used=bytes_moved(log.db, day.started_at_utc_ms, day.ended_at_utc_ms),
        least=least_bytes(fastest),
    )


def _fastest(log: Log, before_ms: int) -> float | None:
    """The fastest transfer of the week before, in Mbit/s; also of those too short to tell, or none ever would be."""
    found = log.db.execute(_FASTEST, (before_ms - FASTEST_OF_MS, before_ms)).fetchone()[0]
    return None if found is None else float(found)


def _why_not(
    settings: Settings, instruments: Instruments, adapter: Adapter, interface: str, asked: Asked
) -> str | None:
    """Why this is not the moment; None where it is."""
    if asked.scheduled and settings.probe_on_battery < 0.5 and instruments.on_battery():
        return "the laptop runs on battery"
    if asked.anyway:
        return None
    if settings.probe_on_metered < 0.5 and instruments.metered(interface):
        return "the connection is metered"
    rate = None
    with suppress(AdapterError):  # met again when the turn begins
        rate = adapter.read().tx_rate
    return instruments.in_use(interface, rate.mbps if rate else None)


def _measure(
    log: Log,
    settings: Settings,
    adapter: Adapter,
    target: Target | None,
    instruments: Instruments,
    clock: Clock,
    interface: str,
    n_bytes: int | None,
    should_stop: ShouldStop,
) -> tuple[Probe, float | None]:
    """Its row, and for how long a far end that was busy wants to be left alone."""
    started_ms = clock.utc_ms()
    whom = target.label if target else ""
    probe_id = begin_probe(log, started_ms, far_end=whom)

    def end(outcome: Outcome, words: str, turn: Turn | None = None, link: LinkIdentity | None = None) -> Probe:
        end_probe(
            log,
            probe_id,
            min(clock.utc_ms(), started_ms + LONGEST_PROBE_MS),  # the clock may have been set forward
            outcome,
            link=link,
            far_end=turn.far_end if turn else None,
            words=_line(_without_its_name(words, whom)),
            transfers=transfer_rows(turn) if turn else (),
            latencies=latency_rows(turn) if turn else (),
        )
        return read_probe(log.db, probe_id)

    try:
        adapter.events()  # what was before
        before = adapter.read()
        if not before.connected:
            return end("failed", "there is no link"), None
        steady_s, waited = clock.elapsed_s() - clock.awake_s(), waited_s()
        turn = instruments.run(interface, target, _limits(settings, n_bytes), clock, should_stop)
        if clock.elapsed_s() - clock.awake_s() - steady_s > ASLEEP_S:
            words = "the laptop slept meanwhile; what was measured is thrown away"
            return end("failed", words, _without_rates(turn)), None
        turn = _with_the_wait_said(turn, waited, waited_s())
        changed = _what_changed(before, adapter)
        if changed:
            return end("link-changed", changed, turn), None
        if turn.outcome == "stepped-aside" and (turn.transfers or turn.latencies or should_stop()):
            return end("failed", turn.words or "it was told to end", turn), None  # there was traffic
        return end(turn.outcome, turn.words, turn, _identity(before)), turn.retry_after_s
    except AdapterError as error:
        return end("failed", str(error)), None
    except BaseException as error:
        with suppress(Exception):
            end("failed", "it was told to end" if isinstance(error, KeyboardInterrupt) else _words_of(error))
        raise


def _without_rates(turn: Turn) -> Turn:
    """Its bytes alone, which count for the day."""
    moved = tuple(
        replace(each, steady_ms=None, steady_bytes=None, tcp_rtt_ms=None, tcp_retransmits=None)
        for each in turn.transfers
    )
    return replace(turn, transfers=moved, latencies=())


def _with_the_wait_said(turn: Turn, before_s: float | None, after_s: float | None) -> Turn:
    """A probe that waits for the processor measures the processor, too: its words say so."""
    lasted_s = sum(each.duration_ms for each in turn.transfers) / 1000
    if before_s is None or after_s is None or after_s - before_s < WAITED_SHARE * lasted_s or not lasted_s:
        return turn
    said = f"the processor was busy elsewhere: the probe waited {after_s - before_s:.1f} s for it"
    return replace(turn, words="; ".join(part for part in (turn.words, said) if part))


def _limits(settings: Settings, n_bytes: int | None) -> Any:
    from adapters.probing.turn import Limits

    return Limits(settings.probe_seconds, round(settings.probe_streams), n_bytes)


def _what_changed(before: LinkReading, adapter: Adapter) -> str | None:
    """In what way this is not the link that it was; None where it is."""
    told = [event.kind for event in adapter.events() if event.kind in _CHANGES]
    after = adapter.read()
    if not after.connected:
        return "the link was lost meanwhile"
    if after.bssid != before.bssid:
        return f"the laptop went over to {after.bssid} meanwhile"
    if after.frequency_mhz != before.frequency_mhz:
        return f"the channel changed to {after.frequency_mhz} MHz meanwhile"
    both = (before.associated_at_boottime_ns, after.associated_at_boottime_ns)
    if None not in both and both[0] != both[1]:
        return "the link was lost and came back meanwhile"
    return f"the link did not stay as it was ({told[0]})" if told else None


def _identity(reading: LinkReading) -> LinkIdentity:
    return LinkIdentity(
        reading.interface,
        reading.ssid,
        reading.bssid,
        reading.frequency_mhz,
        reading.width_mhz,
        band_of(reading.frequency_mhz),
    )


def transfer_rows(turn: Turn) -> list[Transfer]:
    """What was measured, as the log's table has it."""
    return [
        Transfer(
            each.direction, each.streams, each.started_at_utc_ms, each.duration_ms, each.bytes, each.steady_ms,
            each.steady_bytes, each.goodput_mbps, each.tcp_rtt_ms, each.tcp_retransmits,
        )
        for each in turn.transfers
    ]  # fmt: skip


def latency_rows(turn: Turn) -> list[Latency]:
    """The same of latency."""
    return [
        Latency(
            each.target, each.load, each.method, each.n_sent, each.n_lost, each.median_ms, each.p95_ms, each.jitter_ms
        )
        for each in turn.latencies
    ]


def _words_of(error: BaseException) -> str:
    return f"{type(error).__name__}: {error}"


def _without_its_name(words: str, whom: str) -> str:
    """Whom it spoke to stands in the row's own column, where a shared log has an alias for it."""
    if not whom:
        return words
    return re.sub(rf"(?<![\w.]){re.escape(whom)}(?!\w)", "the far end", words.replace(ascii(whom), "the far end"))


def _line(words: str) -> str:
    """Others' words may be in it."""
    return printable(words)[:WORDS_AT_MOST]
