"""What full scans told, read from the log as arrays: a year of them in about a second, so no frames and no join."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from dashboards.analysis.air.airtime import Looks
from logger.log import OWN_SOURCE, Log
from logger.one_moment import one_moment
from logger.router_settings import Settings
from logger.tags import read_versions, version_in_force

DAY_MS = 86_400_000
MOST_LOOKS_OF_VISITS = 4_000  # a scan visits dozens of channels: so many looks, drawn by lot, tell as much as all
_UNKNOWN = -32_768  # of levels and shares, for arrays of plain numbers are read many times faster
_HALF_HOUR_MS = 1_800_000  # zones shift on it

_RADIOS = (
    "SELECT id, bssid, ssid, ssid_text, band, frequency_mhz, center_mhz, width_mhz, country, country_max_dbm,"
    " power_constraint_db FROM radio ORDER BY id"
)
_SCANS = (
    "SELECT id, time_utc_ms, active, source_id FROM scan WHERE everyone AND time_utc_ms >= ? ORDER BY time_utc_ms, id"
)
# Half a million rows are read four times faster as one text of numbers, with a sighting in each number: 22 bits for the
# scan, 20 for the radio, 10 for the level in quarters of a dB above -200 dBm and 10 for the load; all ones is unknown.
_SIGHTINGS = """
    SELECT group_concat(((scan_id - :first) << 40) | (radio_id << 20)
        | (ifnull(max(0, min(1022, CAST(4 * (rssi_dbm + 200) + 0.5 AS INTEGER))), 1023) << 10)
        | ifnull(max(0, min(1000, busy_permille)), 1023))
    FROM sighting WHERE scan_id BETWEEN :first AND min(:last, :first + 4194303) AND radio_id < 1048576
