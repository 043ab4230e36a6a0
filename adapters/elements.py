"""Decodes the elements of beacons and probe responses (IEEE Std 802.11-2020, 9.4.2): what a radio tells of its
network, its channel, its load and the power that stations may use. Pure.

Whoever is in range chose these bytes. So nothing here raises: what is cut short, out of range or contradicts the
channel that the frame was heard on is left out, as if it had not been sent; of an element sent twice the first counts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from adapters.ieee80211 import Band, band_of, channel_of, frequency_of

# Element numbers (table 9-92); those with an extension have 256 added to its number.
SSID = 0
COUNTRY = 7
BSS_LOAD = 11
POWER_CONSTRAINT = 32
HT_OPERATION = 61
VHT_OPERATION = 192
EXTENSION = 255
HE_OPERATION = 256 + 36
EHT_OPERATION = 256 + 106

LONGEST_SSID = 32
FIRST_OPERATING_EXTENSION = 201  # from here on a triplet of the Country element names an operating class
# Global operating classes by band (table E-4) whose channel numbers are those of 20 MHz channels; the others number the
# middles of wider ones.
_CLASSES: dict[Band, frozenset[int]] = {
    "2.4": frozenset({81, 82, 83, 84}),
    "5": frozenset({115, 116, 117, 118, 119, 120, 121, 122, 123, 124, 125, 126, 127}),
    "6": frozenset({131, 136}),
}
_FIRST_GLOBAL_CLASS = 81  # below are the classes of countries' own tables; none of those is in the 6 GHz band
_WIDEST_MHZ: dict[Band, int] = {"2.4": 40, "5": 160, "6": 320}
_HE_WIDTH_MHZ = (20, 40, 80, 160)
_EHT_WIDTH_MHZ = (20, 40, 80, 160, 320)


@dataclass(frozen=True, slots=True)
class Told:
    """What a radio tells of itself, as in :class:`adapters.contract.HeardRadio`."""

    ssid: bytes | None
    center_mhz: float | None
    width_mhz: int | None
    station_count: int | None
    busy_share: float | None
    country: str | None
    country_max_dbm: int | None
    power_constraint_db: int | None


# A width in MHz and the middle of the whole channel, or of the half with the primary channel where it has two (80+80).
_Channel = tuple[int, int]


def told_by(beacon: bytes, other: bytes, frequency_mhz: int) -> Told:
    """What is told by the elements of the last beacon, and by those of the last frame of either kind (a beacon or a
    probe response), which were heard on ``frequency_mhz``. Beacons count first, for they say how things are now; a
    name that they hide may stand in a probe response."""
    said, answered = elements(beacon), elements(other)
    both = answered | said
    load = both.get(BSS_LOAD, b"")
    country = both.get(COUNTRY, b"")
    constraint = both.get(POWER_CONSTRAINT, b"")
    width_mhz, center_mhz = _channel(both, frequency_mhz)
    return Told(
        ssid=ssid_of(answered) or ssid_of(said),
        center_mhz=center_mhz,
        width_mhz=width_mhz,
        # 9.4.2.27: stations u16, channel utilization u8 of 255, room for new streams u16
        station_count=int.from_bytes(load[:2], "little") if len(load) >= 5 else None,
        busy_share=load[2] / 255 if len(load) >= 5 else None,
        country=country_of(country),
        country_max_dbm=country_max_dbm(country, frequency_mhz) if country_of(country) else None,
        power_constraint_db=constraint[0] if len(constraint) == 1 else None,  # 9.4.2.13
    )


def elements(data: bytes) -> dict[int, bytes]:
    """The first element of each number. One that is cut short ends the run."""
    out: dict[int, bytes] = {}
    for number, body in _walk(data):
        out.setdefault(number, body)
    return out


def _walk(data: bytes) -> Iterator[tuple[int, bytes]]:
    offset = 0
    while offset + 2 <= len(data):
        number, length = data[offset], data[offset + 1]
        body = data[offset + 2 : offset + 2 + length]
        if len(body) < length:
            return
        offset += 2 + length
        if number != EXTENSION:
            yield number, body
        elif body:
            yield 256 + body[0], body[1:]


def ssid_of(by_number: dict[int, bytes]) -> bytes | None:
    """The network's name (9.4.2.2); None where it is hidden: empty, or nothing but zeros."""
    ssid = by_number.get(SSID, b"")
    return ssid if len(ssid) <= LONGEST_SSID and ssid.strip(b"\0") else None


def country_of(body: bytes) -> str | None:
    """The two letters of a Country element (9.4.2.8)."""
    letters = body[:2]
    return letters.decode("ascii") if len(body) >= 3 and letters.isalpha() and letters.isupper() else None


def country_max_dbm(body: bytes, frequency_mhz: int) -> int | None:
    """The limit on transmit power of a Country element (9.4.2.8) for one primary channel; None where it names none.

    Triplets: first channel, number of channels, dBm (signed); or, from 201 on, an extension, an operating class and
    a coverage class, and those that follow are of that class. Channels of 20 MHz lie 4 numbers apart, at 2.4 GHz 1.
    """
    band, channel = band_of(frequency_mhz), channel_of(frequency_mhz)
    if band is None or channel is None:
        return None
    step = 1 if band == "2.4" else 4
    of_our_band = True
    for offset in range(3, len(body) - 2, 3):
        first, count, dbm = body[offset : offset + 3]
        if first >= FIRST_OPERATING_EXTENSION:
            of_our_band = count in _CLASSES[band] or (count < _FIRST_GLOBAL_CLASS and band != "6")
        elif of_our_band and first > 0 and channel in range(first, first + count * step, step):
            return dbm - 256 if dbm > 127 else dbm
    return None


