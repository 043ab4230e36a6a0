"""A laptop on Pottery's network as its kernel would tell of it, and the Linux adapter on it."""

from __future__ import annotations

import errno

from adapters.linux.adapter import LinuxAdapter
from adapters.linux.netlink import Family
from tests.adapters.netlink_builder import FakeKernel, mac, nest, s8, s32, tlv, u8, u16, u32, u64

INTERFACE, STATION, SCAN, SURVEY = 5, 17, 32, 50  # the commands of nl80211.h
REGULATORY, TRIGGER_SCAN, SCAN_RESULTS = 31, 33, 34
COMMANDS = {
    **{"INTERFACE": INTERFACE, "STATION": STATION, "SCAN": SCAN, "SURVEY": SURVEY},
    **{"REGULATORY": REGULATORY, "TRIGGER_SCAN": TRIGGER_SCAN},
}
CONNECT, ROAM, DISCONNECT, CHANNEL_SWITCH, SCAN_STARTED = 46, 47, 48, 88, 33
AP, OTHER_AP, MULTI_LINK_AP = "02:00:00:00:00:05", "02:00:00:00:00:06", "02:00:00:00:00:aa"
CLIENT, ACCESS_POINT = 2, 3


def interface(name="wlan0", index=3, *more: bytes, kind=CLIENT, ssid: bytes | None = b"Pottery") -> bytes:
    named = u32(1, 7) + u32(3, index) + tlv(4, name.encode() + b"\0") + u32(5, kind)
    return named + (b"" if ssid is None else tlv(52, ssid)) + b"".join(more)


def channel(frequency_mhz=5180, width=3) -> bytes:
    return u32(38, frequency_mhz) + u32(159, width)


def joined_radio(bssid=AP, frequency_mhz=5180, *more: bytes) -> bytes:
    return u32(3, 3) + nest(47, mac(1, bssid), u32(2, frequency_mhz), u32(9, 1), *more)


def heard_radio(bssid=OTHER_AP, frequency_mhz=2437, *more: bytes) -> bytes:
    return u32(3, 3) + nest(47, mac(1, bssid), u32(2, frequency_mhz), *more)


def station(rssi_dbm=-61, bssid=AP, *more: bytes) -> bytes:
    return u32(3, 3) + mac(6, bssid) + nest(21, s8(7, rssi_dbm), u32(10, 100), u32(16, 5), *more)


def survey(frequency_mhz=5180, *members: bytes) -> bytes:
    return u32(3, 3) + nest(84, u32(1, frequency_mhz), *members)


def rule(start_mhz: int, end_mhz: int, *more: bytes) -> bytes:
    return nest(1, u32(2, start_mhz * 1000), u32(3, end_mhz * 1000), *more)


def rules(*each: bytes, country=b"DE") -> bytes:
    return tlv(33, country + b"\0") + u8(146, 2) + nest(34, *each)


def by_address(stations: dict[str, bytes], listed: list[bytes]):
    """GET_STATION as a kernel answers it: by address, or all of them."""

    def answer(attributes: bytes):
        for address, about in stations.items():
            if mac(6, address) in attributes:
                return [about]
        return errno.ENOENT if len(attributes) > 8 else listed

    return answer


class Steady:
    now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def laptop(**answers) -> FakeKernel:
    kernel = FakeKernel(
        {
            INTERFACE: [interface("wlan0", 3, channel(), u32(98, 2200))],
            SCAN: [heard_radio(), joined_radio()],
            STATION: by_address({AP: station()}, listed=[station()]),
            SURVEY: [survey(5180, s8(2, -92), tlv(3), u64(4, 1000), u64(5, 250))],
            REGULATORY: [rules(rule(5150, 5250, u32(4, 80_000), u32(6, 2300)))],
            TRIGGER_SCAN: [],
        }
    )
    for name, answer in answers.items():
        kernel.answers[COMMANDS[name]] = answer
    return kernel


def adapter_on(kernel: FakeKernel, name="wlan0", steady_s=None, radio_off=lambda _: None, **options) -> LinuxAdapter:
    adapter = LinuxAdapter(
        Family("nl80211", kernel.open_wire),
        name,
        steady_s=steady_s or Steady(),
        traffic=lambda _: (111, 222),
        radio_off=radio_off,
        **options,
    )
    adapter._kernel.listen("mlme", "scan")
    return adapter


def kinds(adapter: LinuxAdapter) -> list[str]:
    return [event.kind for event in adapter.events()]


def open_on(kernel: FakeKernel, name: str | None = None) -> LinuxAdapter:
    return LinuxAdapter.open(name, Family("nl80211", kernel.open_wire))


class LivingLaptop(FakeKernel):
    """A laptop whose counters go on with the seconds that pass, until its link is lost."""

    def __init__(self) -> None:
        super().__init__(laptop().answers)
        self.off_by = None
        self.steady = Steady()
        self.answers[STATION] = self._station
        self.answers[SURVEY] = self._survey
        self.answers[TRIGGER_SCAN] = self._scan
        self.scans = False
        self._cached = [joined_radio(AP, 5180, s32(7, -5700), u32(10, 60)), heard_radio()]
        self.answers[SCAN] = self._cached

    def _station(self, _: bytes) -> list[bytes]:
        passed_s = int(self.steady.now_s)
        grown = u64(23, 3000 * passed_s) + u64(24, 1000 * passed_s) + u32(9, 20 * passed_s) + u32(11, passed_s)
        times = u32(16, passed_s) + u64(42, 5_000_000_000) + u32(1, 40)
        rates = nest(8, u32(5, 8666), u8(6, 9), u8(7, 2), tlv(8), tlv(4)) + nest(14, u32(5, 60))
        return [station(-55 - passed_s % 9, AP, s8(13, -58), nest(25, s8(0, -57), s8(1, -95)), grown, times, rates)]

    def _survey(self, _: bytes) -> list[bytes]:
        passed_s = int(self.steady.now_s)
        times = u64(4, 900 * passed_s) + u64(5, 100 * passed_s)
        return [survey(5180, s8(2, -92 + passed_s % 3), tlv(3), times)]

    def _scan(self, _: bytes) -> list[bytes] | int:
        if self.off_by is not None:
            return errno.ENETDOWN
        if self.scans:
            return errno.EBUSY
        self.scans = True
        self.tell(TRIGGER_SCAN, u32(3, 3))
        return []

    def wait(self, seconds: float) -> None:
        self.steady.now_s += seconds
        if self.scans and seconds >= 5:
            self.scans = False
            self.answers[SCAN] = [self._cached[0], heard_radio(OTHER_AP, 2437, s32(7, -7150), u32(10, 3000))]
            self.tell(SCAN_RESULTS, u32(3, 3))

    def switch(self, off_by) -> None:
        self.off_by = off_by
        self.answers[INTERFACE] = [interface("wlan0", 3, channel()) if off_by is None else interface(ssid=None)]
        self.answers[SCAN] = self._cached if off_by is None else []

    def lose_link(self) -> None:
        self.answers[INTERFACE] = [interface(ssid=None)]
        self.tell(DISCONNECT, u32(3, 3) + u16(54, 3) + tlv(71))