"""
_VISITS = (
    f"SELECT scan_id, frequency_mhz, ifnull(noise_dbm, {_UNKNOWN}), ifnull(active_ms, {_UNKNOWN}),"
    f" ifnull(busy_ms, {_UNKNOWN}) FROM json_each(?) JOIN visit ON scan_id = json_each.value"
)
_OWN_BLOCKS = (
    "SELECT link_id, period_id, started_at_utc_ms + offset_ms_sum / n_samples, busy_n, busy_sum_permille, noise_n,"
    " noise_sum_dbm FROM block JOIN link ON link.id = link_id WHERE connected AND started_at_utc_ms >= ?"
    " AND busy_n + noise_n > 0"
)


@dataclass(frozen=True, slots=True)
class Described:
    """A radio (one address on one channel) as its beacons described it last."""

    bssid: str
    frequency_mhz: int
    band: str | None
    ssid: bytes | None
    ssid_text: str | None
    center_mhz: float | None
    width_mhz: int | None
    country: str | None
    country_max_dbm: int | None
    power_constraint_db: int | None


@dataclass(frozen=True, slots=True)
class OwnLink:
    """The link that the laptop had last, on any band or one."""

    bssid: str | None
    ssid: bytes | None
    ssid_text: str | None
    band: str | None
    frequency_mhz: int
    width_mhz: int | None


@dataclass(frozen=True, slots=True)
class LinkAir:
    """What samples of a link tell of its channel: an entry per block, with how many samples it stands for."""

    mhz: np.ndarray
    day: np.ndarray
    hour: np.ndarray
    busy_share: np.ndarray
    busy_n: np.ndarray
    noise_dbm: np.ndarray
    noise_n: np.ndarray


@dataclass(frozen=True, slots=True)
class AirLog:
    """All of it, of one moment of the log. ``looks`` and ``times_ms`` are in order of time; ``radios`` by index."""

    looks: Looks
    times_ms: np.ndarray
    radios: tuple[Described, ...]
    links: tuple[OwnLink, ...]  # the newest of each band, the newest of all first
    link_air: LinkAir
    locations: tuple[str, ...]  # where the looks were taken
    settings: Settings  # of the config version in force


def read_air(log: Log, zone: str, *, location: str | None = None, since_utc_ms: int = 0) -> AirLog:
    """Full scans since a moment, at one location or all; days and hours are of ``zone`` (IANA)."""
    with one_moment(log):
        spans = _Spans(log)
        scans = _read(log, _SCANS, (since_utc_ms,), 4).astype(np.int64)
        where = spans.locations(scans[:, 3], scans[:, 1])
        here = where >= 0 if location is None else where == spans.number_of(location)
        scans, where = scans[here], where[here]
        seen_scan, seen_radio, seen_rssi_dbm, seen_load = _sightings(log, scans[:, 0])
        radio_of, radios = _radios(log, seen_scan, seen_radio)
        visits = _read(log, _VISITS, (_some(scans[:, 0]),), 5)
        links = _links(log)
        versions = {version.number: version.settings for version in read_versions(log.db)}
        settings = versions.get(version_in_force(log.db) or 0, {})
        link_air = _link_air(log, spans, zone, location, since_utc_ms)
    order = np.argsort(scans[:, 0], kind="stable")
    seen_look, visit_look = (_places(ids, scans[:, 0], order) for ids in (seen_scan, visits[:, 0]))
    here = seen_look >= 0
    visits, visit_look = visits[visit_look >= 0], visit_look[visit_look >= 0]
    day, hour = local_days_hours(scans[:, 1], zone)
    return AirLog(
        looks=Looks(
            day=day,
            hour=hour,
            asked=scans[:, 2] == 1,
            n_radios=len(radios),
            seen_look=seen_look[here],
            seen_radio=radio_of[seen_radio[here]],
            seen_rssi_dbm=seen_rssi_dbm[here],
            seen_load=seen_load[here],
            visit_look=visit_look,
            visit_mhz=visits[:, 1].astype(np.int64),
            visit_noise_dbm=_known(visits[:, 2]),
            visit_active_ms=np.nan_to_num(_known(visits[:, 3]), nan=0.0),
            visit_busy_ms=_known(visits[:, 4]),
        ),
        times_ms=scans[:, 1],
        radios=radios,
        links=links,
        link_air=link_air,
        locations=tuple(spans.names[number] for number in dict.fromkeys(where.tolist())),
        settings=settings,
    )


def has_full_scans(log: Log) -> bool:
    return log.db.execute("SELECT 1 FROM scan WHERE everyone LIMIT 1").fetchone() is not None


def local_days_hours(utc_ms: np.ndarray, zone: str) -> tuple[np.ndarray, np.ndarray]:
    """Days (counted from 1970-01-01) and hours of the day on the clocks of ``zone``."""
    clock = ZoneInfo(zone)
    slots, at = np.unique(utc_ms // _HALF_HOUR_MS, return_inverse=True)
    ahead_ms = [
        round(
            (datetime.fromtimestamp(slot * _HALF_HOUR_MS / 1000, UTC).astimezone(clock).utcoffset() or timedelta())
            / timedelta(milliseconds=1)
        )
        for slot in slots.tolist()
    ]
    local_ms = utc_ms + np.array(ahead_ms, dtype=np.int64)[at]
    return local_ms // DAY_MS, local_ms % DAY_MS // 3_600_000


class _Spans:
    """Which location a source's moment belongs to."""

    def __init__(self, log: Log) -> None:
        rows = log.db.execute(
            "SELECT source_id, started_at_utc_ms, ended_at_utc_ms, location.name, period.id FROM period"
            " JOIN placement ON placement.id = placement_id JOIN location ON location.id = location_id"
            " ORDER BY source_id, started_at_utc_ms"
        ).fetchall()
        self.names = tuple(dict.fromkeys(row[3] for row in rows))
        numbers = {name: number for number, name in enumerate(self.names)}
        self.of_period = {row[4]: numbers[row[3]] for row in rows}
        self._by_source: dict[int, list[tuple[int, float, int]]] = {}
        for source, begin, end, name, _ in rows:
            until = np.inf if end is None else end
            self._by_source.setdefault(source, []).append((begin, until, numbers[name]))

    def number_of(self, location: str) -> int:
        return self.names.index(location) if location in self.names else -2

    def locations(self, source: np.ndarray, time_ms: np.ndarray) -> np.ndarray:
        """Numbers of ``names``; -1 outside all periods."""
        found = np.full(len(time_ms), -1)
        for source_id, spans in self._by_source.items():
            mine = source == source_id
            begins, ends, numbers = (np.array(column) for column in zip(*spans, strict=True))
            at = np.searchsorted(begins, time_ms[mine], side="right") - 1
            inside = (at >= 0) & (time_ms[mine] < ends[at])
            found[mine] = np.where(inside, numbers[at], -1)
        return found


def _read(log: Log, query: str, values: tuple[object, ...], n_columns: int) -> np.ndarray:
    """The rows of a query that gives numbers only, as floats: exact for every id and count that there is."""
    cursor = log.db.cursor()
    cursor.row_factory = None
    rows = np.fromiter(cursor.execute(query, values), dtype=(np.float64, (n_columns,)))
    return rows.reshape(-1, n_columns)