def _channel(by_number: dict[int, bytes], frequency_mhz: int) -> tuple[int | None, int | None]:
    """Width in MHz and middle in MHz of the whole channel: by the latest standard that tells it and does not contradict
    the primary channel. (None, None) where nothing is told, or nothing true."""
    band = band_of(frequency_mhz)
    if band is None or not by_number:
        return None, None
    claims = [
        _eht_channel(by_number.get(EHT_OPERATION, b""), band, frequency_mhz),
        *_he_channels(by_number.get(HE_OPERATION, b""), band, frequency_mhz),
    ]
    ht = by_number.get(HT_OPERATION, b"")
    if band == "5":
        claims.append(_vht_channel(by_number.get(VHT_OPERATION, b""), ht, band, frequency_mhz))
    if band != "6":
        claims.append(_ht_channel(ht, frequency_mhz))
    made = [claim for claim in claims if claim is not None and claim[0] <= _WIDEST_MHZ[band]]
    for width_mhz, center_mhz in made:
        if _holds(frequency_mhz, width_mhz, center_mhz):
            return width_mhz, center_mhz
    # A radio of the time before HT has one channel of 20 MHz, and says nothing of it.
    known = not made and band != "6" and HT_OPERATION not in by_number
    return (20, frequency_mhz) if known else (None, None)


def _holds(frequency_mhz: int, width_mhz: int, center_mhz: int) -> bool:
    """Whether a channel is made of 20 MHz channels of which that at ``frequency_mhz`` is one."""
    from_edge_mhz = frequency_mhz - 10 - (center_mhz - width_mhz // 2)
    return 0 <= from_edge_mhz <= width_mhz - 20 and from_edge_mhz % 20 == 0


def _ht_channel(body: bytes, frequency_mhz: int) -> _Channel | None:
    """HT Operation (9.4.2.56): primary channel u8; then bits 0 and 1: the secondary channel is 1 above or 3 below;
    bit 2: whether stations use it."""
    if len(body) < 2 or body[0] != channel_of(frequency_mhz):
        return None
    offset_mhz = {1: 10, 3: -10}.get(body[1] & 3, 0) if body[1] & 4 else 0
    return (40, frequency_mhz + offset_mhz) if offset_mhz else (20, frequency_mhz)


def _vht_channel(body: bytes, ht: bytes, band: Band, frequency_mhz: int) -> _Channel | None:
    """VHT Operation (9.4.2.158): width u8, segment 0 u8, segment 1 u8. Where it leaves segment 1 out, bits 5 to 12
    after the first two octets of HT Operation may give it (table 11-23: it is used with fewer streams)."""
    if len(body) < 3:
        return None
    second = body[2] or (int.from_bytes(ht[2:4], "little") >> 5 & 0xFF if len(ht) >= 4 else 0)
    return _segments(body[0], body[1], second, band)


def _segments(width: int, first: int, second: int, band: Band) -> _Channel | None:
    """Table 9-274. 0: as HT says. 1: 80 MHz about the first segment; with the second 8 away 160 about the second, with
    more than 16 80+80. 2 and 3 are the older words for 160 about the first, and 80+80."""
    if not 1 <= width <= 3:
        return None
    if width == 1 and second and abs(second - first) == 8:
        return _claim(160, second, band)
    return _claim(160 if width == 2 else 80, first, band)


def _he_channels(body: bytes, band: Band, frequency_mhz: int) -> list[_Channel | None]:
    """HE Operation (802.11ax-2021, 9.4.2.249): parameters of 3 octets, whose bits 14, 15 and 17 tell which parts follow
    the colour (1 octet) and the basic rates (2): VHT's three octets, one of co-hosted networks, five of 6 GHz:
    primary channel, control (bits 0 and 1: the width), segment 0, segment 1, least rate."""
    parameters = int.from_bytes(body[:3], "little")
    vht, co_hosted, six_ghz = (parameters >> bit & 1 for bit in (14, 15, 17))
    out: list[_Channel | None] = []
    part = body[6 + 3 * vht + co_hosted :][:5]
    if six_ghz and band == "6" and len(part) == 5 and part[0] == channel_of(frequency_mhz):
        width_mhz, first, second = _HE_WIDTH_MHZ[part[1] & 3], part[2], part[3]
        if width_mhz == 20:
            out.append((20, frequency_mhz))
        elif width_mhz == 160 and abs(second - first) == 8:
            out.append(_claim(160, second, band))
        else:  # of 80+80 the first half
            out.append(_claim(min(width_mhz, 80), first, band))
    if vht and band == "5" and len(body) >= 9:
        out.append(_segments(body[6], body[7], body[8], band))
    return out


def _eht_channel(body: bytes, band: Band, frequency_mhz: int) -> _Channel | None:
    """EHT Operation (802.11be-2024, 9.4.2.311): parameters u8, whose bit 0 tells whether the channel follows the 4
    octets of basic rates: control (bits 0 to 2: the width), segment 0, segment 1; the middle is the second from
    160 MHz on."""
    if len(body) < 8 or not body[0] & 1 or body[5] & 7 >= len(_EHT_WIDTH_MHZ):
        return None
    width_mhz = _EHT_WIDTH_MHZ[body[5] & 7]
    if width_mhz == 20:
        return 20, frequency_mhz
    return _claim(width_mhz, body[7] if width_mhz >= 160 else body[6], band)


def _claim(width_mhz: int, middle: int, band: Band) -> _Channel | None:
    center_mhz = frequency_of(middle, band)
    return None if center_mhz is None else (width_mhz, center_mhz)
