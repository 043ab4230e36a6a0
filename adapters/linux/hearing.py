"""What a wireless card on Linux hears besides its link: other radios, its own counts of channels, the rules in force.

Capturing only; what the bytes mean stands in scan_cache.py, survey.py and regulatory.py.
"""

from __future__ import annotations

import errno
import sys
from collections.abc import Callable

from adapters.contract import ChannelVisit, HeardRadio, RegulatoryDomain
from adapters.linux.netlink import DecodeError, Family, Refused, attribute
from adapters.linux.nl80211 import NL80211_ATTR_WIPHY
from adapters.linux.scan_cache import NL80211_CMD_GET_SCAN, BssInfo, decode_all_heard, decode_bss
from adapters.linux.survey import NL80211_CMD_GET_SURVEY, NoiseWatch, SurveyInfo, decode_channels

# Some drivers ask their firmware for a survey and wait for it; so not at every sample of a quick series. A
# little under the 5 s of the usual pace, which must not miss every second one by a millisecond.
SURVEY_EVERY_S = 4.5


class LinuxHearing:
    """Asks the kernel about one interface; ``ours`` is the attribute that names it. Raises Refused and AdapterError."""

    def __init__(self, kernel: Family, steady_s: Callable[[], float], boottime_ns: Callable[[], int]) -> None:
        self._kernel = kernel
        self._steady_s = steady_s
        self._boottime_ns = boottime_ns
        self._noise = NoiseWatch()
        self._survey_due_s = float("-inf")
        self._visited: dict[int, SurveyInfo] = {}  # what surveys brought since somebody asked for all of it
        self.unjudged_noise_dbm: int | None = None  # of our channel, by the last survey

    def joined(self, ours: bytes) -> tuple[BssInfo, ...]:
        """The radios that we are joined to."""
        entries: list[BssInfo] = []
        for answer in self._kernel.dump(NL80211_CMD_GET_SCAN, ours):
            try:
                entries.append(decode_bss(answer))
            except DecodeError:
                continue  # a neighbour that cannot be read does not end the link
        return tuple(entry for entry in entries if entry.associated)

    def heard(self, ours: bytes) -> list[HeardRadio]:
        """All radios of the scan cache. Entries go half a minute after they were last heard (net/wireless/scan.c)."""
        return decode_all_heard(self._kernel.dump(NL80211_CMD_GET_SCAN, ours), self._boottime_ns())

    def visits(self, ours: bytes) -> list[ChannelVisit]:
        """All channels that the card has counted on. What it told once, and to a reading, is kept until now."""
        self._visited |= self._surveyed(ours)
        visited, self._visited = self._visited, {}
        return [
            ChannelVisit(
                survey.frequency_mhz,
                self._noise.judge(survey.frequency_mhz, survey.noise_dbm),
                survey.active_ms,
                survey.busy_ms,
            )
            for survey in visited.values()
        ]

    def survey_at_once(self) -> None:
        """The next survey of our channel is due, whenever the last one was."""
        self._survey_due_s = float("-inf")
        self.unjudged_noise_dbm = None

    def survey(self, ours: bytes, frequency_mhz: int) -> SurveyInfo | None:
        """The radio's survey of our channel, its noise judged, when one is due.

        Several channels may be marked as in use (cards with several radios), so ours is told by its frequency.
        Some drivers mark none, and give each channel's figures once after a scan: their noise is as good as
        any, their times are no running counters.
        """
        now_s = self._steady_s()
        if now_s < self._survey_due_s:
            return None
        self._survey_due_s = now_s + SURVEY_EVERY_S
        channels = self._surveyed(ours)
        self._visited |= channels
        survey = channels.get(frequency_mhz)
        if survey is None:
            return None
        self.unjudged_noise_dbm = survey.noise_dbm
        return SurveyInfo(
            frequency_mhz,
            survey.in_use,
            self._noise.judge(frequency_mhz, survey.noise_dbm),
            survey.active_ms if survey.in_use else None,
            survey.busy_ms if survey.in_use else None,
        )

    def _surveyed(self, ours: bytes) -> dict[int, SurveyInfo]:
        """The channels of which the card has any figure, or none of ours."""
        try:
            answers = self._kernel.dump(NL80211_CMD_GET_SURVEY, ours)
        except Refused as refusal:
            if refusal.code in (errno.ENODEV, errno.EPERM, errno.EACCES):
                raise
            return {}  # a driver without surveys
        return {mhz: survey for mhz, survey in decode_channels(answers).items() if not survey.is_empty}

    def begin_scan(self, ours: bytes, interface: str) -> None:
        """Raises NotPermitted, and AdapterError where the card is busy with a scan."""
        from adapters.linux.scan_request import begin_scan  # only where somebody asks for scans

        begin_scan(self._kernel, ours, interface)

    def regulatory(self, wiphy: int | None) -> RegulatoryDomain | None:
        """The rules for one card; those of all cards where the kernel does not tell which card it is."""
        from adapters.linux.regulatory import NL80211_CMD_GET_REG, decode_regulatory

        card = b"" if wiphy is None else attribute(NL80211_ATTR_WIPHY, wiphy.to_bytes(4, sys.byteorder))
        try:
            return decode_regulatory(self._kernel.ask(NL80211_CMD_GET_REG, card))
        except Refused as refusal:
            if refusal.code in (errno.ENOENT, errno.EINVAL, errno.EOPNOTSUPP):
                return None
            raise
