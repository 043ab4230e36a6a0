"""Who else is on the air, for the report: the channels that were heard, how busy they are by the hour, whether another
would be better; ready for the template."""

from __future__ import annotations

from typing import Any

from dashboards.air.findings import AirFindings, ChannelHeard, Choice
from dashboards.air.words import (
    at_a_look,
    cautions,
    choice_lines,
    falls,
    head,
    level,
    loads,
    meanings,
    more_radios,
    name_of,
    own_words,
    percent,
    radios_shown,
)
from dashboards.analysis.air.airtime import HOURS_A_BIN
from dashboards.sentences import band_name, number
from logger.printable import printable

_COMMAND = "    "  # what choice_lines indents commands by


def air_section(air: AirFindings | None, now_ms: int) -> dict[str, Any] | None:
    """None where no full scan was logged. Names from the air are made printable here, and escaped by the template."""
    if air is None or not air.n_looks:
        return None
    return {
        "head": head(air, now_ms),
        "own": [own_words(own) for own in air.own],
        "hours": [f"{begin} to {begin + HOURS_A_BIN} h" for begin in range(0, 24, HOURS_A_BIN)],
        "bands": [_band(air, band) for band in dict.fromkeys(channel.band for channel in air.channels)],
        "meanings": meanings(air),
        "choices": [_choice(choice, air) for choice in air.choices],
        "cautions": cautions(air),
    }


def _band(air: AirFindings, band: str | None) -> dict[str, Any]:
    channels = [channel for channel in air.channels if channel.band == band]
    shown = [channel for channel in channels if channel.own or channel.n_neighbours]
    quiet = [channel for channel in channels if channel not in shown]
    radios, n_more = radios_shown(air, band)
    return {
        "name": band_name(band),
        "channels": [_channel(channel) for channel in shown],
        "n_quiet": len(quiet),
        "n_reached": sum(channel.n_reaching > 0 for channel in quiet),
        "by_hours": [
            {
                "name": name_of(channel.channel, channel.frequency_mhz),
                "told_by": channel.hours_from,
                "shares": ["" if share is None else percent(share) for share in channel.by_hours],
                "busiest": channel.busiest_hours and channel.busiest_hours[0] // HOURS_A_BIN,
            }
            for channel in shown
            if channel.hours_from is not None
        ],
        "radios": [
            {
                "network": "(hidden)" if radio.ssid is None else printable(radio.ssid),
                "address": printable(radio.bssid),
                "n_more": len(radio.also_bssid),
                "channel": name_of(radio.channel, radio.frequency_mhz),
                "width": "" if radio.width_mhz is None else f"{radio.width_mhz} MHz",
                "share": percent(radio.presence.share),
                "level": level(radio.presence.rssi_median_dbm, radio.presence.rssi_p95_dbm),
                "load": "" if radio.presence.load is None else percent(radio.presence.load),
                "falls": "yours"
                if radio.own
                else ""
                if radio.relation is None or radio.overlap is None
                else falls(radio.overlap, radio.relation),
            }
            for radio in radios
        ],
        "more_radios": more_radios(n_more),
    }


def _channel(channel: ChannelHeard) -> dict[str, Any]:
    return {
        "name": name_of(channel.channel, channel.frequency_mhz),
        "own": channel.own,
        "neighbours": at_a_look(channel.n_neighbours, channel.neighbours_at_a_look),
        "reach_in": at_a_look(channel.n_reaching, channel.reaching_at_a_look),
        "level": level(channel.rssi_median_dbm, channel.rssi_p95_dbm),
        "loads": loads(channel),
        "busy": "" if channel.busy_share is None else percent(channel.busy_share),
        "n_busy": f"{channel.n_busy:,} {channel.busy_from}",
        "noise": "" if channel.noise_dbm is None else number(channel.noise_dbm, 0),
        "falls": ""
        if channel.relation is None or channel.overlap is None
        else falls(channel.overlap, channel.relation),
    }


def _choice(choice: Choice, air: AirFindings) -> dict[str, Any]:
    question, *lines = choice_lines(choice, air)
    return {
        "question": question,
        "words": [line.strip() for line in lines if not line.startswith(_COMMAND)],
        "commands": [line.strip() for line in lines if line.startswith(_COMMAND)],
    }
