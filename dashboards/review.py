"""The running trial as it stands: its verdicts, how far it is, and what changed that nobody wrote down."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, cast

from dashboards.analysis.headline import by_itself_only
from dashboards.analysis.unexplained.changes import Unexplained
from dashboards.answers import Answers
from dashboards.beside_frames import Beside, load_beside
from dashboards.comparison import Judgement, LocatedEffect, by_place, of_radios
from dashboards.effect_json import comparison_json
from dashboards.frames import load_blocks, load_events
from dashboards.remembered import Remembered
from dashboards.remembered_places import remembered_changes
from dashboards.sentences import (
    METRIC_NAMES,
    MINUS,
    VERDICTS,
    band_name,
    finding,
    logged,
    version_name,
)
from dashboards.suggestions import suggest
from logger.errors import LogError
from logger.findings import (
    PROGRESS,
    UNDECIDED,
    UNEXPLAINED,
    VERDICT,
    Finding,
    KeptFinding,
    drop_others,
    drop_verdicts,
    finding_key,
    keep_finding,
    read_findings,
)
from logger.log import OWN_SOURCE, Log
from logger.one_moment import one_moment
from logger.printable import printable
from logger.running_trial import RunningTrial, running_trial
from logger.tags import Version, read_versions
from logger.undo import edits_made

if TYPE_CHECKING:
    import pandas as pd


class Overtaken(LogError):
    """The timeline was edited while the trial was judged."""


def review(log: Log, judged: Judgement, now_ms: int) -> list[Finding]:
    """Judge the running trial as of ``now_ms``, keep what was found in the log, and return it: how far the trial is,
    its verdicts, what changed and was not written down.

    The log is read in one moment and written in one short transaction; the work lies between, for a daemon writes to it
    at the same time. Raises LogError where the log cannot be written, and Overtaken where the timeline was edited in
    between: nothing is kept of what was found about a timeline that no longer stands."""
    with one_moment(log):
        trial = running_trial(log.db, now_ms)
        edits = edits_made(log.db)
        versions = read_versions(log.db)
        answers = Answers(log)
        remembered = _remembered(answers, trial, versions, judged) if trial else None
        blocks, events = load_blocks(log), load_events(log)
        beside = load_beside(log) if remembered and not remembered.complete else None
        known = read_findings(log.db, UNEXPLAINED)
        location_ids = dict(log.db.execute("SELECT name, id FROM location").fetchall())
    progress, verdicts, judged_as = [], [], {}
    if trial and remembered:
        labels = {version.number: version.label for version in versions}
        effects = judge(trial, remembered, blocks, now_ms, beside)
        judged_as = verdicts_by_key(trial, effects)
        progress = [progress_finding(trial, effects, labels)]
        verdicts = verdict_findings(trial, effects, judged_as, labels)
    changes = own_changes(answers, blocks, events, now_ms)
    unrecorded = unexplained_findings(changes, known, location_ids, now_ms)
    found = [*progress, *verdicts, *unrecorded]
    with log.transaction() as db:
        if (running_trial(db, now_ms), edits_made(db)) != (trial, edits):
            raise Overtaken(
                "the timeline was edited while the trial was judged, so nothing was kept; say 'linktrial review' again"
            )
        for one in found:
            keep_finding(db, one, now_ms)
        for kind, kept in ((PROGRESS, progress), (UNEXPLAINED, unrecorded)):
            drop_others(db, kind, [one.key for one in kept])
        about = (trial.a, trial.b, trial.location_id) if trial else None
        drop_verdicts(db, about, judged_as, now_ms)
    return found


def judge(
    trial: RunningTrial, remembered: Remembered, blocks: pd.DataFrame, now_ms: int, beside: Beside | None = None
) -> list[LocatedEffect]:
    """The effects of the running trial, where the laptop stands, on every band that has both versions. In this process
    alone, for nobody waits for them."""
    remembered.work_out(blocks, now_utc_ms=now_ms, beside=beside)
    return remembered.effects(trial.a, trial.b)


def own_changes(answers: Answers, blocks: pd.DataFrame, events: pd.DataFrame, now_ms: int) -> list[Unexplained]:
    """What changed in this machine's own periods and was not written down. Imported ones have no tags to be mended."""
    return remembered_changes(answers, blocks, events, now_utc_ms=now_ms, source_id=OWN_SOURCE)[0]


def unexplained_findings(
    changes: Sequence[Unexplained], known: Sequence[KeptFinding], location_ids: Mapping[str, int], now_ms: int
) -> list[Finding]:
    """One per change. More samples move a change by some minutes: one that lies where a ``known`` finding lay is that
    finding, and no news."""
    left, found = list(known), []
    for change in changes:
        about = (change.kind, location_ids[change.location], change.band, change.metric)
        same = next((old for old in left if _about(old) == about and _overlap(old.detail, change)), None)
        if same:
            left.remove(same)
        told = suggest(change, now_ms)
        detail = {**asdict(change), "location_id": about[1], "command": told.command}
        key = same.key if same else finding_key(*about, change.at_utc_ms)
        found.append(Finding(UNEXPLAINED, key, _plain(told.words), detail))
    return found


def _about(old: KeptFinding) -> tuple[object, ...]:
    return tuple(old.detail[name] for name in ("kind", "location_id", "band", "metric"))


