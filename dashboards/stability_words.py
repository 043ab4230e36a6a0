"""Whether a link lasts, in plain words, in JSON and as a table."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import floor, log10
from typing import TypeGuard

import pandas as pd

from dashboards.analysis.durations import hours
from dashboards.analysis.lasting.allan import AllanPoint
from dashboards.analysis.lasting.daily_spread import DAY_BEGINS_H, DAY_ENDS_H, LEAST_DATES, HourSpread
from dashboards.analysis.lasting.interval import Interval
from dashboards.analysis.lasting.outage_count import Outages
from dashboards.analysis.lasting.slope import LEAST_S as SLOPE_LEAST_S
from dashboards.analysis.lasting.stability import DAY_S, Stability
from dashboards.analysis.lasting.under_rate import UnderRate
from dashboards.sentences import number
from logger.printable import printable
from logger.times import format_duration
from logger.wording import counted

LEAST_HOURS = 12  # of the day, for a word on their spread
TOLD_SCALES_S = (600.0, 3600.0, 86_400.0, 604_800.0)
WIDE_DB_PER_MONTH = 20.0  # an interval as wide as this tells nothing that anybody would want to know
WAYS = {"tx": "from the laptop", "rx": "to the laptop"}
CEILING = "A link rate is the ceiling: a transfer gets about half of it."
EXPECTED = "Brackets behind outages hold what such a link has in as many days again, 95 times in 100."


class _Whole(Interval):
    """One whose numbers are all known."""

    estimate: float
    low: float
    high: float


def stability_sentences(found: Stability, needed_for: str = "") -> list[str]:
    """What can be said of one location, band and version; ``needed_for``: what needs the rate that was asked for."""
    told = [slope_sentence(found), outage_sentence(found.outages), rate_sentence(found.under_rate, needed_for)]
    told += [allan_sentence(found.allan), day_sentence(found.day_less_night_db), hour_sentence(found.hours)]
    return [sentence for sentence in [*told, lacking_sentence(found)] if sentence]


def slope_sentence(found: Stability) -> str:
    """ "Under v2 the level fell by 0.4 dB a month [−1.1, 0.3], which is none that can be told." """
    slope = found.slope_db_per_month
    if not _told(slope):
        return ""
    fell = slope.estimate < 0
    low, high = (-slope.high, -slope.low) if fell else (slope.low, slope.high)
    under = f"Under v{found.version}"
    if high - low > 2 * WIDE_DB_PER_MONTH:
        over = _days(found.span_days)
        return f"{under} it cannot be told yet whether the level rises or falls: it wandered too much over {over}."
    ends = f"[{number(low, 1)}, {number(high, 1)}]"
    words = f"{under} the level {'fell' if fell else 'rose'} by {number(abs(slope.estimate), 1)} dB a month {ends}"
    return f"{words}." if low > 0 else f"{words}, which is none that can be told."


def allan_sentence(points: Sequence[AllanPoint]) -> str:
    """ "From one stretch of time to the next the level wanders by 0.9 dB [0.8, 1.0] at 10 min and 0.8 dB [0.6, 1.1] at
    1 day (Allan deviation)."
    """
    told = [point for point in points if point.scale_s in TOLD_SCALES_S and not point.near_changes]
    if not told:
        return ""
    parts = [f"{ranged(point.deviation_db, ' dB')} at {format_duration(point.scale_s)}" for point in told]
    return f"From one stretch of time to the next the level wanders by {listed(parts)} (Allan deviation)."


def day_sentence(difference: Interval | None) -> str:
    """ "The level by day (8 to 22 h) is 0.8 dB [0.3, 1.3] lower than by night." """
    if not _told(difference):
        return ""
    by_day = f"by day ({DAY_BEGINS_H} to {DAY_ENDS_H} h)"
    if difference.low <= 0 <= difference.high:
        return f"No difference of the level {by_day} from that by night can be told: {ranged(difference, ' dB')}."
    lower = difference.estimate < 0
    if lower:
        difference = Interval(-difference.estimate, -difference.high, -difference.low)
    return f"The level {by_day} is {ranged(difference, ' dB')} {'lower' if lower else 'higher'} than by night."


def hour_sentence(by_hour: Sequence[HourSpread]) -> str:
    """ "10 to 90 % of an hour's samples lie within 2.1 dB at 3 h, where they spread least, and 6.4 dB at 19 h, where
    most." """
    if len(by_hour) < LEAST_HOURS:
        return ""
    spread = {one.hour: one.high_dbm - one.low_dbm for one in by_hour}
    least, most = (
        f"{number(spread[at], 1)} dB at {at} h"
        for at in (min(spread, key=spread.__getitem__), max(spread, key=spread.__getitem__))
    )
    return f"10 to 90 % of an hour's samples lie within {least}, where they spread least, and {most}, where most."


