"""Findings as the one HTML page: what the template shows, in words and figures, and nothing that it must
work out."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.metadata import version as program_version
from typing import Any

import numpy as np
import pandas as pd

from dashboards import figures
from dashboards.air.section import air_section
from dashboards.analysis.durations import hours
from dashboards.analysis.trend import HISTOGRAM
from dashboards.carrying_section import carrying_section, heard_section
from dashboards.comparison import (
    METRICS,
    MINOR_SHARE,
    LocatedEffect,
    RouterChange,
    by_place,
    of_radios,
    settings_of,
)
from dashboards.coverage_section import coverage_section
from dashboards.effect_figure import Places, effects_figure
from dashboards.frames import rows_of
from dashboards.over_time import OverTime
from dashboards.overview import (
    ONE_WORD,
    deciding,
    details,
    judged_places,
    overview,
    seldom_used,
    what_to_mind,
    where_text,
    why_seldom,
)
from dashboards.report import Findings
from dashboards.sentences import (
    METRIC_NAMES,
    allowances,
    band_name,
    margin_text,
    number,
)
from dashboards.setting_words import spoken
from dashboards.stability_sections import notes, sections_of
from dashboards.suggestions import suggest
from dashboards.typeset import drawn, typeset
from logger.printable import printable
from logger.router_settings import BANDS, difference, eirp_dbm
from logger.times import format_duration, format_local
from logger.wording import counted

MOST_LISTED = 10  # outages and gaps, the longest
MOST_EARLIER = 5  # changes on the first screen beside the latest; older ones are folded
MOST_ROWS_AT_FIRST = 10  # locations and bands in the first figure, unless the latest change has more
MOST_OPEN = 3  # things to mind of a change; the rest is folded
_MEASURED_DIGITS = {  # of the summary's columns
    "tx_rate_mbps": 0, "rx_rate_mbps": 0, "tx_rate_stale_percent": 0, "rx_rate_stale_percent": 0, "busy_percent": 0,
    "noise_dbm": 1, "outage_min_per_day": 1, "n_outages": 0,
}  # fmt: skip
_BOTH_DIRECTIONS = ("rssi", "tx-rate")  # what the laptop hears, and what it gets across


def render(findings: Findings) -> str:
    """The page."""
    return typeset(_Page(findings).everything())


class _Page:
    """Puts the words together."""

    def __init__(self, findings: Findings) -> None:
        self.findings = findings
        self.zone = findings.zone
        frames = findings.frames
        labels = map(printable, frames.versions["label"].tolist())
        self.labels = dict(zip(frames.versions["version"].tolist(), labels, strict=True))
        self.settings = settings_of(frames.versions)
        blocks = frames.blocks
        self.empty = blocks.empty
        self.begin_ms = 0.0 if self.empty else float(blocks["first_utc_ms"].min())
        self.end_ms = 0.0 if self.empty else float(blocks["last_utc_ms"].max())

    def everything(self) -> dict[str, Any]:
        findings = self.findings
        shown_always = {
            "empty": self.empty,
            "zone": self.zone,
            "written": format_local(findings.now_utc_ms, self.zone, 0),
            "program": f"linktrial {program_version('linktrial')}",
            "versions": list(self._versions()),
            "methods": list(dict.fromkeys(located.effect.method for located in findings.effects)),
            "margins": {
                METRIC_NAMES[located.effect.metric]: margin_text(located.effect) for located in findings.effects
            },
        }
        if self.empty:
            return shown_always
        over_time = OverTime(findings, self.labels)
        return shown_always | {
            "facts": self._facts(),
            "answer": self._answer() if findings.changes else None,
            "many_looks": " ".join([*allowances(findings.effects), ONE_WORD]),
            "changes": [self._change(change, effects) for change, effects in findings.changes],
            "lasting": self._lasting(),
            "unexplained": self._unexplained(),
            "trend_figures": list(over_time.of_samples()),
            "carrying": carrying_section(findings, over_time, self.labels),
            "heard": heard_section(findings, over_time, self.labels),
            "effect_figures": list(self._effect_figures()),
            "locations": list(self._location_tables()),
            "outages": self._outages(over_time.stretches),
            "coverages": [coverage_section(source, self.zone, self._when) for source in findings.coverages],
            "unmeasured": list(self._unmeasured()),
            "air": air_section(findings.air, findings.now_utc_ms),
        }

    # Head

    def _facts(self) -> dict[str, str]:
        blocks = self.findings.frames.blocks
        return {
            "from": format_local(int(self.begin_ms), self.zone, 0),
            "to": format_local(int(self.end_ms), self.zone, 0),
            "hours": hours(float(blocks["covered_s"].sum()) / 3600),
            "measured_by": _measured_by(blocks),
            "locations": counted(blocks["location"].nunique(), "location"),
            "placements": counted(blocks["placement_id"].nunique(), "placement"),
            "versions": counted(blocks["version"].nunique(), "config version"),
            "n_versions": str(blocks["version"].nunique()),
        }

    # What each change did

    def _overview(self, effects: list[LocatedEffect]) -> dict[str, Any]:
        return overview(effects, self.findings.stability, self.findings.unexplained)

    def _answer(self) -> dict[str, Any]:
        """The first screen: the latest change whole, the earlier ones in short, newest first, and their figure."""
        newest_first = self.findings.changes[::-1]
        stories = [self._named(change) | self._overview(effects) for change, effects in newest_first]
        groups: list[tuple[str, Places]] = []
        n_rows = 0
        for change, effects in newest_first:
            judged = judged_places(effects)
            n_rows += len(judged)
            if groups and n_rows > MOST_ROWS_AT_FIRST:
                break
            groups.append((f"v{change.version} {self.labels[change.version]}", judged))
        return {
            "latest": stories[0],
            "earlier": stories[1 : 1 + MOST_EARLIER],
            "still_earlier": stories[1 + MOST_EARLIER :],
            "figure": effects_figure(groups, _first_metrics(judged_places(newest_first[0][1]))),
        }

    def _named(self, change: RouterChange) -> dict[str, Any]:
        return {
            "version": change.version,
            "before": change.before,
            "label": self.labels[change.version],
            "at": self._when(change.at_utc_ms),
            "difference": self._difference(change.before, change.version),
            "as_of": self._as_of(self.findings.as_of_utc_ms.get((change.before, change.version))),
        }

    def _as_of(self, as_of_ms: int | None) -> str | None:
        return None if as_of_ms is None else self._when(as_of_ms)

    def _change(self, change: RouterChange, effects: list[LocatedEffect]) -> dict[str, Any]:
        overview = self._overview(effects)
        stories = overview["stories"]
        mind = [{"text": text, "where": places} for text, places in what_to_mind(effects).items()]
        return self._named(change) | {
            "places": [
                story | details(found)
                for story, found in zip(stories, judged_places(effects).values(), strict=True)
            ],
            "seldom": [
                {"where": where_text(place, band), "why": why_seldom(found)} | details(found)
                for (place, band), found in by_place(effects).items()
                if seldom_used(found)
            ],
            "heard": overview["heard"],
            "mind": mind[:MOST_OPEN],
            "mind_too": mind[MOST_OPEN:],
        }  # fmt: skip

    def _difference(self, before: int | None, after: int) -> list[str]:
        return [
            spoken(printable(phrase))
            for phrase in difference({} if before is None else self.settings[before], self.settings[after])
        ]

    # Does it last?

    def _lasting(self) -> dict[str, Any]:
        """A section per location and band, bands that were seldom used folded: the version that was there last, and
        folded the ones before it."""
        found = self.findings.stability
        sections = sections_of(found, self.labels, needed_rate_for=self.findings.needed_rate_for)
        days = pd.DataFrame([(one.location, one.band, one.days) for one in found], columns=["location", "band", "days"])
        by_band = days.groupby(["location", "band"], sort=False)["days"].sum()
        shares = by_band / by_band.groupby("location").transform("sum")
        places = [
            {
                "where": f"{section['location']}, {section['band']}",
                "latest": section["versions"][-1],
                "earlier": section["versions"][-2::-1],
                "figures": [
                    {"name": figure["name"], "drawn": drawn(figure["figure"])} for figure in section["figures"]
                ],
                "seldom": share < MINOR_SHARE,
            }
            for section, share in zip(sections, shares, strict=True)
        ]
        captions = {figure["name"]: figure["caption"] for section in sections for figure in section["figures"]}
        return {
            "notes": notes(found),
            "as_of": self._as_of(self.findings.stability_as_of_utc_ms),
            "places": sorted(places, key=lambda place: place["seldom"]),
            "captions": captions,
        }

    # What nobody wrote down

    def _unexplained(self) -> dict[str, Any]:
        """Newest first; the first few are open."""
        found = [suggest(change, self.findings.now_utc_ms) for change in self.findings.unexplained[::-1]]
        return {
            "n": counted(len(found), "change"),
            "first": found[:MOST_OPEN],
            "rest": found[MOST_OPEN:],
            "as_of": self._as_of(self.findings.unexplained_as_of_utc_ms),
        }

    # Effects

    def _effect_figures(self) -> Iterator[dict[str, Any]]:
        groups = [
            (f"v{change.version} {self.labels[change.version]}, after v{change.before}", judged_places(effects))
            for change, effects in self.findings.changes
        ]
        heard = [
            (heading, {(f"{one.location}, {one.radio}", one.band): {"sighting": one} for one in of_radios(effects)})
            for (heading, _), (_, effects) in zip(groups, self.findings.changes, strict=True)
        ]
        for metric in METRICS:
            shown = heard if metric == "sighting" else groups
            if figure := effects_figure(shown, [metric]):
                yield {"metric": _capital(METRIC_NAMES[metric]), "figure": figure}

    # Tables

    def _location_tables(self) -> Iterator[dict[str, Any]]:
        """A table per location, with columns for what was measured there only."""
        for place, rows in self.findings.summary.groupby("location", sort=False):
            known = {name: digits for name, digits in _MEASURED_DIGITS.items() if rows[name].notna().any()}
            yield {
                "location": printable(str(place)),
                "measured": list(known),
                "rows": [
                    {
                        "version": f"v{row.version}",
                        "label": self.labels[row.version],
                        "band": band_name(row.band if isinstance(row.band, str) else None),
                        "rssi": number(row.rssi_median_dbm, 1),
                        "rssi_range": "" if np.isnan(row.rssi_low_dbm) else (
                            f"{number(row.rssi_low_dbm, 0)} to {number(row.rssi_high_dbm, 0)}"
                        ),
                        "numbers": [number(getattr(row, name), digits) for name, digits in known.items()],
                        "hours": hours(row.hours),
                        "placements": row.n_placements,
                    }
                    for row in rows_of(rows)
                ],
            }  # fmt: skip

    def _outages(self, stretches: pd.DataFrame) -> dict[str, Any]:
        spells = self.findings.spells
        if spells.empty:
            return {"n": 0}
        return {
            "n": counted(int(spells["n_dropouts"].sum()), "outage"),
            "total": format_duration(float(spells["lasted_s"].sum())),
            "n_drawn": min(len(spells), figures.MOST_MARKS) if len(spells) > figures.MOST_MARKS else 0,
            "longest": [
                {
                    "at": self._when(row.started_at_utc_ms),
                    "lasted": format_duration(row.lasted_s),
                    "n": row.n_dropouts,
                    "location": printable(row.location),
                    "band": band_name(row.band if isinstance(row.band, str) else None),
                    "version": f"v{row.version}",
                }
                for row in rows_of(spells.nlargest(MOST_LISTED, "lasted_s"))
            ],
            "drawn": drawn(
                figures.outage_figure(
                    spells, stretches, self.labels, self.zone, self.findings.summary["location"].unique().tolist()
                )
            ),
        }

    def _versions(self) -> Iterator[dict[str, Any]]:
        versions, periods = self.findings.frames.versions, self.findings.frames.periods
        before = {change.version: change.before for change, _ in self.findings.changes}
        first = periods.groupby("version")["period_started_at_utc_ms"].min()
        in_order = versions.assign(first=versions["version"].map(first)).sort_values(
            ["first", "version"], na_position="first"
        )
        for row in rows_of(in_order):
            eirps = {band: eirp_dbm(row.settings, band) for band in BANDS}
            yield {
                "version": f"v{row.version}",
                "label": printable(row.label),
                "first": "" if np.isnan(row.first) else self._when(row.first),
                "difference": self._difference(before.get(row.version), row.version),
                "notes": printable(row.notes),
                "eirp": [f"{band_name(band)} EIRP {eirp:.1f} dBm" for band, eirp in eirps.items() if eirp is not None],
            }  # fmt: skip

    # What was not measured

    def _unmeasured(self) -> Iterator[str]:
        blocks = self.findings.frames.blocks
        for metric, column in HISTOGRAM.items():
            if not blocks[column].map(len).any():
                yield f"{METRIC_NAMES[metric]}: this card and driver gave none"
        if not blocks["noise_n"].any():
            yield "noise: this card and driver gave none, so there is no signal-to-noise ratio"
        for band in [band for band in ("2.4", "5") if not (blocks["connected"] & (blocks["band"] == band)).any()]:
            yield f"{band_name(band)}: the laptop was never on it"
        if (self.findings.beside.probes["outcome"] == "done").sum() == 0:
            yield "transfers and latency: link rates are what the radios agreed on, not what a transfer gets"

    def _when(self, utc_ms: float) -> str:
        return format_local(int(utc_ms), self.zone, self.findings.now_utc_ms)


def _first_metrics(latest: Places) -> list[str]:
    """What the first figure shows: both directions, and before them, where the latest change is told by neither, the
    first that it is told by."""
    decided = [metric for found in latest.values() for metric in deciding(found)]
    others = [] if set(decided) & set(_BOTH_DIRECTIONS) else decided[:1]
    return [*others, *_BOTH_DIRECTIONS]


def _measured_by(blocks: pd.DataFrame) -> str:
    """Whose links: "one laptop's Wi-Fi link", "Wi-Fi links, measured by 2 recorders,". Imported recordings are not
    counted: a file is a source for each placement."""
    n_loggers = blocks.loc[blocks["source_kind"] == "logger", "source_id"].nunique()
    imported = bool((blocks["source_kind"] == "import").any())
    if not n_loggers:
        return "an imported Wi-Fi link"
    if n_loggers == 1:
        return "one laptop’s Wi-Fi link" + (" and of imported ones" if imported else "")
    return f"Wi-Fi links, measured by {n_loggers} recorders{' and imported' if imported else ''},"


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]
