"""Nothing that is on the air stops the daemon, or keeps it from hearing the rest."""

from __future__ import annotations

from dataclasses import fields

from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.contract import ChannelVisit, HeardRadio
from adapters.linux.scan_cache import decode_all_heard
from logger.log import Log
from logger.sightings.job import EVERYONE_AT_MOST, WATCHED_AT_MOST
from logger.sightings.watched import watch
from tests.adapters.netlink_builder import mac, nest, tlv, u32
from tests.logger.scan_desk import FINISHED, NEIGHBOUR, POTTERY, STARTED, Desk, other_band, own
from tests.logger.scripted import BENCH, OTHER

ANYTHING = st.one_of(
    st.none(),
    st.integers(),
    st.floats(),
    st.text(max_size=40),
    st.binary(max_size=40),
    st.sampled_from(
        [BENCH, OTHER, b"pottery", "DE", 5180, 2437, 20, -60.0, 0.5, True, 1 << 70, float("nan"), "\ud800"]
    ),
)
HEARD = st.builds(HeardRadio, **{field.name: ANYTHING for field in fields(HeardRadio)})
LIKELY = st.builds(
    HeardRadio,
    bssid=st.sampled_from([BENCH, OTHER, NEIGHBOUR, "no address"]),
    frequency_mhz=st.sampled_from([2412, 5180, 5955, 0, -1, 10**9]),
    ssid=st.one_of(st.none(), st.binary(max_size=40)),
    age_ms=st.one_of(st.none(), st.integers(-10, 10**10)),
    **{
        field.name: ANYTHING
        for field in fields(HeardRadio)
        if field.name not in ("bssid", "frequency_mhz", "ssid", "age_ms")
    },
)
VISITS = st.builds(ChannelVisit, **{field.name: ANYTHING for field in fields(ChannelVisit)})


@settings(deadline=None)
@given(st.lists(st.lists(st.one_of(HEARD, LIKELY), max_size=6), max_size=3), st.lists(VISITS, max_size=4))
def test_nothing_that_is_on_the_air_stops_the_daemon_or_silences_the_job(tmp_path_factory, looks, visits):
    with Log.open(tmp_path_factory.mktemp("log") / "pottery.db") as log:
        desk = Desk(log)
        watch(log, POTTERY, 0)
        for around in looks:
            desk.adapter.on_air, desk.adapter.visited = around, visits
            desk.pass_by(300)
        desk.adapter.on_air, desk.adapter.visited = [other_band(-44.0)], []
        desk.pass_by(310)
        assert not desk.complained.getvalue()
        row = log.db.execute("SELECT rssi_dbm FROM sighting ORDER BY scan_id DESC LIMIT 1").fetchone()
        assert row[0] == -44.0


def entry(bssid: str, frequency_mhz: int, beacon: bytes, response: bytes, rssi_dbm: int) -> bytes:
    """An entry of the kernel's scan cache."""
    facts = [mac(1, bssid), u32(2, frequency_mhz), tlv(11, beacon), tlv(6, response)]
    return u32(3, 3) + nest(47, *facts, u32(7, rssi_dbm * 100 % 2**32), u32(10, 40))


ELEMENT = st.builds(
    lambda kind, length, data: bytes([kind, len(data) if length is None else length]) + data,
    st.one_of(st.sampled_from([0, 3, 7, 11, 32, 61, 191, 192, 221, 244, 255]), st.integers(0, 255)),
    st.one_of(st.none(), st.none(), st.integers(0, 255)),  # mostly true
    st.binary(max_size=40),
)
ELEMENTS = st.one_of(st.binary(max_size=60), st.lists(ELEMENT, max_size=8).map(b"".join))
ENTRIES = st.lists(
    st.one_of(
        st.binary(max_size=60),
        st.builds(
            entry,
            st.sampled_from([BENCH, OTHER, NEIGHBOUR]),
            st.one_of(st.sampled_from([2412, 2484, 5180, 5955]), st.integers(0, 2**32 - 1)),
            ELEMENTS,
            ELEMENTS,
            st.integers(-130, 20),
        ),
    ),
    max_size=6,
)


@settings(deadline=None)
@given(ENTRIES)
def test_no_elements_of_a_beacon_keep_the_rest_from_being_heard(tmp_path_factory, entries):
    ours = entry("02:00:00:00:00:77", 2462, b"\x00\x07pottery", b"", -57)
    with Log.open(tmp_path_factory.mktemp("log") / "pottery.db") as log:
        desk = Desk(log)
        watch(log, POTTERY, 0)
        desk.adapter.on_air = decode_all_heard([*entries, ours], 10**12)
        desk.pass_by(60)
        assert not desk.complained.getvalue()
        assert -57.0 in desk.heard("02:00:00:00:00:77")


def test_a_flood_of_beacons_is_bounded(log):
    def flood(ssid: bytes, first: int) -> list[HeardRadio]:
        addresses = (f"06:00:00:00:{n // 256:02x}:{n % 256:02x}" for n in range(first, first + 1000))
        return [HeardRadio(each, 2412, ssid, rssi_dbm=-50.0 - n % 40, age_ms=9) for n, each in enumerate(addresses)]

    desk = Desk(log)
    desk.adapter.on_air = [*flood(b"pottery", 0), *flood(b"other", 2000), own(-90.0)]
    for _ in range(2):
        desk.adapter.tell(STARTED, FINISHED)
        desk.pass_by(30)
    per_scan = [
        row[0] for row in desk.log.db.execute("SELECT count(*) FROM sighting GROUP BY scan_id ORDER BY scan_id")
    ]
    assert per_scan[0] <= WATCHED_AT_MOST + EVERYONE_AT_MOST
    assert all(n <= WATCHED_AT_MOST for n in per_scan[1:])