def lacking_sentence(found: Stability) -> str:
    """What the record is too short for, and how much it takes."""
    lacking = []
    if found.slope_db_per_month is None:
        lacking.append(f"whether the level rises or falls (it takes {SLOPE_LEAST_S / DAY_S:g} days)")
    if found.day_less_night_db is None:
        lacking.append(f"day against night ({LEAST_DATES} whole ones)")
    if found.outages is None:
        lacking.append("outages (6 hours)")
    if not lacking:
        return ""
    return f"Under v{found.version} the record of {_days(found.days)} is too short to tell {listed(lacking)}."


def outage_sentence(outages: Outages | None) -> str:
    """ "3 outages [1, 9] in 9 days, 41 min [10, 120] in all, the longest 30 min [5, 80]; one every 3 days [1, 12]." """
    if outages is None:
        return ""
    days, between = _days(outages.days), outages.between_days
    if not outages.count.estimate:
        return (
            f"No outage in {days}; such a link may have up to {_amount(outages.count.high)} in as many: one every "
            f"{_time_between(Interval(between.low, None, None))} or less often."
        )
    return (
        f"{counted(int(outages.count.estimate), 'outage')} [{_amount(outages.count.low)}, "
        f"{_amount(outages.count.high)}] in {days}, {ranged(outages.minutes, ' min')} in all, the longest "
        f"{ranged(outages.longest_min, ' min')}; one every {_time_between(between)}."
    )


def rate_sentence(shares: Sequence[UnderRate], needed_for: str) -> str:
    """ "The link rate was under 5 Mbit/s, which a video call needs, for 0.2 % [0.0, 0.9] of the time from the laptop
    and 0.1 % [0.0, 0.7] to it."
    """
    if not shares:
        return ""
    needs = f", which {printable(needed_for)} needs," if needed_for else ""
    parts = [f"{percent(one.share)} of the time {WAYS[one.direction]}" for one in shares]
    return f"The link rate was under {shares[0].rate_mbps:g} Mbit/s{needs} for {listed(parts)}."


def percent(share: Interval) -> str:
    """ "0.2 % [0.0, 0.9]" of a share of 0 to 1."""
    ends = (share.low, share.high)
    return ranged(Interval(*(None if x is None else 100 * x for x in (share.estimate, *ends))), " %")


def ranged(value: Interval, unit: str, *, sign: bool = False) -> str:
    """ "1.2 dB [0.8, 1.9]", as precise as the interval is worth."""
    width = None if value.low is None or value.high is None else value.high - value.low
    digits = 0 if width is not None and width >= 20 else 1
    ends = f"[{number(value.low, digits)}, {number(value.high, digits)}]"
    return f"{number(value.estimate, digits, sign=sign)}{unit} {ends}"


def listed(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _told(value: Interval | None) -> TypeGuard[_Whole]:
    return value is not None and None not in (value.estimate, value.low, value.high)


def _time_between(days: Interval) -> str:
    """ "3 days [1, 12]", "2.9 h [1.1, 16]"; an end that is not bounded is "never"."""
    unit, scale = ("h", 24.0) if (days.estimate or 0) < 2 else ("days", 1.0)
    amount = f"{_amount(scale * (days.estimate or 0))} {unit}"
    if days.low is None:
        return amount
    return f"{amount} [{_amount(scale * days.low)}, {'never' if days.high is None else _amount(scale * days.high)}]"


def _days(days: float) -> str:
    return hours(24 * days) if days < 2 else f"{_amount(days)} days"


def _amount(value: float | None) -> str:
    return number(value, _digits(value))


def _digits(value: float | None) -> int:
    """Decimals for two significant digits; none where the value is as good as whole."""
    if not value or (value >= 1 and abs(value - round(value)) < 0.05):
        return 0
    return max(0, min(2, 1 - floor(log10(abs(value)))))


def stability_table(found: Iterable[Stability]) -> pd.DataFrame:
    """One row per quantity with its interval: version, location, band, quantity, unit, estimate, low, high."""
    columns = ("version", "location", "band", "quantity", "unit", "estimate", "low", "high")
    rows = [
        (f"v{one.version}", one.location, one.band, quantity, unit, value.estimate, value.low, value.high)
        for one in found
        for quantity, unit, value in _quantities(one)
        if value is not None
    ]
    return pd.DataFrame(rows, columns=list(columns))


def _quantities(found: Stability) -> Iterable[tuple[str, str, Interval | None]]:
    yield "slope", "dB/month", found.slope_db_per_month
    yield "day less night", "dB", found.day_less_night_db
    for point in found.allan:
        yield f"Allan deviation at {point.scale_s:g} s", "dB", point.deviation_db
    for hour in found.hours:
        yield f"RSSI at {hour.hour} h, 10-50-90 %", "dBm", Interval(hour.median_dbm, hour.low_dbm, hour.high_dbm)
    if outages := found.outages:
        yield "days logged", "days", Interval(outages.days, outages.days, outages.days)
        yield "outages", "1", outages.count
        yield "outage in all", "min", outages.minutes
        yield "longest outage", "min", outages.longest_min
        yield "time between outages", "days", outages.between_days
    for one in found.under_rate:
        yield f"{one.direction} rate under {one.rate_mbps:g} Mbit/s", "share", one.share
