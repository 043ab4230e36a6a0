"""The report: everything the log can say, worked out once and written as one HTML file or as CSV tables.

All of it is drawn from blocks; no sample is read. What the page looks like is in dashboards/page.py and
its template.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from tempfile import TemporaryFile

import numpy as np
import pandas as pd

from dashboards.air.find import find_air
from dashboards.air.findings import AirFindings
from dashboards.air.scans import has_full_scans
from dashboards.analysis.carrying import summarise_probes, summarise_sightings
from dashboards.analysis.coverage import KINDS, coverage, gaps, logged_span_ms
from dashboards.analysis.lasting.stability import Stability
from dashboards.analysis.outages import outage_spells
from dashboards.analysis.summary import summarise
from dashboards.analysis.unexplained.changes import Unexplained
from dashboards.answers import Answers
from dashboards.beside_frames import Beside, load_beside, load_probes, load_sightings
from dashboards.comparison import (
    PLAIN_JUDGEMENT,
    Judgement,
    LocatedEffect,
    RouterChange,
    router_changes,
    settings_of,
)
from dashboards.effect_json import EFFECT_FIELDS
from dashboards.frames import LogFrames, load_blocks, load_frames, load_periods, load_versions
from dashboards.remembered import Remembered
from dashboards.remembered_places import remembered_changes, remembered_stability
from dashboards.stability_words import stability_table
from logger.errors import LogError
from logger.exchange.columns import harmless
from logger.log import Log
from logger.one_moment import one_moment
from logger.settings import DEFAULTS
from logger.whole_file import whole_file

MOST_SCANS = 10_000  # that are drawn and listed: of a year still one an hour; effects rest on all
LAG_SHARE = 0.01  # an answer that lacks no more than this share of its time will do for a report
_HOUR_MS, _DAY_MS = 3_600_000, 86_400_000


@dataclass(frozen=True, slots=True)
class SourceCoverage:
    """What one source of samples covered of the time from its first to its last."""

    source_id: int
    is_import: bool
    edges_utc_ms: np.ndarray
    hours: pd.DataFrame  # a row per bin, columns KINDS
    gaps: pd.DataFrame


@dataclass(frozen=True, slots=True)
class Findings:
    """All that a report says, before anything is drawn."""

    frames: LogFrames
    beside: Beside
    changes: list[tuple[RouterChange, list[LocatedEffect]]]
    summary: pd.DataFrame
    spells: pd.DataFrame
    stability: list[Stability]
    unexplained: list[Unexplained]
    coverages: list[SourceCoverage]
    now_utc_ms: int
    zone: str
    as_of_utc_ms: dict[tuple[int, int], int]  # by version before and after: effects know nothing of what came later
    stability_as_of_utc_ms: int | None = None  # the same of all that ``stability`` and ``unexplained`` tell
    unexplained_as_of_utc_ms: int | None = None
    needed_rate_for: str = ""  # what needs the rate that ``stability`` was asked about
    air: AirFindings | None = None  # None: no scan of all channels was logged

    @property
    def effects(self) -> list[LocatedEffect]:
        return [located for _, effects in self.changes for located in effects]


def find(
    log: Log,
    *,
    now_utc_ms: int,
    zone: str,
    judged: Judgement = PLAIN_JUDGEMENT,
    needed_rate_mbps: float | None = DEFAULTS.needed_rate_mbps,
    needed_rate_for: str = DEFAULTS.needed_rate_for,
    n_processes: int = 1,
    progress: Callable[[int, int], object] = lambda done, expected: None,
) -> Findings:
    """Work out what ``log`` says. ``zone``: IANA name of the zone whose clock times are shown. Effects that the log
    remembers are not worked out again; ``progress`` is told how many of the others are done, of how many, and at most
    ``n_processes`` work at them (see ``judge_many``). ``needed_rate_mbps``: the link rate that the owner needs (0 or
    None: none), ``needed_rate_for``: and for what."""
    with one_moment(log):
        frames = load_frames(log)
        expected = router_changes(frames.periods)
        answers = Answers(log, now_utc_ms=now_utc_ms, lag_share=LAG_SHARE)
        remembered = _remembered(answers, expected, frames.versions, judged)
        beside = Beside(load_probes(log), load_sightings(log, most_scans=MOST_SCANS))
        for_effects = None if remembered.complete else beside._replace(sightings=load_sightings(log))
        air = find_air(log, zone=zone) if has_full_scans(log) else None
    remembered.work_out(
        frames.blocks, now_utc_ms=now_utc_ms, beside=for_effects, n_processes=n_processes, progress=progress
    )
    changes = [(change, remembered.effects(change.before, change.version)) for change in expected]
    lasting, lasting_as_of_ms = remembered_stability(
        answers,
        frames.blocks,
        needed_rate_mbps=needed_rate_mbps,
        washout_s=dict.fromkeys(_loggers(frames), judged.washout_s),
        now_utc_ms=now_utc_ms,
    )
    unexplained, unexplained_as_of_ms = remembered_changes(answers, frames.blocks, frames.events, now_utc_ms=now_utc_ms)
    return Findings(
        frames=frames,
        beside=beside,
        changes=changes,
        summary=summarise(frames.blocks),
        spells=outage_spells(frames.blocks),
        stability=lasting,
        unexplained=unexplained,
        coverages=list(_coverages(frames, zone)),
        now_utc_ms=now_utc_ms,
        zone=zone,
        as_of_utc_ms={
            (change.before, change.version): as_of_ms
            for change in expected
            if (as_of_ms := remembered.as_of_utc_ms(change.before, change.version)) is not None
        },
        stability_as_of_utc_ms=lasting_as_of_ms,
        unexplained_as_of_utc_ms=unexplained_as_of_ms,
        needed_rate_for=needed_rate_for,
        air=air,
    )


def prepare(log: Log, *, now_utc_ms: int, judged: Judgement = PLAIN_JUDGEMENT, within_s: float) -> bool:
    """Work out, for about ``within_s`` at most, effects that ``find`` would have to; whether all are known."""
    with one_moment(log):
        answers = Answers(log, now_utc_ms=now_utc_ms, lag_share=LAG_SHARE)
        remembered = _remembered(answers, router_changes(load_periods(log)), load_versions(log), judged)
        blocks, beside = (None, None) if remembered.complete else (load_blocks(log), load_beside(log))
    if blocks is not None:
        remembered.work_out(blocks, now_utc_ms=now_utc_ms, beside=beside, within_s=within_s)
    return remembered.complete


def _remembered(
    answers: Answers, changes: Sequence[RouterChange], versions: pd.DataFrame, judged: Judgement
) -> Remembered:
    """The effects that a report asks for."""
    pairs = [(change.before, change.version) for change in changes]
    return Remembered(answers, pairs, settings=settings_of(versions), judged=judged)


def write_report(
    log: Log,
    path: Path | str,
    *,
    now_utc_ms: int,
    zone: str,
    judged: Judgement = PLAIN_JUDGEMENT,
) -> Path:
    """Write the report of ``log`` as one HTML file that asks nothing of any network; returns its path.

    Raises LogError where it cannot be written.
    """
    findings = find(log, now_utc_ms=now_utc_ms, zone=zone, judged=judged)
    return write_html(findings, path)


def write_html(findings: Findings, path: Path | str) -> Path:
    """As write_report, from findings."""
    from dashboards.page import render  # plotly and jinja2 are for this only

    path, page = Path(path), render(findings)
    with whole_file(path) as file:
        file.write(page)
    return path


def make_folder(folder: Path) -> None:
    """Make the folder for the tables where it is missing. Raises LogError where nothing can be written into it, so that
    a command that cannot do all does nothing."""
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise LogError(f"{folder} cannot be written into: {error.strerror}; say --csv with another folder") from error


def write_tables(findings: Findings, folder: Path | str) -> list[Path]:
    """Write summary.csv, effects.csv, stability.csv, carrying.csv (probes), sightings.csv, coverage.csv and outages.csv
    into ``folder`` (see make_folder).

    Times are UTC in ISO 8601; unknown is an empty cell. Text that a spreadsheet would take for a formula
    gets an apostrophe in front. ``as_of_utc``: the row knows nothing of what came later; empty where all is in. Raises
    LogError where they cannot be written.
    """
    folder = Path(folder)
    make_folder(folder)
    return [_write_table(folder / f"{name}.csv", table) for name, table in _tables(findings)]


def _tables(findings: Findings) -> Iterator[tuple[str, pd.DataFrame]]:
    labels = dict(zip(findings.frames.versions["version"], findings.frames.versions["label"], strict=True))
    summary = findings.summary.copy()
    summary.insert(2, "label", summary["version"].map(labels))
    yield "summary", summary.assign(version="v" + summary["version"].astype("str"))
    yield "effects", _with_utc(effects_table(findings.effects, findings.as_of_utc_ms))
    as_of_ms = float("nan") if findings.stability_as_of_utc_ms is None else float(findings.stability_as_of_utc_ms)
    yield "stability", _with_utc(stability_table(findings.stability).assign(as_of_utc_ms=as_of_ms))
    carrying = summarise_probes(findings.beside.probes)
    yield "carrying", carrying.assign(version="v" + carrying["version"].astype("str"))
    heard = summarise_sightings(findings.beside.sightings)
    yield "sightings", heard.assign(version="v" + heard["version"].astype("str"))
    yield "coverage", _coverage_table(findings.coverages)
    spells = findings.spells.assign(version="v" + findings.spells["version"].astype("str"))
    yield "outages", _with_utc(spells)


def effects_table(effects: Sequence[LocatedEffect], as_of_utc_ms: Mapping[tuple[int, int], int]) -> pd.DataFrame:
    """One row per effect, columns as in the JSON of ``compare`` (EFFECT_FIELDS), with the versions in front, and of
    when it is behind (``as_of_utc_ms`` by both versions; NaN: all is in); sentences of one effect in one cell."""
    rows = []
    for located in effects:
        told = [getattr(located.effect, name) for name in EFFECT_FIELDS]
        where = [f"v{located.a}", f"v{located.b}", located.location, located.band]
        told += [located.radio, located.laptop_on]
        rows.append([*where, *(" ".join(value) if isinstance(value, tuple) else value for value in told)])
    table = pd.DataFrame(rows, columns=["a", "b", "location", "band", *EFFECT_FIELDS, "radio", "laptop_on"])
    as_of = [as_of_utc_ms.get((located.a, located.b), float("nan")) for located in effects]
    return table.assign(as_of_utc_ms=np.array(as_of, dtype="float64"))


def _coverage_table(coverages: Sequence[SourceCoverage]) -> pd.DataFrame:
    parts = [
        pd.DataFrame(
            {
                "source": source.source_id,
                "started_at_utc_ms": source.edges_utc_ms[:-1],
                "ended_at_utc_ms": source.edges_utc_ms[1:],
                **{f"{kind.replace(' ', '_')}_h": source.hours[kind] for kind in KINDS},
            }
        )
        for source in coverages
    ]
    return _with_utc(pd.concat(parts, ignore_index=True)) if parts else pd.DataFrame({"source": []})


def _with_utc(table: pd.DataFrame) -> pd.DataFrame:
    """Columns ``*_utc_ms`` become ISO 8601 ``*_utc``."""
    table = table.copy()
    for name in [name for name in table.columns if name.endswith("_utc_ms")]:
        times = pd.to_datetime(table[name].round(), unit="ms", utc=True)
        table[name] = times.dt.strftime("%Y-%m-%dT%H:%M:%SZ")
        table = table.rename(columns={name: name.removesuffix("_ms")})
    return table


def _write_table(path: Path, table: pd.DataFrame) -> Path:
    with whole_file(path) as file:
        writer = csv.writer(file)
        writer.writerow(table.columns)
        writer.writerows([_cell(value) for value in row] for row in table.itertuples(index=False))
    return path


def _cell(value: object) -> object:
    if isinstance(value, str):
        return harmless(value)
    if isinstance(value, float):
        return f"{value:.6g}" if isfinite(value) else ""
    return "" if value is None else value


def _loggers(frames: LogFrames) -> list[int]:
    """The sources that tags were said to while they measured, this machine's and merged ones; not imports."""
    kinds = frames.periods["source_kind"]
    return sorted(set(frames.periods.loc[kinds == "logger", "source_id"].tolist()))


