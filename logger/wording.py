"""Samples and events in the words of a person, on one line and safe to show."""

from __future__ import annotations

import json
from collections.abc import Mapping

from adapters.contract import BitRate
from adapters.ieee80211 import ssid_text
from logger.printable import printable
from logger.times import format_duration

_ELSEWHERE = {
    "resumed": "the laptop is awake again",
    "suspended": "the laptop went to sleep",
    "logger-started": "logging began",
    "logger-stopped": "logging ended",
    "adapter-recovered": "the interface can be read again",
    "interface-back": "the interface is back",
    "clock-set": "the wall clock was set",
    "radio-on": "the radio is on again",
    "logger-lost": "logging had ended without a word",
}

_SWITCHED_OFF = {
    "blocked by software": "airplane mode or a block by software",
    "blocked by a switch": "a switch or key",
    "interface down": "its interface was set down",
}


def counted(n: int, thing: str) -> str:
    """ "1 sample", "12,345 samples"."""
    return f"{n:,} {thing}{'' if n == 1 else 's'}"


def reading_words(
    connected: bool, ssid: bytes | None, band: str | None, rssi_dbm: float | None, tx_rate: BitRate | None
) -> str:
    """One reading: "RSSI -61 dBm, sends at 866.7 Mbit/s, 5 GHz, network 'pottery'". What is unknown is left
    out."""
    if not connected:
        return "no link"
    words = [
        None if rssi_dbm is None else f"RSSI {rssi_dbm:g} dBm",
        None if tx_rate is None or tx_rate.mbps is None else f"sends at {tx_rate.mbps:g} Mbit/s",
        None if band is None else f"{band} GHz",
        None if not ssid else f"network '{printable(ssid_text(ssid))}'",
    ]
    return ", ".join(word for word in words if word) or "connected"


def shown_detail(text: str) -> dict[str, object]:
    """The detail of an event (JSON) as it may be shown: without what tells one machine from another."""
    detail: dict[str, object] = json.loads(text)
    detail.pop("boot", None)
    return detail


def event_words(kind: str, detail: Mapping[str, object]) -> str:
    """What happened: "roamed to 02:00:00:00:00:02 on 2437 MHz"."""
    return printable(_event_words(kind, detail))


def _event_words(kind: str, detail: Mapping[str, object]) -> str:
    said = {name: str(value) for name, value in detail.items()}
    on = f" on {said['frequency_mhz']} MHz" if "frequency_mhz" in said else ""
    to = said.get("bssid", "an unknown radio")
    match kind:
        case "connected":
            return f"connected to {to}{on}"
        case "roamed":
            return f"roamed to {to}{on}"
        case "channel-switched":
            return f"the access point switched its channel; now{on or ' on an unknown one'}"
        case "disconnected":
            by = {"True": ", ended by the access point", "False": ", ended by this laptop"}
            why = f" (IEEE 802.11 reason {said['reason_code']})" if "reason_code" in said else ""
            return f"the link was lost{by.get(said.get('by_access_point', ''), '')}{why}"
        case "resumed" if "asleep_s" in said:
            return f"the laptop is awake again, after {format_duration(float(said['asleep_s']))}"
        case "clock-set" if "step_s" in said:
            step_s = float(said["step_s"])
            way = "back" if step_s < 0 else "forward"
            return f"the wall clock was set {way} by {format_duration(abs(step_s))}"
        case "radio-off":
            return f"the radio was switched off: {_SWITCHED_OFF.get(said.get('by', ''), 'by whom is unknown')}"
        case "logger-lost" if said.get("reason") == "rebooted":
            return "logging had ended without a word: the machine was restarted"
        case "time-zone-changed":
            return f"the local time zone is {said.get('to', 'another')} now, it was {said.get('from', 'another')}"
        case "adapter-failed":
            return f"the interface cannot be read: {said.get('message', 'no reason given')}"
        case "interface-gone":
            return f"the interface is gone: {said.get('message', 'no reason given')}"
        case "merged":
            return f"{said.get('log', 'another log')} was merged: {said.get('new', 'no')} new samples"
        case "samples-dropped":
            return f"{said.get('n', 'some')} samples were dropped, because the log could not be written"
        case "log-damaged":
            tags = "as it was" if said.get("tags_carried_over") == "True" else "unknown"
            return f"the log was damaged and set aside as {said.get('set_aside', '?')}; what stands where is {tags}"
        case "logger-started" if "interval_s" in said:
            return f"logging began, every {said['interval_s']} s"
    return _ELSEWHERE.get(kind, kind)
