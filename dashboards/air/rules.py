"""What the system's regulatory database says of a channel, and how that is told. The law itself is the regulator's."""

from __future__ import annotations

from dataclasses import dataclass

from adapters.contract import FrequencyRule, RegulatoryDomain
from dashboards.analysis.air.overlap import Channel

EIRP_WORDS = "EIRP = transmit power - cable loss + antenna gain"
WHOSE_WORD_HOLDS = "your national regulator says what is lawful"


_RADAR_MHZ = ((5250.0, 5350.0), (5470.0, 5725.0))  # ITU Resolution 229 asks for radar detection there


@dataclass(frozen=True, slots=True)
class ChannelRules:
    """The strictest of the rules over the channel's width; None is unlimited or not told."""

    allowed: bool
    radar_detection: bool = False
    no_initiating: bool = False
    indoor_only: bool = False
    max_eirp_dbm: float | None = None
    max_width_mhz: float | None = None
    check_before_use_s: float | None = None

    @property
    def usable(self) -> bool:
        """Whether an access point may begin to send there by itself."""
        return self.allowed and not self.no_initiating

    @property
    def restricted(self) -> bool:
        return self.radar_detection or self.indoor_only


def rules_on(domain: RegulatoryDomain, channel: Channel) -> ChannelRules:
    """Not allowed: a part of the channel has no rule, or it lies in one rule that does not allow the width. A channel
    across several rules is taken for allowed where each part is; the system may ask for more."""
    rules = sorted(
        (rule for rule in domain.rules if rule.start_mhz < channel.high_mhz and rule.end_mhz > channel.low_mhz),
        key=lambda rule: rule.start_mhz,
    )
    if not _covered(rules, channel.low_mhz, channel.high_mhz):
        return ChannelRules(allowed=False)
    widths = [rule.max_width_mhz for rule in rules if rule.max_width_mhz is not None]
    return ChannelRules(
        allowed=len(rules) > 1 or not widths or channel.width_mhz <= widths[0],
        radar_detection=any(rule.radar_detection for rule in rules),
        no_initiating=any(rule.no_initiating for rule in rules),
        indoor_only=any(rule.indoor_only for rule in rules),
        max_eirp_dbm=min((rule.max_eirp_dbm for rule in rules if rule.max_eirp_dbm is not None), default=None),
        max_width_mhz=min(widths, default=None) if len(rules) == 1 else None,  # of each part, and not of the whole
        check_before_use_s=max(
            (rule.check_before_use_s for rule in rules if rule.check_before_use_s is not None), default=None
        ),
    )


def radar_in_most_countries(channel: Channel) -> bool:
    """Where no rules were read: whether radar detection (DFS) is asked for in most countries."""
    return any(channel.low_mhz < end and channel.high_mhz > begin for begin, end in _RADAR_MHZ)


def rule_words(rules: ChannelRules) -> str:
    """ "23 dBm EIRP, up to 80 MHz wide, indoors only"."""
    if not rules.allowed:
        return "not allowed at this width"
    words = [] if rules.max_eirp_dbm is None else [f"at most {rules.max_eirp_dbm:g} dBm EIRP"]
    if rules.max_width_mhz is not None:
        words.append(f"up to {rules.max_width_mhz:g} MHz wide")
    if rules.indoor_only:
        words.append("indoors only")
    if rules.radar_detection:
        wait = "" if rules.check_before_use_s is None else f" for {rules.check_before_use_s:g} s"
        words.append(f"DFS: the router listens for radar first{wait}, and leaves when it hears one")
    if rules.no_initiating:
        words.append("only where an access point is heard already")
    return ", ".join(words) or "no limit told"


def _covered(rules: list[FrequencyRule], low_mhz: float, high_mhz: float) -> bool:
    reached = low_mhz
    for rule in rules:
        if rule.start_mhz > reached:
            return False
        reached = max(reached, rule.end_mhz)
    return reached >= high_mhz
