"""Times as a person says them. The oracle for wall clocks is datetime's own conversion."""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import TagError
from logger.times import format_duration, format_local, local_zone_name, parse_when

BERLIN = "Europe/Berlin"
ZONES = st.sampled_from(
    [
        "UTC",
        BERLIN,
        "America/New_York",
        "Asia/Kathmandu",
        "Australia/Lord_Howe",
        "Pacific/Apia",
        "America/St_Johns",
    ]
)
MOMENTS = st.datetimes(datetime(2000, 1, 2), datetime(2040, 1, 1), timezones=st.just(UTC)).map(
    lambda moment: int(moment.timestamp()) * 1000
)
SPELLINGS = {
    1: ["s", "sec", "secs", "second", "seconds"],
    60: ["m", "min", "mins", "minute", "minutes"],
    3600: ["h", "hr", "hrs", "hour", "hours"],
    86_400: ["d", "day", "days"],
    604_800: ["w", "wk", "weeks"],
}


def ms(wall: str, zone: str = BERLIN, fold: int = 0) -> int:
    return round(datetime.fromisoformat(wall).replace(tzinfo=ZoneInfo(zone), fold=fold).timestamp() * 1000)


NOW = ms("2026-11-24 16:00")  # a Tuesday


@pytest.mark.parametrize(
    ("words", "wall"),
    [
        ("now", "2026-11-24 16:00"),
        ("  20   Min ago ", "2026-11-24 15:40"),
        ("1 h 20 min ago", "2026-11-24 14:40"),
        ("1h20min ago", "2026-11-24 14:40"),
        ("an hour ago", "2026-11-24 15:00"),
        ("1.5 h ago", "2026-11-24 14:30"),
        ("14:05", "2026-11-24 14:05"),
        ("16:00", "2026-11-24 16:00"),
        ("16:01", "2026-11-23 16:01"),
        ("2:05 pm", "2026-11-24 14:05"),
        ("12:30 am", "2026-11-24 00:30"),
        ("today 23:00", "2026-11-24 23:00"),
        ("yesterday 14:05:30", "2026-11-23 14:05:30"),
        ("Mon 9:30", "2026-11-23 09:30"),
        ("monday 9:30", "2026-11-23 09:30"),
        ("Tue 9:30", "2026-11-24 09:30"),
        ("Tue 16:30", "2026-11-17 16:30"),
        ("24 Nov 14:05", "2026-11-24 14:05"),
        ("25 December 14:05", "2025-12-25 14:05"),
        ("29 feb 12:00", "2024-02-29 12:00"),
        ("Mon 24 Nov 2025 14:05", "2025-11-24 14:05"),
        ("25 Dec 2026 14:05", "2026-12-25 14:05"),
        ("2026-11-24", "2026-11-24 00:00"),
        ("24 Nov", "2026-11-24 00:00"),
        ("Sat 31 Jan", "2026-01-31 00:00"),
        ("saturday, 31 january 2026", "2026-01-31 00:00"),
        ("25 Dec", "2025-12-25 00:00"),
        ("25 Dec 2026", "2026-12-25 00:00"),
        ("2026-11-24 14:05", "2026-11-24 14:05"),
        ("2026-11-24t14:05:00.250", "2026-11-24 14:05:00.250"),
        ("2026-11-24T13:05:00z", "2026-11-24 14:05"),
        ("2026-11-24T09:05-04:00", "2026-11-24 14:05"),
        ("13:05 utc", "2026-11-24 14:05"),
        ("@1700000000", "2023-11-14 23:13:20"),
        ("@1700000000.5", "2023-11-14 23:13:20.500"),
    ],
)
def test_words_name_this_moment(words, wall):
    assert parse_when(words, NOW, BERLIN) == ms(wall)


@pytest.mark.parametrize(
    "words",
    [
        "",
        "ago",
        "x ago",
        "5 parsecs ago",
        "1 min x ago",
        "25:00",
        "13:00 pm",
        "14:60",
        "Mo 9:30",
        "31 Nov 12:00",
        "31 Nov",
        "Sat",
        "1700000000",
        "20261124",
        "@",
        "@1e30",
        "@nan",
        "@inf",
        "2026-13-01",
        "noon",
        "\n; rm",
        "\ud800",
        "14.05",
        "9" * 400 + " min ago",
        "a" * 10_000,
        "10 min",
        "0 Nov 12:00",
        "14:05 +99:00",
    ],
)
def test_other_words_are_refused_in_one_line_with_examples(words):
    with pytest.raises(TagError) as refusal:
        parse_when(words, NOW, BERLIN)
    message = str(refusal.value)
    assert "'20 min ago'" in message
    assert "\n" not in message
    assert len(message) < 250
    assert message.isascii()


def test_a_time_before_1970_is_refused():
    with pytest.raises(TagError, match="before 1970"):
        parse_when("3000 weeks ago", NOW, BERLIN)


def test_a_wrong_day_of_the_week_is_refused_with_the_right_one():
    with pytest.raises(TagError, match="2026-11-24 is a Tuesday"):
        parse_when("Wed 24 Nov 14:05", NOW, BERLIN)


def test_an_unknown_zone_is_refused_with_what_to_do():
    with pytest.raises(TagError, match="set TZ to a name"):
        parse_when("14:05", NOW, "Mars/Olympus")


def test_a_time_that_the_clock_jumped_over_is_refused():
    for words in ("2026-03-29 02:30", "2:30", "29 Mar 02:30"):
        with pytest.raises(TagError, match="02:30 on 2026-03-29 never happened"):
            parse_when(words, ms("2026-03-29 12:00"), BERLIN)


