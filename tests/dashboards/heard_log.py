"""A log with scans as a test plants them: who is heard on which channel, at which share of looks, for how many days."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from adapters.contract import ChannelVisit, HeardRadio
from adapters.simulated import SimulatedClock
from logger.log import Log
from logger.recorder import Recorder
from logger.sample import LinkIdentity, Sample
from logger.sighting_table import write_scan
from logger.timeline import Timeline

START_MS = int(datetime(2026, 3, 2, tzinfo=UTC).timestamp() * 1000)  # a Monday
HOUR_MS = 3_600_000
OWN = LinkIdentity("wlan0", b"pottery", "02:00:5e:00:50:01", 5180, 80, "5")


@dataclass(frozen=True)
class Planted:
    """One radio: heard at a share of looks, at a level with a spread, telling a load (of the hour) or none."""

    radio: HeardRadio
    share: float = 1.0
    spread_db: float = 2.0
    load: Callable[[int], float] | None = None


def radio(bssid: int, mhz: int, rssi: float = -70, *, ssid: bytes | None = b"bakery", width: int | None = 20, **more):
    return HeardRadio(f"02:00:5e:00:77:{bssid:02x}", mhz, ssid, None, width, rssi, **more)


def make_log(
    path,
    planted: Iterable[Planted],
    *,
    hours: float,
    every_h: float = 0.5,
    active: bool = True,
    visits: Callable[[int], list[ChannelVisit]] = lambda hour: [],
    busy: Callable[[int], float] | None = None,
    own: LinkIdentity | None = OWN,
    locations: tuple[tuple[float, str], ...] = ((0, "wheel by the window"),),
    seed: int = 1,
) -> Log:
    """Looks every ``every_h`` hours. ``busy``: by hour of the day, the share of the own channel's time, as samples of
    the link tell; ``locations``: (hour, name)."""
    rng = np.random.default_rng(seed)
    clock = SimulatedClock(START_MS)
    log = Log.open(path)
    timeline, recorder = Timeline(log, clock, "UTC"), Recorder(log)
    recorder.set_pace(600_000, START_MS)
    planted, moves = list(planted), list(locations)
    for step in range(round(hours / every_h)):
        at_ms = START_MS + round(step * every_h * HOUR_MS)
        clock.advance((at_ms - clock.utc_ms()) / 1000)
        while moves and moves[0][0] <= step * every_h:
            timeline.at(moves.pop(0)[1])
        hour = at_ms // HOUR_MS % 24
        share = None if busy is None else round(1000 * busy(hour))
        if own is not None:
            recorder.record([Sample(at_ms, link=own, rssi_dbm=-60, busy_permille=share)], [])
        heard = []
        for one in planted:
            if rng.random() < one.share:
                level = (
                    round((one.radio.rssi_dbm or 0) + rng.normal(0, one.spread_db))
                    if one.spread_db
                    else one.radio.rssi_dbm
                )
                told = None if one.load is None else one.load(hour)
                heard.append(replaced(one.radio, rssi_dbm=level, age_ms=int(rng.integers(0, 500)), busy_share=told))
        with log.transaction() as db:
            write_scan(db, at_ms + 1000, heard, visits(hour), active=active, everyone=True)
    return log


def replaced(one: HeardRadio, **changes) -> HeardRadio:
    from dataclasses import replace

    return replace(one, **changes)
