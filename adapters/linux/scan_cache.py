"""Decodes the kernel's scan cache (GET_SCAN of linux/nl80211.h): one radio of an access point per entry. Pure.

Everything raises DecodeError for bytes that do not hold what they should, and nothing else. What came over the air, the
elements, never raises (adapters/elements.py). Names in capitals are the header's own.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from adapters.contract import HeardRadio
from adapters.linux.netlink import Attributes, DecodeError
from adapters.linux.nl80211 import plausible_rssi_dbm

NL80211_CMD_GET_SCAN = 32
NL80211_ATTR_BSS = 47
NL80211_BSS_BSSID = 1
NL80211_BSS_FREQUENCY = 2
NL80211_BSS_INFORMATION_ELEMENTS = 6
NL80211_BSS_SIGNAL_MBM = 7
NL80211_BSS_STATUS = 9
NL80211_BSS_SEEN_MS_AGO = 10
NL80211_BSS_BEACON_IES = 11
NL80211_BSS_LAST_SEEN_BOOTTIME = 15
NL80211_BSS_MLO_LINK_ID = 21
NL80211_BSS_MLD_ADDR = 22
NL80211_BSS_STATUS_ASSOCIATED = 1


@dataclass(frozen=True, slots=True)
class BssInfo:
    """How an entry is known to the driver."""

    bssid: str | None
    frequency_mhz: int | None
    associated: bool
    link_id: int | None
    multi_link_address: str | None  # of the whole access point, under multi-link

    @property
    def peer(self) -> str | None:
        """The address that GET_STATION knows this access point by."""
        return self.multi_link_address or self.bssid


def decode_bss(data: bytes) -> BssInfo:
    """One answer to GET_SCAN, without what the radio tells of itself."""
    bss = _bss(data)
    return BssInfo(
        bssid=bss.mac(NL80211_BSS_BSSID),
        frequency_mhz=bss.u32(NL80211_BSS_FREQUENCY),
        associated=_associated(bss),
        link_id=bss.u8(NL80211_BSS_MLO_LINK_ID),
        multi_link_address=bss.mac(NL80211_BSS_MLD_ADDR),
    )


def decode_heard(data: bytes, boottime_ns: int) -> HeardRadio:
    """One answer to GET_SCAN, as the contract has it. ``boottime_ns`` is CLOCK_BOOTTIME now."""
    from adapters.elements import told_by  # only where somebody asks who is on the air

    bss = _bss(data)
    bssid, frequency_mhz = bss.mac(NL80211_BSS_BSSID), bss.u32(NL80211_BSS_FREQUENCY)
    if bssid is None or not frequency_mhz:
        raise DecodeError("a scan entry without its address or its frequency")
    told = told_by(bss.get(NL80211_BSS_BEACON_IES, b""), bss.get(NL80211_BSS_INFORMATION_ELEMENTS, b""), frequency_mhz)
    return HeardRadio(
        bssid=bssid,
        frequency_mhz=frequency_mhz,
        ssid=told.ssid,
        center_mhz=told.center_mhz,
        width_mhz=told.width_mhz,
        rssi_dbm=_rssi_dbm(bss),
        age_ms=_age_ms(bss, boottime_ns),
        associated=_associated(bss),
        station_count=told.station_count,
        busy_share=told.busy_share,
        country=told.country,
        country_max_dbm=told.country_max_dbm,
        power_constraint_db=told.power_constraint_db,
    )


def decode_all_heard(answers: Iterable[bytes], boottime_ns: int) -> list[HeardRadio]:
    """All entries that can be read, each radio and name once."""
    heard: dict[tuple[str, int, bytes | None], HeardRadio] = {}
    for data in answers:
        try:
            radio = decode_heard(data, boottime_ns)
        except DecodeError:
            continue  # one bad entry hides no other
        key = (radio.bssid, radio.frequency_mhz, radio.ssid)
        before = heard.get(key)
        heard[key] = radio if before is None else _merged(before, radio)
    # A radio that hides its name has an entry of its beacons, and one of the probe response that gave the name away.
    for bssid, frequency_mhz, ssid in list(heard):
        hidden = heard.get((bssid, frequency_mhz, None))
        if ssid is not None and hidden is not None:
            named = heard[bssid, frequency_mhz, ssid]
            heard[bssid, frequency_mhz, ssid] = replace(_merged(named, hidden), ssid=ssid)
    named_ones = {(bssid, mhz) for bssid, mhz, ssid in heard if ssid is not None}
    return [radio for (bssid, mhz, ssid), radio in heard.items() if ssid is not None or (bssid, mhz) not in named_ones]


def _merged(one: HeardRadio, other: HeardRadio) -> HeardRadio:
    """The fresher of two entries of one radio."""
    fresher = min(one, other, key=lambda radio: float("inf") if radio.age_ms is None else radio.age_ms)
    return replace(fresher, associated=one.associated or other.associated)


def _bss(data: bytes) -> Attributes:
    bss = Attributes(data).nest(NL80211_ATTR_BSS)
    if bss is None:
        raise DecodeError("a scan entry without its access point")
    return bss


def _associated(bss: Attributes) -> bool:
    return bss.u32(NL80211_BSS_STATUS) == NL80211_BSS_STATUS_ASSOCIATED


def _rssi_dbm(bss: Attributes) -> float | None:
    """In hundredths of a dBm. The other kind, SIGNAL_UNSPEC, is 0 to 100 of a driver's own taste and never read."""
    mbm = bss.s32(NL80211_BSS_SIGNAL_MBM)
    return None if mbm is None else plausible_rssi_dbm(mbm / 100)


def _age_ms(bss: Attributes, boottime_ns: int) -> int | None:
    """By the stamp of the last frame where the driver gives one; else by the kernel's own count."""
    seen_ns = bss.u64(NL80211_BSS_LAST_SEEN_BOOTTIME)
    if seen_ns and seen_ns <= boottime_ns:
        return (boottime_ns - seen_ns) // 1_000_000
    ago_ms = bss.u32(NL80211_BSS_SEEN_MS_AGO)
    return ago_ms if ago_ms is not None and ago_ms < 2**31 else None  # a wrapped difference
