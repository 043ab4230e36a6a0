"""How far the running trial is, as the last review found it, for ``linktrial status``. No statistics here: those are in
the finding."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from typing import Any, NamedTuple

from logger.errors import SettingsError
from logger.findings import PROGRESS, KeptFinding, read_findings
from logger.printable import printable
from logger.running_trial import RunningTrial, running_trial
from logger.settings import load_settings
from logger.times import format_duration


class TrialStanding(NamedTuple):
    """The running trial, and what is known of it: None before its first review."""

    trial: RunningTrial
    progress: KeptFinding | None


def trial_standing(db: sqlite3.Connection, now_ms: int) -> TrialStanding | None:
    """None where no trial runs. A review of another trial, before the last change or move, says nothing of this one."""
    trial = running_trial(db, now_ms)
    if trial is None:
        return None
    about = {"a": f"v{trial.a}", "b": f"v{trial.b}", "location_id": trial.location_id}
    known = [found for found in read_findings(db, PROGRESS) if about.items() <= found.detail.items()]
    return TrialStanding(trial, known[-1] if known else None)


def standing_lines(standing: TrialStanding, labels: Mapping[int, str], now_ms: int, *, logging: bool) -> list[str]:
    """For a terminal: what is compared where, and a line per band with what it still needs."""
    trial, progress = standing
    a, b = (f"v{number} '{printable(labels[number])}'" for number in (trial.a, trial.b))
    head = f"running trial: {b} against {a} at '{printable(trial.location)}'"
    if progress is None:
        return [head, f"  not judged yet; {_when_judged(logging)}"]
    ago = format_duration(max(0, now_ms - progress.found_at_utc_ms) // 1000)
    lines = [f"{head}, judged {ago} ago"]
    for band in progress.detail["bands"]:
        lines.append(f"  {printable(band['words'])}")
        lines += [f"    {printable(sentence)}" for sentence in (band.get("also"), *band["needed"]) if sentence]
    if not progress.detail["bands"]:
        lines.append(f"  {printable(progress.words)}")
    return lines


def standing_json(standing: TrialStanding | None) -> dict[str, Any] | None:
    """The same for machines; ``judged_at_utc_ms`` is null before the first review."""
    if standing is None:
        return None
    trial, progress = standing
    known = progress.detail if progress else {"bands": []}
    return {
        **known,
        "a": f"v{trial.a}",
        "b": f"v{trial.b}",
        "location": trial.location,
        "location_id": trial.location_id,
        "judged_at_utc_ms": progress and progress.found_at_utc_ms,
        "words": progress and progress.words,
    }


def _when_judged(logging: bool) -> str:
    try:
        every_s = load_settings().review_every_s
    except SettingsError:  # who logs or judges is told; here it is no reason to be silent
        every_s = 0
    if not logging or not every_s:
        return "'linktrial review' does it now"
    return f"the first judgement comes within {format_duration(every_s)}, or 'linktrial review' does it now"