def _overlap(old: Mapping[str, Any], change: Unexplained) -> bool:
    first, last = old["earliest_utc_ms"], old["latest_utc_ms"]
    return bool(first <= change.latest_utc_ms and change.earliest_utc_ms <= last)


def verdicts_by_key(trial: RunningTrial, effects: Sequence[LocatedEffect]) -> dict[str, str]:
    """Of each effect, among all metrics of its location and band: undecided where it is better or worse by itself
    only (see headline); of what scans heard its own."""
    judged_as = {_verdict_key(trial, one): one.effect.verdict for one in of_radios(effects)}
    for found in by_place(effects).values():
        by_itself = by_itself_only({metric: one.effect for metric, one in found.items()})
        for metric, one in found.items():
            judged_as[_verdict_key(trial, one)] = UNDECIDED if metric in by_itself else one.effect.verdict
    return judged_as


def verdict_findings(
    trial: RunningTrial, effects: Sequence[LocatedEffect], judged_as: Mapping[str, str], labels: Mapping[int, str]
) -> list[Finding]:
    """One per effect that an open trial has decided. What the trial is about is the key, so that the same verdict of a
    later look is no news."""
    decided = [one for one in effects if one.effect.open and judged_as[_verdict_key(trial, one)] != UNDECIDED]
    return [
        Finding(
            VERDICT,
            _verdict_key(trial, one),
            _verdict_words(trial, one, labels),
            {"a": f"v{trial.a}", "b": f"v{trial.b}", **_effect_json(one)},
        )
        for one in decided
    ]


def _verdict_key(trial: RunningTrial, one: LocatedEffect) -> str:
    radio = [one.radio] if one.radio else []
    return finding_key(trial.a, trial.b, trial.location_id, one.band, one.effect.metric, *radio)


def progress_finding(trial: RunningTrial, effects: Sequence[LocatedEffect], labels: Mapping[int, str]) -> Finding:
    """How far the trial is: per band what became of RSSI, after how many hours of each version, and what is needed."""
    linked = [one for one in effects if not one.radio]
    bands = [_band_progress(trial, band, linked) for band in dict.fromkeys(one.band for one in linked)]
    so_far = "; ".join(band["words"] for band in bands) or _nothing_yet(trial)
    return Finding(
        PROGRESS,
        PROGRESS,  # there is one running trial
        f"{_pair(trial, labels)} at {printable(trial.location)}, {so_far}.",
        {
            "a": f"v{trial.a}",
            "b": f"v{trial.b}",
            "location": trial.location,
            "location_id": trial.location_id,
            "bands": bands,
        },
    )


def _band_progress(trial: RunningTrial, band: str, effects: Sequence[LocatedEffect]) -> dict[str, Any]:
    of_band = {one.effect.metric: one for one in effects if one.band == band}
    rssi = of_band["rssi"]
    effect = rssi.effect
    so_far = logged({trial.a: effect.hours_a, trial.b: effect.hours_b})
    return {
        **_effect_json(rssi),
        "verdicts": {metric: one.effect.verdict for metric, one in of_band.items()},
        "also": _also(of_band),
        "words": _plain(f"{band_name(band)}: {finding(effect)}, {so_far}"),
    }


def _also(of_band: Mapping[str, LocatedEffect]) -> str:
    """The other metrics that are decided: "better: tx rate, rx rate; no difference that matters: outage"."""
    names: dict[str, list[str]] = {}
    for metric, one in of_band.items():
        if metric != "rssi" and one.effect.verdict != UNDECIDED:
            names.setdefault(VERDICTS[one.effect.verdict], []).append(METRIC_NAMES[metric])
    return "; ".join(f"{verdict}: {', '.join(metrics)}" for verdict, metrics in names.items())


def _verdict_words(trial: RunningTrial, one: LocatedEffect, labels: Mapping[int, str]) -> str:
    heard = f", from scans of {printable(one.radio)}" if one.radio else ""
    where = f"{band_name(one.band)} at {printable(one.location)}{heard}"
    verdict = f", {one.effect.verdict}" if one.effect.verdict in ("better", "worse") else ""  # else the finding says it
    return _plain(f"Verdict on {_pair(trial, labels)}, {where}: {finding(one.effect)}{verdict}.")


def _effect_json(one: LocatedEffect) -> dict[str, Any]:
    """As ``compare --json`` has it."""
    effects = cast(list[dict[str, Any]], comparison_json(one.a, one.b, [one])["effects"])
    return effects[0]


def _remembered(answers: Answers, trial: RunningTrial, versions: Sequence[Version], judged: Judgement) -> Remembered:
    settings = {version.number: version.settings for version in versions}
    return Remembered(answers, [(trial.a, trial.b)], settings=settings, location=trial.location, judged=judged)


def _nothing_yet(trial: RunningTrial) -> str:
    return f"no band has both v{trial.a} and v{trial.b} here yet"


def _pair(trial: RunningTrial, labels: Mapping[int, str]) -> str:
    return f"{version_name(trial.b, labels[trial.b])} against {version_name(trial.a, labels[trial.a])}"


def _plain(words: str) -> str:
    """Not every terminal and journal has a true minus."""
    return words.replace(MINUS, "-")