def _sightings(log: Log, scan_ids: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Of the scans from the first to the last id: scan, radio, level in dBm and load from 0 to 1, NaN where unknown."""
    if not len(scan_ids):
        return np.array([], np.int64), np.array([], np.int64), np.array([]), np.array([])
    first = int(scan_ids.min())
    text = log.db.execute(_SIGHTINGS, {"first": first, "last": int(scan_ids.max())}).fetchone()[0]
    packed = np.fromstring(text or "", dtype=np.int64, sep=",")
    level, load = packed >> 10 & 1023, packed & 1023
    return (
        (packed >> 40) + first,
        packed >> 20 & 1_048_575,
        np.where(level == 1023, np.nan, level / 4 - 200),
        np.where(load == 1023, np.nan, load / 1000),
    )


def _known(column: np.ndarray) -> np.ndarray:
    return np.where(column == _UNKNOWN, np.nan, column)


def _some(scan_ids: np.ndarray) -> str:
    """All of them, or so many by lot, always the same: a fixed step would keep step with the hours of the day."""
    if len(scan_ids) > MOST_LOOKS_OF_VISITS:
        scan_ids = np.sort(np.random.default_rng(0).choice(scan_ids, MOST_LOOKS_OF_VISITS, replace=False))
    return str(scan_ids.tolist())


def _places(ids: np.ndarray, of: np.ndarray, order: np.ndarray) -> np.ndarray:
    """Where each id stands in ``of``, which ``order`` sorts; -1 where it does not."""
    if not len(of):
        return np.full(len(ids), -1)
    at = np.minimum(np.searchsorted(of, ids, sorter=order), len(of) - 1)
    return np.where(of[order[at]] == ids, order[at], -1)


def _radios(log: Log, seen_scan: np.ndarray, seen_radio: np.ndarray) -> tuple[np.ndarray, tuple[Described, ...]]:
    """By the log's radio ids, indices of the radios: descriptions of one address on one channel are one, that which was
    heard last (an older one where nothing was). ``seen_scan``, ``seen_radio``: of sightings."""
    index: dict[tuple[str, int], int] = {}
    described: list[Described] = []
    numbers: dict[int, int] = {0: 0}
    rows = log.db.execute(_RADIOS).fetchall()
    heard_last = np.zeros(1 + max((row[0] for row in rows), default=0), dtype=np.int64)
    np.maximum.at(heard_last, seen_radio, seen_scan)
    for row in sorted(rows, key=lambda row: (heard_last[row[0]], row[0])):
        radio_id, bssid, ssid, text, band, mhz, center, width, country, country_max, constraint = row
        radio = Described(bssid, mhz, band, ssid, text, center, width, country, country_max, constraint)
        at = index.setdefault((bssid, mhz), len(described))
        described[at:] = [radio] if at == len(described) else [radio, *described[at + 1 :]]
        numbers[radio_id] = at
    radio_of = np.zeros(max(numbers) + 1, dtype=np.int64)
    radio_of[list(numbers)] = list(numbers.values())
    return radio_of, tuple(described)


def _links(log: Log) -> tuple[OwnLink, ...]:
    rows = log.db.execute(
        "SELECT bssid, ssid, ssid_text, band, frequency_mhz, width_mhz FROM"
        " (SELECT link_id, max(last_utc_ms) AS last_ms, source_id FROM block JOIN period ON period.id = period_id"
        "  GROUP BY link_id)"
        " JOIN link ON link.id = link_id WHERE connected AND frequency_mhz IS NOT NULL"
        " ORDER BY source_id = ? DESC, last_ms DESC",
        (OWN_SOURCE,),
    )
    newest: dict[str | None, OwnLink] = {}
    for row in rows:
        newest.setdefault(row[3], OwnLink(*row))
    return tuple(newest.values())


def _link_air(log: Log, spans: _Spans, zone: str, location: str | None, since_ms: int) -> LinkAir:
    mhz_of = dict(log.db.execute("SELECT id, ifnull(frequency_mhz, 0) FROM link").fetchall())
    rows = _read(log, _OWN_BLOCKS, (since_ms,), 7)
    if location is not None:
        number = spans.number_of(location)
        rows = rows[np.array([spans.of_period[int(period)] == number for period in rows[:, 1]], dtype=bool)]
    day, hour = local_days_hours(rows[:, 2].astype(np.int64), zone)
    busy_n, noise_n = rows[:, 3], rows[:, 5]
    with np.errstate(invalid="ignore", divide="ignore"):
        busy, noise = rows[:, 4] / busy_n / 1000, rows[:, 6] / noise_n
    mhz = np.array([mhz_of[link] for link in rows[:, 0].astype(np.int64).tolist()], dtype=np.int64)
    return LinkAir(mhz, day, hour, busy, busy_n, noise, noise_n)
