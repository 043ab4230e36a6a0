"""An unexplained change in one sentence for people, and the one command that would tag it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from dashboards.analysis.unexplained.changes import Unexplained
from dashboards.spoken_command import spoken_command
from logger.log import OWN_SOURCE
from logger.printable import printable
from logger.times import format_duration, format_local

LABEL = "what changed"  # the owner replaces it


@dataclass(frozen=True)
class Suggestion:
    """``command`` is None where no tag would help: a slope has no moment, and imported periods cannot be edited; and
    where the name of the location cannot be shown as it is."""

    words: str
    command: str | None


def suggest(change: Unexplained, now_utc_ms: int | None = None) -> Suggestion:
    """``now_utc_ms`` leaves the year out of this year's times."""
    return Suggestion(words_of(change, now_utc_ms), command_for(change))


def words_of(change: Unexplained, now_utc_ms: int | None = None) -> str:
    """ "RSSI on 5 GHz at kiln room fell by 4.2 [3.1, 5.3] dB about Sat 14 Mar 02:10 (give or take 5 min), and no tag
    says why; seen then: ..." """
    where = f"on {change.band} GHz at {printable(change.location)}"
    zone = change.time_zone
    if change.kind == "slope":
        way = "rises" if change.change > 0 else "falls"
        since = format_local(change.earliest_utc_ms, zone, now_utc_ms)
        under = f"under v{change.version}, since {since}"
        return f"RSSI {where} {way} by {_size(change)} dB a month {under}, and no tag says why."
    if change.kind == "level":
        what = f"RSSI {where} {'rose' if change.change > 0 else 'fell'} by {_size(change)} dB"
    else:
        more = change.change > 1
        what = f"RSSI {where} began to vary {_size(change)} times as {'much' if more else 'little'}"
    when = f"about {format_local(change.at_utc_ms, zone, now_utc_ms)}"
    doubt_s = (change.latest_utc_ms - change.earliest_utc_ms) / 2000
    give = f" (give or take {format_duration(60 * max(1, round(doubt_s / 60)))})"
    seen = f"; seen then: {'; '.join(change.seen)}" if change.seen else ""
    return f"{what} {when}{give}, and no tag says why{seen}."


def command_for(change: Unexplained) -> str | None:
    """A back-dated tag: that the laptop was set down anew, where the change follows a gap, else that the router was
    changed."""
    if change.kind == "slope" or change.source_id != OWN_SOURCE:
        return None
    said = ("at", change.location) if change.gap_s else ("changed", LABEL)
    return spoken_command(*said, at=moment_words(change.at_utc_ms, change.time_zone))


def moment_words(utc_ms: int, zone: str) -> str:
    """The minute as ISO 8601 in the local zone, with its offset in the hour that happens twice: ``parse_when`` reads
    it."""
    local = datetime.fromtimestamp(utc_ms // 60_000 * 60, UTC).astimezone(ZoneInfo(zone))
    happens_twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
    return local.isoformat(" ", "minutes") if happens_twice else f"{local:%Y-%m-%d %H:%M}"


def _size(change: Unexplained) -> str:
    """With its interval, and without a sign where the verb has it."""
    if change.unit == "ratio":
        size, low, high = (1 / x if change.change < 1 else x for x in (change.change, change.low, change.high))
    else:
        size, low, high = (x if change.change >= 0 else -x for x in (change.change, change.low, change.high))
    low, high = sorted((low, high))
    return f"{size:.1f} [{low:.1f}, {high:.1f}]"
