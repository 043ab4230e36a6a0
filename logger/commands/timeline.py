"""Periods, config versions and events. Without a verb: shows them. All tags can be amended, and every edit undone."""

from __future__ import annotations

import argparse
import json
from math import inf
from typing import NamedTuple

from logger.commands import add_json_option, add_log_option, open_log
from logger.commands.saying import checked_notes, say_json, timeline_of
from logger.errors import TagError
from logger.findings import suggestions
from logger.log import Log
from logger.printable import printable
from logger.router_settings import difference, parse_settings
from logger.succession import read_succession
from logger.tags import Period, Version
from logger.timeline import Timeline, checked_name
from logger.times import format_duration, parse_when
from logger.wording import event_words, shown_detail

EXAMPLES = """examples:
  linktrial timeline
  linktrial timeline amend 3 --location "kiln room" --version v2 --starts "yesterday 14:05"
  linktrial timeline amend v2 --label "longer antennas" --set antenna.5.gain_dbi=5 --notes "both tilted"
  linktrial timeline amend "unnamed spot" --name "wheel by the window"
  linktrial timeline split --at "2 h ago"
  linktrial timeline join 4
  linktrial timeline undo"""
SILENT_MS = 86_400_000  # without a sample, and an open period is told up to the last one
EVENTS_SHOWN = 20


def configure(parser: argparse.ArgumentParser) -> None:
    parser.epilog = EXAMPLES
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    add_json_option(parser)
    add_log_option(parser)
    verbs = parser.add_subparsers(dest="edit", metavar="{amend,split,join,undo}")
    amend = verbs.add_parser("amend", help="other tags for a period, a config version or a location")
    amend.add_argument("target", help="a period's number, a version as v2, or a location's name")
    amend.add_argument("--location", help="period: the laptop stood here instead")
    amend.add_argument("--version", help="period: the router was in this version instead")
    amend.add_argument("--starts", metavar="WHEN", help="period: it began then instead")
    amend.add_argument("--label", help="version: its label")
    amend.add_argument("--set", dest="settings", metavar="KEY=VALUE", action="append", help="version: a setting")
    amend.add_argument("--notes", help="version: its notes")
    amend.add_argument("--name", help="location: its name")
    split = verbs.add_parser("split", help="two periods out of one")
    split.add_argument("--at", dest="when", metavar="WHEN", required=True, help="where to cut")
    join = verbs.add_parser("join", help="one period out of this one and the one before it")
    join.add_argument("period", type=int)
    undo = verbs.add_parser("undo", help="take the last edit back")
    for verb in (amend, split, join, undo):
        add_json_option(verb, default=argparse.SUPPRESS)
        add_log_option(verb, default=argparse.SUPPRESS)


def run(args: argparse.Namespace) -> int:
    with open_log(args) as log:
        timeline = timeline_of(log)
        if args.edit:
            done = _EDITS[args.edit](args, timeline)
            return say_json(done=done) if args.json else print(printable(done)) or 0
        return _show_json(log, timeline) if args.json else _show(log, timeline)


def _amend(args: argparse.Namespace, timeline: Timeline) -> str:
    of_period = {"location": args.location, "version": args.version, "starts": args.starts}
    of_version = {"label": args.label, "set": args.settings, "notes": args.notes}
    of_location = {"name": args.name}
    target = args.target
    if target.isascii() and target.isdecimal():
        _refuse(target, "a period", of_period, of_version | of_location)
        number = timeline.find_version(args.version).number if args.version else None
        started_ms = _moment(args.starts, timeline) if args.starts else None
        timeline.amend_period(int(target), location=args.location, number=number, started_ms=started_ms)
        return f"period {target} amended"
    if target in (f"v{version.number}" for version in timeline.versions()):
        _refuse(target, "a config version", of_version, of_period | of_location)
        settings = parse_settings(args.settings) if args.settings else None
        notes = None if args.notes is None else checked_notes(args.notes)
        timeline.amend_version(int(target[1:]), label=args.label, settings=settings, notes=notes)
        return f"{target} amended"
    if target[:1] in "vV" and target[1:].isdecimal():
        known = ", ".join(f"v{version.number}" for version in timeline.versions())
        raise TagError(f"there is no config version {target}; there are {known or 'none'}")
    _refuse(target, "a location", of_location, of_period | of_version)
    timeline.amend_location(checked_name(target, "location"), args.name)
    return f"'{target}' is now '{args.name.strip()}'"


def _refuse(target: str, what: str, wanted: dict[str, object], unwanted: dict[str, object]) -> None:
    options = ", ".join(f"--{name}" for name in wanted)
    if wrong := [name for name, value in unwanted.items() if value is not None]:
        raise TagError(f"'{target}' is {what} and has no --{wrong[0]}; it takes {options}")
    if all(value is None for value in wanted.values()):
        raise TagError(f"say what to amend of '{target}' ({what}): {options}")


