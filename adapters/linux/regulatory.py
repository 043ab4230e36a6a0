"""Decodes the rules in force for a card (GET_REG of linux/nl80211.h), which the system has from its regulatory
database, the card's firmware or access points. Pure.

Everything raises DecodeError for bytes that do not hold what they should, and nothing else. Names in capitals are the
header's own.
"""

from __future__ import annotations

from adapters.contract import FrequencyRule, RegulatoryDomain
from adapters.linux.netlink import Attributes, DecodeError, walk

NL80211_CMD_GET_REG = 31
NL80211_ATTR_REG_ALPHA2 = 33
NL80211_ATTR_REG_RULES = 34
NL80211_ATTR_DFS_REGION = 146
NL80211_ATTR_REG_RULE_FLAGS = 1
NL80211_ATTR_FREQ_RANGE_START = 2
NL80211_ATTR_FREQ_RANGE_END = 3
NL80211_ATTR_FREQ_RANGE_MAX_BW = 4
NL80211_ATTR_POWER_RULE_MAX_ANT_GAIN = 5
NL80211_ATTR_POWER_RULE_MAX_EIRP = 6
NL80211_ATTR_DFS_CAC_TIME = 7
NL80211_RRF_NO_OUTDOOR = 1 << 3
NL80211_RRF_DFS = 1 << 4
NL80211_RRF_NO_IR = 1 << 7

_DFS_REGIONS: dict[int | None, str] = {1: "FCC", 2: "ETSI", 3: "JP"}


def decode_regulatory(data: bytes) -> RegulatoryDomain:
    """The answer to GET_REG. A rule that cannot be read hides no other."""
    about = Attributes(data)
    country = about.text(NL80211_ATTR_REG_ALPHA2)
    if country is None or len(country) != 2 or not (country.isascii() and country.isalnum()):
        raise DecodeError("rules without their country")
    rules = []
    for _, rule in walk(about.get(NL80211_ATTR_REG_RULES, b"")):
        try:
            rules.append(_rule(Attributes(rule)))
        except DecodeError:
            continue
    return RegulatoryDomain(country, _DFS_REGIONS.get(about.u8(NL80211_ATTR_DFS_REGION)), tuple(rules))


def _rule(rule: Attributes) -> FrequencyRule:
    """One rule: frequencies in kHz, powers in hundredths of a dBm, times in ms. 0 dBi is no word about antennas."""
    start_khz, end_khz = rule.u32(NL80211_ATTR_FREQ_RANGE_START), rule.u32(NL80211_ATTR_FREQ_RANGE_END)
    if start_khz is None or end_khz is None or end_khz <= start_khz:
        raise DecodeError("a rule without its frequencies")
    width_khz = rule.u32(NL80211_ATTR_FREQ_RANGE_MAX_BW)
    eirp_mbm = rule.s32(NL80211_ATTR_POWER_RULE_MAX_EIRP)
    gain_mbi = rule.s32(NL80211_ATTR_POWER_RULE_MAX_ANT_GAIN)
    check_ms = rule.u32(NL80211_ATTR_DFS_CAC_TIME)
    flags = rule.u32(NL80211_ATTR_REG_RULE_FLAGS) or 0
    return FrequencyRule(
        start_mhz=start_khz / 1000,
        end_mhz=end_khz / 1000,
        max_width_mhz=width_khz / 1000 if width_khz else None,
        max_eirp_dbm=None if eirp_mbm is None else eirp_mbm / 100,
        max_antenna_gain_dbi=gain_mbi / 100 if gain_mbi else None,
        radar_detection=bool(flags & NL80211_RRF_DFS),
        no_initiating=bool(flags & NL80211_RRF_NO_IR),
        indoor_only=bool(flags & NL80211_RRF_NO_OUTDOOR),
        check_before_use_s=check_ms / 1000 if check_ms else None,
    )