def _coverages(frames: LogFrames, zone: str) -> Iterator[SourceCoverage]:
    imports = set(frames.periods.loc[frames.periods["source_kind"] == "import", "source_id"])
    for source_id, blocks in frames.blocks.groupby(frames.blocks["source_id"]):
        events = frames.events[frames.events["source_id"] == source_id]
        edges = time_edges(*logged_span_ms(blocks, events), zone)
        last_ms = frames.last_taken_utc_ms.get(int(str(source_id)))
        hours = coverage(blocks, events, edges, last_taken_ms=last_ms)
        without = gaps(blocks, events, last_taken_ms=last_ms)
        yield SourceCoverage(int(str(source_id)), source_id in imports, edges, hours, without)


def time_edges(begin_utc_ms: float, end_utc_ms: float, zone: str) -> np.ndarray:
    """Edges of bins from ``begin_utc_ms`` to ``end_utc_ms`` at local midnights, full hours or ten minutes,
    whichever are enough; a year gives days, ten years months. The first and last bin may be short."""
    span = end_utc_ms - begin_utc_ms
    step = "MS" if span > 800 * _DAY_MS else "D" if span > 3 * _DAY_MS else "h" if span > 6 * _HOUR_MS else "10min"
    begin, end = (pd.Timestamp(at, unit="ms", tz="UTC").tz_convert(zone) for at in (begin_utc_ms, end_utc_ms))
    if step in ("D", "MS"):
        inner = pd.date_range(begin.normalize(), end, freq=step)
    else:  # in UTC, so that hours that a clock change repeats or skips are whole ones too
        inner = pd.date_range(begin.tz_convert("UTC").floor(step), end.tz_convert("UTC"), freq=step)
    inner_ms = inner.tz_convert("UTC").tz_localize(None).as_unit("ms").astype("int64").to_numpy(dtype="float64")
    inside = inner_ms[(inner_ms > begin_utc_ms) & (inner_ms < end_utc_ms)]
    return np.concatenate(([begin_utc_ms], inside, [end_utc_ms]))
