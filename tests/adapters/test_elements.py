"""Elements of beacons on byte vectors; each expectation was worked out by hand from the standard's tables."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from adapters.elements import Told, country_max_dbm, elements, told_by


def element(number: int, body: str | bytes) -> bytes:
    """One element; a ``body`` of text is hexadecimal, blanks as one likes."""
    data = bytes.fromhex(body) if isinstance(body, str) else body
    return bytes([number, len(data)]) + data


def extension(number: int, body: str) -> bytes:
    return element(255, bytes([number]) + bytes.fromhex(body))


def told(*parts: bytes, mhz: int = 5180) -> Told:
    return told_by(b"".join(parts), b"", mhz)


def channel(*parts: bytes, mhz: int) -> tuple[int | None, float | None]:
    about = told(*parts, mhz=mhz)
    return about.width_mhz, about.center_mhz


def ht(primary: int, second: int = 0, both: bool = True, segment_2: int = 0) -> bytes:
    """HT Operation: ``second`` as the element has it, 1 above and 3 below; ``segment_2`` in bits 5 to 12 of its word."""
    word = (segment_2 << 5).to_bytes(2, "little")
    return element(61, bytes([primary, second | (4 if both else 0)]) + word + bytes(18))


def vht(width: int, segment_0: int, segment_1: int = 0) -> bytes:
    return element(192, bytes([width, segment_0, segment_1, 0xFC, 0xFF]))


def he_6_ghz(five: str) -> bytes:
    """HE Operation with nothing but its 6 GHz part: bit 17 is bit 1 of the third octet."""
    return extension(36, "00 00 02  3f  fc ff" + five)


def eht(control: int, segment_0: int, segment_1: int = 0) -> bytes:
    return extension(106, "01 44 44 44 44" + bytes([control, segment_0, segment_1]).hex())


# ---- names


@pytest.mark.parametrize("hidden", [b"", b"\0", bytes(32), b"x" * 33])
def test_a_hidden_or_overlong_name_is_unknown(hidden):
    assert told(element(0, hidden)).ssid is None


@pytest.mark.parametrize("ssid", [b"Pottery", b"\0x", "Bäckerei".encode(), b"\xff\xfe", b"x" * 32])
def test_a_name_is_the_bytes_that_were_sent(ssid):
    assert told(element(0, ssid)).ssid == ssid


def test_a_name_that_beacons_hide_comes_from_a_probe_response():
    assert told_by(element(0, b""), element(0, b"Pottery"), 5180).ssid == b"Pottery"
    assert told_by(element(0, b"Pottery"), b"", 5180).ssid == b"Pottery"


# ---- load, power, country


def test_load_is_stations_and_a_share_of_255():
    # 9.4.2.27: 0x0103 = 259 stations, 51/255 = 0.2
    about = told(element(11, "03 01 33 12 7a"))
    assert (about.station_count, about.busy_share) == (259, 0.2)


@pytest.mark.parametrize("body", ["", "03", "03 00", "03 00 33", "03 00 33 12"])
def test_a_load_cut_short_is_unknown_and_not_zero(body):
    about = told(element(11, body))
    assert (about.station_count, about.busy_share) == (None, None)


def test_the_load_of_the_beacon_counts_before_an_old_probe_responses():
    about = told_by(element(11, "01 00 00 00 00"), element(11, "09 00 ff 00 00"), 5180)
    assert (about.station_count, about.busy_share) == (1, 0.0)


def test_power_constraint_is_one_octet_of_db():
    assert told(element(32, "03")).power_constraint_db == 3
    assert told(element(32, "00")).power_constraint_db == 0
    assert told(element(32, "")).power_constraint_db is None
    assert told(element(32, "03 00")).power_constraint_db is None


@pytest.mark.parametrize(
    ("body", "country"),
    [
        (b"DE \x01\x0d\x14", "DE"),
        (b"US\x04\x01\x0b\x1e", "US"),
        (b"DE ", "DE"),
        (b"DE", None),
        (b"de \x01\x0d\x14", None),
        (b"\x1b[ \x01\x0d\x14", None),
        (b"\xc4\xd6 \x01\x0d\x14", None),
        (b"00 \x01\x0d\x14", None),
    ],
)
def test_a_country_is_two_letters(body, country):
    about = told(element(7, body), mhz=2437)
    assert about.country == country
    assert about.country_max_dbm is None or about.country is not None


OF_5_GHZ = "44 45 20  24 04 17  34 04 14  64 0b 1a  95 05 0d"  # 36 +4: 23, 52 +4: 20, 100 +11: 26, 149 +5: 13
OF_6_GHZ = "44 45 04  c9 83 00  01 3b 17"  # class 131: 59 channels from 1 on: 23 dBm
OF_ALL_BANDS = "44 45 04  c9 51 00  01 0d 14  c9 83 00  01 3b 17  c9 73 00  24 04 0f"  # 81: 20; 131: 23; 115: 15
OF_WIDE_CHANNELS = (
    "44 45 04  c9 86 00  0f 07 0a  c9 83 00  01 3b 17"  # class 134 numbers the middles of 160 MHz channels
)


@pytest.mark.parametrize(
    ("body", "mhz", "dbm"),
    [
        ("44 45 20  01 0d 14", 2412, 20),
        ("44 45 20  01 0d 14", 2472, 20),
        ("44 45 20  01 0b 1e  0c 02 14", 2467, 20),  # 1 to 11: 30 dBm, 12 and 13: 20
        ("44 45 20  01 0d 14", 2484, None),
        (OF_5_GHZ, 5180, 23),
        (OF_5_GHZ, 5240, 23),  # 48 is the fourth from 36 on
        (OF_5_GHZ, 5260, 20),
        (OF_5_GHZ, 5700, 26),  # 140 is the eleventh from 100 on
        (OF_5_GHZ, 5720, None),  # 144 would be the twelfth
        (OF_5_GHZ, 5825, 13),
        ("44 45 20  24 01 f6", 5180, -10),  # signed
        ("44 45 20  24 04 17  24 04 05", 5180, 23),  # the first counts
        (OF_6_GHZ, 5955, 23),
        (OF_6_GHZ, 7115, 23),  # 233 is the 59th
        (OF_ALL_BANDS, 2412, 20),
        (OF_ALL_BANDS, 5955, 23),  # not the 20 dBm of channel 1 in the 2.4 GHz band
        (OF_ALL_BANDS, 5180, 15),
        (OF_WIDE_CHANNELS, 6025, None),  # 15 is no 20 MHz channel
        (OF_WIDE_CHANNELS, 6015, 23),  # 13
        ("55 53 20  c9 01 00  24 04 11", 5180, 17),  # class 1 of a country's own table
        ("55 53 20  c9 01 00  24 04 11", 6135, None),  # 37 in the 6 GHz band; those tables have none of it
        ("44 45 20  00 ff 7f", 5180, None),  # there is no channel 0
        ("44 45 20  24 00 17", 5180, None),
        ("44 45 20  24 04 17", 5955, None),
        ("44 45 20  24 04", 5180, None),  # cut short
        ("44 45 20  34 04 14  24 04 17  00", 5180, 23),  # padded
        ("44 45", 5180, None),
    ],
)
def test_the_limit_on_the_primary_channel_is_that_of_the_triplet_that_holds_it(body, mhz, dbm):
    assert country_max_dbm(bytes.fromhex(body), mhz) == dbm


# ---- the whole channel


@pytest.mark.parametrize(
    ("parts", "mhz", "expected"),
    [
        ([element(1, "82848b96")], 2412, (20, 2412)),  # of the time before HT
        ([ht(6)], 2437, (20, 2437)),
        ([ht(6, 1)], 2437, (40, 2447)),
        ([ht(6, 3)], 2437, (40, 2427)),
        ([ht(6, 1, both=False)], 2437, (20, 2437)),
        ([ht(6, 2)], 2437, (20, 2437)),  # reserved
        ([ht(36, 1)], 5180, (40, 5190)),
        ([ht(36, 1), vht(0, 0)], 5180, (40, 5190)),
        ([ht(36, 1), vht(1, 42)], 5180, (80, 5210)),
        ([ht(40, 3), vht(1, 42)], 5200, (80, 5210)),
        ([ht(48, 3), vht(1, 42)], 5240, (80, 5210)),
        ([ht(36, 1), vht(1, 42, 50)], 5180, (160, 5250)),
        ([ht(64, 3), vht(1, 58, 50)], 5320, (160, 5250)),
        ([ht(36, 1), vht(2, 50)], 5180, (160, 5250)),
        ([ht(36, 1, segment_2=50), vht(1, 42)], 5180, (160, 5250)),
        ([ht(36, 1), vht(1, 42, 155)], 5180, (80, 5210)),  # 80+80: the half with the primary channel
        ([ht(36, 1), vht(3, 42, 155)], 5180, (80, 5210)),
        ([ht(149, 1), vht(1, 155)], 5745, (80, 5775)),
        # bit 14: VHT's three octets after colour and rates
        ([ht(36, 1), extension(36, "00 40 00  3f  fc ff  01 2a 32")], 5180, (160, 5250)),
        # 9.4.2.249: as captured from a router: primary 1, 160 MHz, segments 7 and 15: 5950 + 5 x 15
        ([he_6_ghz("01 03 07 0f 06")], 5955, (160, 6025)),
        ([he_6_ghz("05 00 05 00 06")], 5975, (20, 5975)),
        ([he_6_ghz("05 00 00 00 06")], 5975, (20, 5975)),  # 20 MHz need no middle
        ([he_6_ghz("05 01 03 00 06")], 5975, (40, 5965)),
        ([he_6_ghz("25 02 27 00 06")], 6135, (80, 6145)),  # primary 37, middle 39
        ([he_6_ghz("25 03 27 af 06")], 6135, (80, 6145)),  # 80+80
        # bits 15 and 17: one octet of co-hosted networks comes first
        ([extension(36, "00 80 02  3f  fc ff  07  25 02 27 00 06")], 6135, (80, 6145)),
        # 802.11be: HE still says 160 MHz, EHT 320 about 31: 5950 + 155
        ([he_6_ghz("01 03 07 0f 06"), eht(4, 15, 31)], 5955, (320, 6105)),
        ([eht(3, 7, 15)], 5955, (160, 6025)),
        ([ht(36, 1), vht(1, 42), eht(2, 42)], 5180, (80, 5210)),
        ([ht(1, 1), eht(1, 3)], 2412, (40, 2422)),
        ([ht(1), eht(0, 1)], 2412, (20, 2412)),
        ([eht(0, 0)], 5975, (20, 5975)),
        ([he_6_ghz("01 03 07 0f 06"), extension(106, "00 44 44 44 44")], 5955, (160, 6025)),  # it tells no channel
    ],
)
def test_width_and_middle_of_the_whole_channel(parts, mhz, expected):
    assert channel(*parts, mhz=mhz) == expected


@pytest.mark.parametrize(
    ("parts", "mhz", "expected"),
    [
        ([ht(36, 1), vht(1, 155)], 5180, (40, 5190)),  # a middle from which the primary channel is far
        ([ht(36, 1), vht(1, 43)], 5180, (40, 5190)),  # a middle between channels
        ([ht(36, 1), vht(1, 0)], 5180, (40, 5190)),
        ([ht(36, 1), vht(7, 42)], 5180, (40, 5190)),
        ([ht(36, 1), vht(1, 42), eht(4, 42, 50)], 5180, (80, 5210)),  # there are no 320 MHz in the 5 GHz band
        ([ht(36, 1), vht(1, 42), eht(7, 42, 50)], 5180, (80, 5210)),
        ([ht(6, 1), vht(1, 4)], 2437, (40, 2447)),  # nor any VHT in the 2.4 GHz band
        ([ht(11, 1)], 2437, (None, None)),  # it speaks of another channel
        ([he_6_ghz("09 03 07 0f 06")], 5955, (None, None)),
        ([he_6_ghz("01 02 27 00 06")], 5955, (None, None)),
        ([he_6_ghz("01 03 07 0f")], 5955, (None, None)),  # cut short
        ([extension(36, "00 00"), eht(4, 15, 31)], 5955, (320, 6105)),
        ([extension(106, "01")], 5955, (None, None)),
        ([element(255, b"")], 5955, (None, None)),
        ([element(61, "24")], 5180, (None, None)),
        ([], 5180, (None, None)),
        ([ht(36)], 868, (None, None)),  # no band of ours
    ],
)
def test_a_lie_or_a_fragment_gives_way_to_what_can_be_true(parts, mhz, expected):
    assert channel(*parts, mhz=mhz) == expected


# ---- anything that may be sent


def test_of_an_element_sent_twice_the_first_counts_and_one_cut_short_ends_the_run():
    data = element(0, b"a") + element(0, b"b") + element(32, "05") + bytes([7, 200]) + b"DE"
    assert elements(data) == {0: b"a", 32: b"\x05"}


BODIES = st.binary(max_size=30)
SENT = st.lists(
    st.builds(element, st.sampled_from([0, 7, 11, 32, 61, 192, 255]), BODIES)
    | st.builds(lambda number, body: element(255, bytes([number]) + body), st.sampled_from([36, 106]), BODIES),
    max_size=8,
).map(b"".join)
CHANNELS = st.sampled_from([2412, 2437, 2484, 5180, 5500, 5825, 5935, 5955, 6135, 7115, 868, 58320, 0, 2**32 - 1])


@given(st.binary(max_size=300) | SENT, st.binary(max_size=80) | SENT, CHANNELS)
@example(bytes([255, 1, 36]), bytes([7, 255]), 5955)
def test_whatever_is_sent_what_is_told_is_of_its_kind_and_in_its_range(beacon, other, mhz):
    about = told_by(beacon, other, mhz)
    assert about.ssid is None or 1 <= len(about.ssid) <= 32
    assert about.station_count is None or 0 <= about.station_count <= 65535
    assert about.busy_share is None or 0 <= about.busy_share <= 1
    assert about.country is None or (len(about.country) == 2 and about.country.isupper())
    assert about.country_max_dbm is None or -128 <= about.country_max_dbm <= 127
    assert about.power_constraint_db is None or 0 <= about.power_constraint_db <= 255
    assert (about.width_mhz is None) == (about.center_mhz is None)
    if about.width_mhz is not None:
        assert about.width_mhz in (20, 40, 80, 160, 320)
        assert abs(mhz - about.center_mhz) <= about.width_mhz / 2 - 10


@given(SENT, SENT, CHANNELS, st.data())
def test_what_follows_an_element_cut_short_is_lost_and_nothing_before_it(before, after, mhz, draw):
    cut = draw.draw(st.integers(0, len(before)))
    known = elements(before[:cut])
    assert known.items() <= elements(before).items()
    assert elements(before).items() <= elements(before + after).items()
