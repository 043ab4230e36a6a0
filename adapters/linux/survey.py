"""Decodes what a card counts on channels (GET_SURVEY of linux/nl80211.h). Pure.

Everything raises DecodeError for bytes that do not hold what they should, and nothing else. Names in capitals are the
header's own.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from adapters.linux.netlink import Attributes, DecodeError

NL80211_CMD_GET_SURVEY = 50
NL80211_ATTR_SURVEY_INFO = 84
NL80211_SURVEY_INFO_FREQUENCY = 1
NL80211_SURVEY_INFO_NOISE = 2
NL80211_SURVEY_INFO_IN_USE = 3
NL80211_SURVEY_INFO_TIME = 4
NL80211_SURVEY_INFO_TIME_BUSY = 5


@dataclass(frozen=True, slots=True)
class SurveyInfo:
    """One channel of the radio's own survey."""

    frequency_mhz: int
    in_use: bool
    noise_dbm: int | None  # as told, not yet judged
    active_ms: int | None
    busy_ms: int | None

    @property
    def is_empty(self) -> bool:
        return self.noise_dbm is self.active_ms is self.busy_ms is None


class NoiseWatch:
    """Tells measured noise from a constant that the driver made up (-95, -92 and others).

    A noise floor that is measured moves by a dB within minutes. So every value is withheld (None) until two
    different plausible ones (-110 to -60 dBm) were seen on one frequency; from then on the driver is believed.
    On one frequency, because made-up constants differ from band to band.
    """

    def __init__(self) -> None:
        self.measured = False
        self._first: dict[int, int] = {}

    def judge(self, frequency_mhz: int, noise_dbm: int | None) -> int | None:
        """The noise if it can be believed, else None."""
        if noise_dbm is None or not -110 <= noise_dbm <= -60:
            return None
        if not self.measured:
            self.measured = self._first.setdefault(frequency_mhz, noise_dbm) != noise_dbm
        return noise_dbm if self.measured else None


def decode_survey(data: bytes) -> SurveyInfo | None:
    """One answer to GET_SURVEY; None for one that speaks of the whole radio and no channel."""
    survey = Attributes(data).nest(NL80211_ATTR_SURVEY_INFO)
    frequency_mhz = survey.u32(NL80211_SURVEY_INFO_FREQUENCY) if survey is not None else None
    if survey is None or frequency_mhz is None:
        return None
    return SurveyInfo(
        frequency_mhz=frequency_mhz,
        in_use=NL80211_SURVEY_INFO_IN_USE in survey,
        noise_dbm=survey.s8(NL80211_SURVEY_INFO_NOISE),
        active_ms=survey.u64(NL80211_SURVEY_INFO_TIME),
        busy_ms=survey.u64(NL80211_SURVEY_INFO_TIME_BUSY),
    )


def decode_channels(answers: Iterable[bytes]) -> dict[int, SurveyInfo]:
    """The channels of a dump by frequency in MHz. Of two entries of one channel that in use counts; an entry that
    cannot be read hides no other."""
    channels: dict[int, SurveyInfo] = {}
    for data in answers:
        try:
            survey = decode_survey(data)
        except DecodeError:
            continue
        if survey is None:
            continue
        before = channels.get(survey.frequency_mhz)
        if before is None or (survey.in_use, not survey.is_empty) > (before.in_use, not before.is_empty):
            channels[survey.frequency_mhz] = survey
    return channels
