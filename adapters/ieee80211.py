"""Facts of IEEE 802.11: channels and bands, physical-layer rates, and network names.

Section and table numbers are those of IEEE Std 802.11-2020 (HT, VHT), 802.11ax-2021 (HE) and
802.11be-2024 (EHT).
Radios are keyed by frequency: the channel numbers of 6 GHz repeat those of the other bands.
"""

from __future__ import annotations

import re
from typing import Literal

from adapters.contract import PhyMode

Band = Literal["2.4", "5", "6"]

#: Rates of the modes before HT in Mbit/s: DSSS and CCK (clauses 15, 16), then OFDM at 20 MHz (clause 17).
LEGACY_RATES_MBPS = (1.0, 2.0, 5.5, 11.0, 6.0, 9.0, 12.0, 18.0, 24.0, 36.0, 48.0, 54.0)

# Modulation and coding by MCS within one stream: bits per subcarrier, then the code rate. 14 and 15 exist
# in EHT only: BPSK on half of the subcarriers (DCM), and for 14 the same again in both halves of the channel.
_MODULATION = {
    0: (1, 1, 2),
    1: (2, 1, 2),
    2: (2, 3, 4),
    3: (4, 1, 2),
    4: (4, 3, 4),
    5: (6, 2, 3),
    6: (6, 3, 4),
    7: (6, 5, 6),
    8: (8, 3, 4),
    9: (8, 5, 6),
    10: (10, 3, 4),
    11: (10, 5, 6),
    12: (12, 3, 4),
    13: (12, 5, 6),
    14: (1, 1, 2),
    15: (1, 1, 2),
}
_HIGHEST_MCS = {
    "HT": 7,
    "VHT": 11,
    "HE": 11,
    "EHT": 15,
}  # VHT 10 and 11 are not in the standard, but on the air
_MOST_STREAMS = {"HT": 4, "VHT": 8, "HE": 8, "EHT": 16}

# Data subcarriers by width in MHz (tables 19-6, 21-5, 27-15 and 36-19).
_SUBCARRIERS_HT_VHT = {20: 52, 40: 108, 80: 234, 160: 468}
_SUBCARRIERS_HE_EHT = {20: 234, 40: 468, 80: 980, 160: 1960, 320: 3920}
_SUBCARRIERS_EHT_DUPLICATE = {80: 234, 160: 468, 320: 980}  # MCS 14, with DCM already counted
_WIDEST_MHZ = {"HT": 40, "VHT": 160, "HE": 160, "EHT": 320}

# Symbol without its guard interval, in ns, and the guard intervals there are.
_SYMBOL_NS = {"HT": 3200, "VHT": 3200, "HE": 12800, "EHT": 12800}
_GUARD_INTERVALS_NS = {"HT": (400, 800), "VHT": (400, 800), "HE": (800, 1600, 3200), "EHT": (800, 1600, 3200)}


def band_of(frequency_mhz: int | None) -> Band | None:
    """The band of a channel's centre frequency, or None outside the three."""
    if frequency_mhz is None:
        return None
    if 2400 <= frequency_mhz < 2500:
        return "2.4"
    if 4900 <= frequency_mhz < 5925:
        return "5"
    if 5925 <= frequency_mhz <= 7125:
        return "6"
    return None


def channel_of(frequency_mhz: int | None) -> int | None:
    """The channel number of a 20 MHz channel's centre frequency (annex E), or None where there is none."""
    match band_of(frequency_mhz), frequency_mhz:
        case "2.4", 2484:
            return 14
        case "2.4", int(mhz) if (mhz - 2407) % 5 == 0 and 1 <= (mhz - 2407) // 5 <= 13:
            return (mhz - 2407) // 5
        case "5", int(mhz) if mhz % 5 == 0:
            return (mhz - 4000) // 5 if mhz < 5000 else (mhz - 5000) // 5 or None
        case "6", 5935:  # operating class 136, apart from the raster of the others
            return 2
        case "6", int(mhz) if (mhz - 5950) % 5 == 0 and mhz > 5950:
            return (mhz - 5950) // 5
    return None


def frequency_of(channel: int, band: Band) -> int | None:
    """The centre frequency in MHz of a channel number within a band, or None where there is none."""
    if band == "2.4":
        mhz = 2484 if channel == 14 else 2407 + 5 * channel
    elif band == "5":
        mhz = 4000 + 5 * channel if channel >= 180 else 5000 + 5 * channel
    else:
        mhz = 5935 if channel == 2 else 5950 + 5 * channel
    return mhz if band_of(mhz) == band and channel_of(mhz) == channel else None


def phy_rate_mbps(
    phy_mode: PhyMode,
    mcs: int,
    *,
    streams: int | None = None,
    width_mhz: int,
    guard_interval_ns: int,
    dual_carrier: bool = False,
) -> float | None:
    """The rate in Mbit/s that the standard gives to a modulation, or None where it has no such one.

    rate = data bits per symbol / (symbol + guard interval), where data bits per symbol = subcarriers x bits
    per subcarrier x code rate x streams. For HT the MCS (0-31) includes the streams, and ``streams`` may be
    left out. ``dual_carrier`` (DCM, HE only) sends each bit twice.
    """
    if phy_mode == "legacy":
        return None
    if phy_mode == "HT":
        if mcs > 31:  # 32 is a duplicate mode, 33-76 have a modulation per stream; nobody sends them
            return None
        mcs, streams = mcs % 8, mcs // 8 + 1
    subcarriers: float | None
    if phy_mode == "EHT" and mcs == 14:
        subcarriers = _SUBCARRIERS_EHT_DUPLICATE.get(width_mhz)
    else:
        wide = _SUBCARRIERS_HT_VHT if phy_mode in ("HT", "VHT") else _SUBCARRIERS_HE_EHT
        subcarriers = wide.get(width_mhz)
    if (
        subcarriers is None
        or streams is None
        or width_mhz > _WIDEST_MHZ[phy_mode]
        or not 0 <= mcs <= _HIGHEST_MCS[phy_mode]
        or not 1 <= streams <= _MOST_STREAMS[phy_mode]
        or guard_interval_ns not in _GUARD_INTERVALS_NS[phy_mode]
    ):
        return None
    if dual_carrier or (phy_mode == "EHT" and mcs == 15):
        subcarriers /= 2
    bits, part, whole = _MODULATION[mcs]
    bits_per_symbol = subcarriers * bits * streams * part / whole
    return bits_per_symbol * 1000 / (_SYMBOL_NS[phy_mode] + guard_interval_ns)


def ssid_text(ssid: bytes) -> str:
    """A network name for people's eyes. An SSID is any 0 to 32 bytes, chosen by strangers.

    Printable UTF-8 stays; every other byte (control and invisible characters, what is no UTF-8, and the
    backslash itself) becomes ``\\xNN``. Different names give different texts.
    """
    out: list[str] = []
    for character in ssid.decode("utf-8", "surrogateescape"):
        if character.isprintable() and character != "\\":
            out.append(character)
        else:
            out += (f"\\x{byte:02x}" for byte in character.encode("utf-8", "surrogateescape"))
    return "".join(out)


def ssid_of(text: str) -> bytes:
    """The network name of such a text, and of one that a person types: ``\\xNN`` stands for a byte, and a backslash
    that begins no such thing for itself."""
    parts = re.split(r"\\x([0-9A-Fa-f]{2})", text)  # text and byte by turns
    return b"".join(
        bytes.fromhex(part) if turn % 2 else part.encode("utf-8", "surrogateescape") for turn, part in enumerate(parts)
    )