def test_of_an_hour_that_happens_twice_the_later_is_meant_unless_it_is_in_the_future():
    first, second = ms("2026-10-25 02:30"), ms("2026-10-25 02:30", fold=1)
    assert second - first == 3_600_000
    for words in ("2:30", "2026-10-25 02:30", "Sun 02:30"):
        assert parse_when(words, second + 60_000, BERLIN) == second
        assert parse_when(words, first + 60_000, BERLIN) == first


def test_an_offset_tells_the_two_apart():
    now = ms("2026-11-24 16:00")
    assert format_local(ms("2026-10-25 02:30"), BERLIN) == "Sun 25 Oct 02:30 +0200"
    assert parse_when("Sun 25 Oct 02:30 +0200", now, BERLIN) == ms("2026-10-25 02:30")
    assert parse_when("Sun 25 Oct 02:30 +01:00", now, BERLIN) == ms("2026-10-25 02:30", fold=1)


@given(
    number=st.integers(0, 999),
    seconds=st.sampled_from(list(SPELLINGS)),
    space=st.sampled_from(["", " "]),
    data=st.data(),
)
def test_every_span_ago_is_that_long_ago(number, seconds, space, data):
    unit = data.draw(st.sampled_from(SPELLINGS[seconds]))
    assert parse_when(f"{number}{space}{unit} ago", NOW, BERLIN) == NOW - number * seconds * 1000


@given(moment=MOMENTS, later_s=st.integers(0, 40 * 365 * 86_400), zone=ZONES)
def test_a_formatted_time_is_read_back_to_the_minute(moment, later_s, zone):
    now = moment + later_s * 1000
    assert parse_when(format_local(moment, zone, now), now, zone) == moment // 60_000 * 60_000


@given(moment=MOMENTS, zone=ZONES, zone_of_text=ZONES)
def test_iso_8601_is_read_back_whole(moment, zone, zone_of_text):
    text = datetime.fromtimestamp(moment / 1000, ZoneInfo(zone_of_text)).isoformat()
    assert parse_when(text, moment, zone) == moment


@given(now=MOMENTS, minute=st.integers(0, 1439), zone=ZONES)
def test_a_bare_clock_time_is_the_last_such_moment(now, minute, zone):
    try:
        moment = parse_when(f"{minute // 60}:{minute % 60:02}", now, zone)
    except TagError:
        return  # the clock jumped over it
    local = datetime.fromtimestamp(moment / 1000, ZoneInfo(zone))
    assert local.hour * 60 + local.minute == minute
    assert 0 <= now - moment <= timedelta(hours=49) / timedelta(milliseconds=1)


@given(st.text())
def test_any_text_gives_a_moment_or_a_refusal(text):
    with suppress(TagError):
        assert parse_when(text, NOW, BERLIN) >= 0


@given(st.floats(0, 1e8))
def test_a_formatted_duration_is_read_back_within_half_its_smaller_unit(seconds):
    back = (NOW - parse_when(format_duration(seconds) + " ago", NOW, BERLIN)) / 1000
    slack = 0.051 if seconds < 10 else 0.5 if seconds < 3600 else 30 if seconds < 86_400 else 1800
    assert abs(back - seconds) <= slack + 0.001


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0 s"),
        (0.25, "0.2 s"),
        (45, "45 s"),
        (59.7, "1 min"),
        (330, "5 min 30 s"),
        (3599.9, "1 h"),
        (7500, "2 h 5 min"),
        (86_399, "1 day"),
        (273_600, "3 days 4 h"),
        (-90, "-1 min 30 s"),
    ],
)
def test_durations_are_said_in_their_two_largest_units(seconds, words):
    assert format_duration(seconds) == words


def test_the_year_is_said_only_where_it_is_not_this_year():
    assert format_local(ms("2026-11-24 14:05"), BERLIN, NOW) == "Tue 24 Nov 14:05"
    assert format_local(ms("2025-11-24 14:05"), BERLIN, NOW) == "Mon 24 Nov 2025 14:05"
    assert format_local(ms("2025-11-24 14:05"), BERLIN) == "Mon 24 Nov 14:05"


@pytest.mark.parametrize(
    ("tz", "name"),
    [
        ("Asia/Tokyo", "Asia/Tokyo"),
        (":Asia/Tokyo", "Asia/Tokyo"),
        ("", "UTC"),
        ("/usr/share/zoneinfo/Asia/Tokyo", "Asia/Tokyo"),
        ("CET-1CEST,M3.5.0,M10.5.0/3", BERLIN),
        (":/etc/localtime", BERLIN),
        ("../../etc/passwd", BERLIN),
    ],
)
def test_tz_gives_the_zone_where_it_is_a_name(tmp_path, tz, name):
    (tmp_path / "localtime").symlink_to("/usr/share/zoneinfo/posix/Europe/Berlin")
    assert local_zone_name({"TZ": tz}, str(tmp_path)) == name


def test_without_tz_the_link_then_the_file_then_utc(tmp_path):
    etc = str(tmp_path)
    assert local_zone_name({}, etc) == "UTC"
    (tmp_path / "timezone").write_text("Asia/Tokyo\n")
    assert local_zone_name({}, etc) == "Asia/Tokyo"
    (tmp_path / "localtime").write_bytes(b"TZif2 a copy, not a link")
    assert local_zone_name({}, etc) == "Asia/Tokyo"
    (tmp_path / "localtime").unlink()
    (tmp_path / "localtime").symlink_to("/var/db/timezone/zoneinfo/Europe/Berlin")
    assert local_zone_name({}, etc) == BERLIN
