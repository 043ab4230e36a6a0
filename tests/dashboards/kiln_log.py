"""A small log for the tests of what is shown: one spot of the pottery, one change at the router, two days.

By the hour: v1 from 0, v2 (6 dB more) from 20, v1 from 30, v2 again from 40 to 48; an outage of 30 min at 3; asleep from 8 to
10; on the other band from 25 to 26.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import sqlite_utils  # noqa: F401  so that logs are made in this process, not in a child each time

from adapters.contract import BitRate
from logger.log import Log
from logger.recorder import Recorder
from logger.sample import Event, LinkIdentity, Sample
from logger.timeline import Timeline

START_MS = 1_772_442_000_000  # 2026-03-02 09:00 UTC, a Monday
HOUR_MS = 3_600_000
END_MS = START_MS + 48 * HOUR_MS
ZONE = "Europe/Paris"
EFFECT_DB = 6.0
STEP_MS = 60_000
EVIL = "<script>document.title='owned'</script>"


class HandClock:
    """A clock that stands still."""

    def utc_ms(self) -> int:
        return END_MS

    def awake_s(self) -> float:
        return END_MS / 1000

    def elapsed_s(self) -> float:
        return END_MS / 1000


def make_kiln_log(
    path: Path, *, location: str = "kiln room", label: str = "longer antennas", ssid: bytes = b"pottery"
) -> Path:
    """Write the log to ``path``."""
    taken = samples(ssid)
    with Log.open(path) as log:
        timeline, recorder = Timeline(log, HandClock(), ZONE), Recorder(log)
        timeline.at(location, START_MS)
        recorder.set_pace(STEP_MS, START_MS)
        gains = {"antenna.5.gain_dbi": 5, "radio.5.tx_power_dbm": 14}
        for hour, say in (
            (20, lambda at_ms: timeline.changed(label, at_ms, gains, "on a metre of cable")),
            (30, lambda at_ms: timeline.back_to(1, at_ms)),
            (40, lambda at_ms: timeline.back_to(2, at_ms)),
            (48, lambda at_ms: None),
        ):
            at_ms = START_MS + hour * HOUR_MS
            recorder.record([sample for sample in taken if sample.time_utc_ms < at_ms], [])
            taken = [sample for sample in taken if sample.time_utc_ms >= at_ms]
            say(at_ms)
        recorder.record([], events(ssid))
    return path


def events(ssid: bytes) -> list[Event]:
    """What happened, with the network's name where a driver would tell it."""
    name = ssid.decode("utf-8", "replace")
    told = [
        (0, "logger-started", {}),
        (3, "disconnected", {"ssid": name}),
        (3.5, "connected", {"ssid": name}),
        (8, "suspended", {}),
        (10, "resumed", {}),
        (25, "roamed", {"ssid": name}),
        (26, "roamed", {"ssid": name}),
    ]
    return [Event(START_MS + round(hour * HOUR_MS), kind, detail) for hour, kind, detail in told]


def samples(ssid: bytes) -> list[Sample]:
    """One a minute."""
    on_5 = LinkIdentity("wlan0", ssid, "02:00:00:00:00:05", 5180, 80, "5")
    on_24 = LinkIdentity("wlan0", ssid, "02:00:00:00:00:02", 2437, 20, "2.4")
    noise = np.random.default_rng(1).normal(0, 1, 48 * 60)
    slow = np.convolve(noise, np.exp(-np.arange(60) / 20), "same") / 3
    taken = []
    for minute, (fast, drift) in enumerate(zip(noise, slow, strict=True)):
        hour, time_ms = minute / 60, START_MS + minute * STEP_MS
        if 8 <= hour < 10:
            continue
        if 3 <= hour < 3.5:
            taken.append(Sample(time_ms, None))
            continue
        better = 20 <= hour < 30 or hour >= 40
        rssi_dbm = round(-65 + EFFECT_DB * better + fast + drift)
        rate = BitRate(433.3 if better else 200.0, "VHT", 5, 1, 80, 800)
        link = on_24 if 25 <= hour < 26 else on_5
        taken.append(Sample(time_ms, link, rssi_dbm, tx_rate=rate, rx_rate=rate, tx_packets=3, tx_retries=1))
    return taken
