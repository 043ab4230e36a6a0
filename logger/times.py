"""Times as a person says them, to and from milliseconds since 1970-01-01 UTC.

Zones are IANA names. Wall clocks have two oddities, and both have a rule here. An hour that happens twice,
when clocks go back: the later of the two is meant unless that lies in the future; ``format_local`` adds the
UTC offset in such an hour, and an offset after a time of day is obeyed. An hour that never happens, when
clocks go forward, is refused. A day is 24 hours in "3 days ago".
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo

from logger.errors import TagError
from logger.printable import quoted

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS = timedelta(milliseconds=1)
_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_MONTHS = (
    *("january", "february", "march", "april", "may", "june"),
    *("july", "august", "september", "october", "november", "december"),
)
_EXAMPLES = "'20 min ago', '14:05', 'yesterday 14:05', 'Mon 9:30' or '2026-11-24 14:05'"

# Patterns are compiled when first used: tagging without --at needs none.
_SPAN = (
    r"(\d{1,9}(?:\.\d{1,9})?|an?) ?"
    r"(?:(s|secs?|seconds?)|(m|mins?|minutes?)|(h|hrs?|hours?)|(d|days?)|(w|wks?|weeks?))(?![a-z])"
)
_SPAN_SECONDS = (1, 60, 3600, 86_400, 604_800)
_CLOCK = (
    r"(?:(?P<day>.*\S) +)??(?P<h>\d{1,2}):(?P<m>\d\d)(?::(?P<s>\d\d))?(?: ?(?P<half>am|pm))?"
    r"(?: ?(?P<offset>z|utc|[+-]\d\d:?\d\d))?"
)
_DATE = r"(?:([a-z]+),? )?(\d{1,2}) ([a-z]+)(?: (\d{4}))?"


def parse_when(text: str, now_utc_ms: int, zone: str) -> int:
    """The moment that ``text`` names, in milliseconds since 1970-01-01 UTC.

    Understood, in any case of letters: "now"; "20 min ago", "1 h 20 min ago", "3 days ago"; "14:05" and
    "2:05 pm" (the last time the clock in ``zone`` showed that); "today 14:05"; "yesterday 14:05"; "Mon 9:30"
    (the last such); "24 Nov 14:05" (the last such); "24 Nov 2026 14:05"; ISO 8601 with or without offset
    (without: in ``zone``); a date of either kind without time of day (when the day begins);
    "@1700000000" (seconds since 1970).
    The moment may lie in the future only where the words say so. Raises TagError.
    """
    words = " ".join(text.lower().split())
    zone_info = _zone_info(zone)
    try:
        moment = _parse(words, now_utc_ms, zone_info)
        if moment < 0:
            raise TagError(f"{quoted(text)} lies before 1970")
        _EPOCH + moment * _MS  # a year of five digits cannot be shown again
    except (OverflowError, ValueError) as error:
        raise TagError(f"{quoted(text)} is no time that linktrial understands; say it like {_EXAMPLES}") from error
    return moment


def format_local(utc_ms: int, zone: str, now_utc_ms: int | None = None) -> str:
    """The moment as the clock in ``zone`` shows it: "Tue 24 Nov 14:05".

    With ``now_utc_ms``, the year is added where it is not the present one. ``parse_when`` reads it
    back to the minute.
    """
    zone_info = _zone_info(zone)
    local = _utc(utc_ms).astimezone(zone_info)
    year = ""
    if now_utc_ms is not None and _utc(now_utc_ms).astimezone(zone_info).year != local.year:
        year = f" {local.year}"
    happens_twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
    offset = local.strftime(" %z") if happens_twice else ""
    day = f"{_short(_WEEKDAYS, local.weekday())} {local.day} {_short(_MONTHS, local.month - 1)}"
    return f"{day}{year} {local:%H:%M}{offset}"


def format_duration(seconds: float) -> str:
    """A length of time in its two largest units: "45 s", "5 min 30 s", "2 h 5 min", "3 days 4 h"."""
    if seconds < 0:
        return "-" + format_duration(-seconds)
    if seconds < 9.95 and seconds != int(seconds):
        return f"{seconds:.1f} s"
    for unit, below in ((1, 3600), (60, 86_400), (3600, 0)):
        whole = round(seconds / unit) * unit
        if whole < below or not below:
            break
    days, rest = divmod(whole, 86_400)
    hours, rest = divmod(rest, 3600)
    minutes, rest = divmod(rest, 60)
    parts = ((days, "day" if days == 1 else "days"), (hours, "h"), (minutes, "min"), (rest, "s"))
    return " ".join(f"{n} {name}" for n, name in parts if n) or "0 s"


def local_zone_name(environ: Mapping[str, str] = os.environ, etc: str = "/etc") -> str:
    """IANA name of this machine's zone: from TZ, the link /etc/localtime, /etc/timezone, on Windows from the system's
    settings; else "UTC".

    A TZ that is a rule instead of a name ("CET-1CEST") cannot be kept as a name and is passed over.
    """
    from contextlib import suppress

    candidates = []
    if "TZ" in environ:
        candidates.append(environ["TZ"].removeprefix(":") or "UTC")  # empty means UTC, see man 3 tzset
    with suppress(OSError):
        candidates.append(os.readlink(f"{etc}/localtime"))
    with suppress(OSError), open(f"{etc}/timezone", encoding="utf-8", errors="replace") as file:
        candidates.append(file.read(100).strip())
    if sys.platform == "win32":
        import tzlocal

        with suppress(LookupError, OSError):
            candidates.append(tzlocal.reload_localzone().key)
    for candidate in candidates:
        name = candidate.rpartition("zoneinfo/")[2].removeprefix("posix/").removeprefix("right/")
        with suppress(TagError):
            _zone_info(name)
            return name
    return "UTC"


def _parse(words: str, now_utc_ms: int, zone: tzinfo) -> int:
    if words == "now":
        return now_utc_ms
    if words.endswith(" ago"):
        return now_utc_ms - _span_ms(words.removesuffix(" ago"))
    if words.startswith("@"):
        return round(float(words.removeprefix("@")) * 1000)
    if re.match(r"\d{4}-", words):
        return _parse_iso(words.upper(), now_utc_ms, zone)
    clock = re.fullmatch(_CLOCK, words)
    if clock:
        said, time_of_day, offset = clock["day"], _time_of_day(clock), _offset(clock["offset"])
    elif re.fullmatch(_DATE, words):
        said, time_of_day, offset = words, time(), None
    else:
        raise ValueError(words)
    for day in _days(said, _utc(now_utc_ms).astimezone(offset or zone).date()):
        moment = _moment(datetime.combine(day, time_of_day), now_utc_ms, offset or zone)
        if moment <= now_utc_ms or said == "today" or (said or "").endswith(str(day.year)):
            return moment
    raise ValueError(words)


def _span_ms(words: str) -> int:
    spans = list(re.finditer(_SPAN, words))
    if not spans or re.sub(_SPAN, "", words).strip():
        raise ValueError(words)
    seconds = 0.0
    for span in spans:
        number = 1.0 if span[1].startswith("a") else float(span[1])
        seconds += number * next(s for s, found in zip(_SPAN_SECONDS, span.groups()[1:], strict=True) if found)
    return round(seconds * 1000)


def _parse_iso(words: str, now_utc_ms: int, zone: tzinfo) -> int:
    moment = datetime.fromisoformat(words)
    if moment.tzinfo is None:
        return _moment(moment, now_utc_ms, zone)
    return (moment - _EPOCH) // _MS


def _time_of_day(clock: re.Match[str]) -> time:
    hour = int(clock["h"])
    if clock["half"]:
        if not 1 <= hour <= 12:
            raise ValueError(clock[0])
        hour = hour % 12 + (12 if clock["half"] == "pm" else 0)
    return time(hour, int(clock["m"]), int(clock["s"] or 0))


def _offset(words: str | None) -> tzinfo | None:
    if words is None:
        return None
    if words in ("z", "utc"):
        return UTC
    minutes = int(words[1:3]) * 60 + int(words[-2:])
    return timezone(timedelta(minutes=-minutes if words.startswith("-") else minutes))


def _days(words: str | None, today: date) -> Iterator[date]:
    """The days that ``words`` may mean, the likeliest first."""
    if words is None:
        yield from (today, today - timedelta(days=1))
    elif words in ("today", "yesterday"):
        yield today - timedelta(days=words == "yesterday")
    elif words.isalpha():
        back = (today.weekday() - _place_in(_WEEKDAYS, words)) % 7
        yield from (today - timedelta(days=back), today - timedelta(days=back + 7))
    else:
        match = re.fullmatch(_DATE, words)
        if not match:
            raise ValueError(words)
        weekday, day, month = match[1], int(match[2]), _place_in(_MONTHS, match[3]) + 1
        for year in [int(match[4])] if match[4] else range(today.year, today.year - 9, -1):  # 29 Feb is rare
            try:
                found = date(year, month, day)
            except ValueError:
                continue
            if weekday and found.weekday() != _place_in(_WEEKDAYS, weekday):
                if found > today:
                    continue
                raise TagError(f"{found:%F} is a {found:%A}; give the year, or leave the day of the week out")
            yield found


def _short(names: tuple[str, ...], place: int) -> str:
    return names[place][:3].capitalize()


def _place_in(names: tuple[str, ...], word: str) -> int:
    """Where a name or its beginning ("tues", "sept") stands; three letters at least."""
    for place, name in enumerate(names):
        if len(word) >= 3 and name.startswith(word):
            return place
    raise ValueError(word)


def _moment(wall: datetime, now_utc_ms: int, zone: tzinfo) -> int:
    """When the clock in ``zone`` shows ``wall``; see the top of this file for the two oddities."""
    found = []
    for fold in (0, 1):
        moment = wall.replace(tzinfo=zone, fold=fold).astimezone(UTC)
        if moment.astimezone(zone).replace(tzinfo=None) == wall:
            found.append((moment - _EPOCH) // _MS)
    if not found:
        raise TagError(f"{wall:%H:%M} on {wall:%F} never happened: clocks went forward; give an earlier or later time")
    return max((moment for moment in found if moment <= now_utc_ms), default=min(found))


def _utc(utc_ms: int) -> datetime:
    return _EPOCH + utc_ms * _MS


def _zone_info(name: str) -> tzinfo:
    from zoneinfo import ZoneInfo  # loaded late: "now" needs none of it

    if name == "UTC":
        return UTC
    try:
        return ZoneInfo(name)
    except (OSError, ValueError, KeyError) as error:  # KeyError: ZoneInfoNotFoundError
        raise TagError(f"this machine knows no time zone {quoted(name)}; set TZ to a name like Europe/Paris") from error