def _split(args: argparse.Namespace, timeline: Timeline) -> str:
    return f"split; the later part is period {timeline.split(_moment(args.when, timeline))}"


def _join(args: argparse.Namespace, timeline: Timeline) -> str:
    timeline.join(args.period)
    return f"period {args.period} joined to the one before it"


def _undo(args: argparse.Namespace, timeline: Timeline) -> str:
    return f"undone: {timeline.undo()}"


_EDITS = {"amend": _amend, "split": _split, "join": _join, "undo": _undo}


def _moment(text: str, timeline: Timeline) -> int:
    return parse_when(text, timeline.now_utc_ms(), timeline.time_zone)


def _show(log: Log, timeline: Timeline) -> int:
    periods, versions = timeline.periods(), timeline.versions()
    if not periods:
        print("nothing logged yet; start with: linktrial at LOCATION, then linktrial log")
        return 0
    print("config versions")
    above: int | None = None
    for version, after, phrases in _in_order(log, versions):
        notes = f" ({version.notes})" if version.notes else ""
        follows = "" if after in (None, above) else f", after v{after}"
        print(f"  v{version.number:<3} {printable(version.label + notes)}{follows}")
        for phrase in phrases:
            print(f"         {printable(phrase)}")
        above = version.number
    print("\nperiods")
    last_ms = dict(log.db.execute("SELECT period_id, max(last_utc_ms) FROM block GROUP BY period_id").fetchall())
    for period in periods:
        source = f"  [from {printable(period.source)}]" if period.source else ""
        span = _span(period, timeline, last_ms.get(period.id))
        print(f"  {period.id:<4} {span}  v{period.config_version}  {printable(period.location)},"
              f" placement {printable(period.placement)}, {period.n_samples:,} samples{source}")  # fmt: skip
    events = log.db.execute(
        "SELECT time_utc_ms, kind, detail FROM event ORDER BY time_utc_ms DESC, id DESC LIMIT ?", (EVENTS_SHOWN,)
    ).fetchall()
    if events:
        print(f"\nlast events (up to {EVENTS_SHOWN})")
        for time_ms, kind, detail in reversed(events):
            print(f"  {timeline.local(time_ms)}  {event_words(kind, json.loads(detail))}")
    if unrecorded := suggestions(log.db):
        print("\nperhaps unrecorded (the command tags it; say what it was)")
        for found in unrecorded:
            print(f"  {printable(found.words)}")
            if command := found.detail["command"]:
                print(f"      {printable(command)}")
    return 0


def _show_json(log: Log, timeline: Timeline) -> int:
    return say_json(
        config_versions=[
            {"config_version": f"v{version.number}", "label": version.label, "settings": version.settings,
             "notes": version.notes, "after": None if after is None else f"v{after}", "difference": phrases}
            for version, after, phrases in _in_order(log, timeline.versions())
        ],
        periods=[
            {**period._asdict(), "config_version": f"v{period.config_version}"} for period in timeline.periods()
        ],
        events=[
            {"time_utc_ms": time_ms, "kind": kind, "detail": shown_detail(detail)}
            for time_ms, kind, detail in log.db.execute(
                "SELECT time_utc_ms, kind, detail FROM event ORDER BY time_utc_ms, id"
            )
        ],
        suggestions=[
            {**found.detail, "words": found.words, "found_at_utc_ms": found.found_at_utc_ms}
            for found in suggestions(log.db)
        ],
    )  # fmt: skip


class _Shown(NamedTuple):
    """A version, the one that it followed (None: nothing came before it), and what it changed against that one."""

    version: Version
    after: int | None
    difference: list[str]


def _in_order(log: Log, versions: list[Version]) -> list[_Shown]:
    """As they came into force; those that never did come before them."""
    found = read_succession(log.db)
    settings = {version.number: version.settings for version in versions}
    shown = []
    for version in sorted(versions, key=lambda one: (found.first.get(one.number, -inf), one.number)):
        after = found.after[version.number][0] if version.number in found.after else None
        changed = difference({} if after is None else settings[after], version.settings)
        shown.append(_Shown(version, after, changed))
    return shown


def _span(period: Period, timeline: Timeline, last_ms: int | None) -> str:
    """When it was, and for how long; of one that goes on, but was not logged in for a day, to its last sample."""
    ended_ms, now_ms = period.ended_at_utc_ms, timeline.now_utc_ms()
    silent = ended_ms is None and last_ms is not None and now_ms - last_ms > SILENT_MS
    until_ms = last_ms if silent and last_ms is not None else ended_ms or now_ms
    length = format_duration((until_ms - period.started_at_utc_ms) / 1000)
    end = (
        f"{timeline.local(until_ms)}, open since" if silent else "now" if ended_ms is None else timeline.local(until_ms)
    )
    return f"{timeline.local(period.started_at_utc_ms)} - {end} ({length})"
