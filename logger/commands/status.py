"""Is it logging, what did it last read, where and in which config version does the laptop stand, how far is the
running trial, what did the last probe find, and
how are the radios heard that are watched."""

from __future__ import annotations

import argparse
import json
import sqlite3
from typing import NamedTuple

from adapters.clock import SystemClock
from adapters.contract import BitRate
from logger.claim import holder
from logger.commands import add_json_option, add_log_option, open_log
from logger.commands.saying import say_json
from logger.log import OWN_SOURCE, Log
from logger.passes import last_taken_id
from logger.printable import printable
from logger.probing.standing import ProbeStanding, probe_standing, probe_standing_json, probe_standing_lines
from logger.sightings.shown import WatchedRadios, watched_json, watched_lines, watched_radios
from logger.tags import Period, period_at, read_versions
from logger.times import format_duration, format_local, local_zone_name
from logger.trial_standing import TrialStanding, standing_json, standing_lines, trial_standing
from logger.wording import counted, event_words, reading_words, shown_detail

EVENTS_SHOWN = 5

_LAST_SAMPLE = """
SELECT sample.time_utc_ms, rssi_dbm, link.connected, ssid, ssid_text, bssid, band, frequency_mhz, mbps AS tx_rate_mbps
FROM sample
JOIN link ON link.id = link_id
LEFT JOIN rate ON rate.id = tx_rate_id
WHERE sample.id = ?
"""
_N_SAMPLES = """
SELECT ifnull(sum(n_samples) FILTER (WHERE source_id = ?), 0) AS own, ifnull(sum(n_samples), 0) AS everybodys
FROM block JOIN period ON period.id = period_id
"""


def configure(parser: argparse.ArgumentParser) -> None:
    add_json_option(parser)
    add_log_option(parser)


class Standing(NamedTuple):
    """How things stand at ``now_ms``. ``pid``: of the daemon, 0 where it cannot be told, None where there is none."""

    path: str
    now_ms: int
    pid: int | None
    period: Period | None
    labels: dict[int, str]  # of the config versions
    trial: TrialStanding | None
    probes: ProbeStanding
    watched: WatchedRadios
    last: sqlite3.Row | None
    n_samples: int
    n_imported: int
    events: list[sqlite3.Row]


def run(args: argparse.Namespace) -> int:
    with open_log(args) as log:
        standing = _standing(log, SystemClock().utc_ms())
    if args.json:
        return say_json(**_as_json(standing))
    _say(standing)
    return 0


def _standing(log: Log, now_ms: int) -> Standing:
    period, pid = period_at(log.db, now_ms), holder(log.path)
    n_samples, n_in_all = log.db.execute(_N_SAMPLES, (OWN_SOURCE,)).fetchone()
    return Standing(
        path=str(log.path),
        now_ms=now_ms,
        pid=pid,
        period=period,
        labels={version.number: version.label for version in read_versions(log.db)},
        trial=trial_standing(log.db, now_ms),
        probes=probe_standing(log.db, now_ms, logging=pid is not None),
        watched=watched_radios(log.db),
        last=log.db.execute(_LAST_SAMPLE, (last_taken_id(log.db),)).fetchone(),
        n_samples=n_samples,
        n_imported=n_in_all - n_samples,
        events=log.db.execute(
            "SELECT time_utc_ms, kind, detail FROM event WHERE source_id = ? ORDER BY id DESC LIMIT ?",
            (OWN_SOURCE, EVENTS_SHOWN),
        ).fetchall()[::-1],
    )


def _say(standing: Standing) -> None:
    path, now_ms, pid, period, labels, trial, probes, watched, last, n_samples, n_imported, events = standing
    zone = local_zone_name()
    if pid is None:
        print("not logging; 'linktrial log' starts it")
    else:
        print(f"logging, by {f'process {pid}' if pid else 'another process'}")
    if period:
        since = format_local(period.started_at_utc_ms, zone, now_ms)
        print(
            f"here: '{printable(period.location)}', placement {printable(period.placement)},"
            f" v{period.config_version} '{printable(labels[period.config_version])}', since {since}"
        )
    if last:
        ago = format_duration(max(0, now_ms - last["time_utc_ms"]) // 1000)
        rate = BitRate(last["tx_rate_mbps"])
        words = reading_words(bool(last["connected"]), last["ssid"], last["band"], last["rssi_dbm"], rate)
        print(f"last sample: {ago} ago, {words}")
    imported = f", and {n_imported:,} imported" if n_imported else ""
    print(f"{counted(n_samples, 'sample')} of this machine{imported} in {printable(path)}, as its blocks tell")
    if trial:
        print("\n".join(standing_lines(trial, labels, now_ms, logging=pid is not None)))
    if pid is not None or probes.last:
        print("\n".join(probe_standing_lines(probes, now_ms)))
    for line in watched_lines(watched, now_ms):
        print(line)
    if events:
        print("last events:")
    for event in events:
        words = event_words(event["kind"], json.loads(event["detail"]))
        print(f"  {format_local(event['time_utc_ms'], zone, now_ms)}  {words}")


def _as_json(standing: Standing) -> dict[str, object]:
    path, _, pid, period, labels, trial, probes, watched, last, n_samples, n_imported, events = standing
    last_sample = None
    if last:
        names = ("time_utc_ms", "rssi_dbm", "tx_rate_mbps", "band", "frequency_mhz", "bssid", "ssid_text")
        last_sample = {"connected": bool(last["connected"])} | {name: last[name] for name in names}
    return {
        "log": path,
        "logging": pid is not None,
        "pid": pid or None,
        "location": period and period.location,
        "placement": period and period.placement,
        "config_version": period and f"v{period.config_version}",
        "label": period and labels[period.config_version],
        "period_started_at_utc_ms": period and period.started_at_utc_ms,
        "n_samples": n_samples,
        "n_imported": n_imported,
        "last_sample": last_sample,
        "trial": standing_json(trial),
        "probes": probe_standing_json(probes),
        "watched": [watched_json(*each) for each in watched],
        "events": [
            {"time_utc_ms": event["time_utc_ms"], "kind": event["kind"], "detail": shown_detail(event["detail"])}
            for event in events
        ],
    }
