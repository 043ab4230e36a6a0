"""The report's figures over time, with what they share: the versions in force, placements and events."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import pandas as pd

from dashboards import figures
from dashboards.analysis.carrying import by_hour, by_place_and_band, sparse_width_ms, target_of, with_shown
from dashboards.analysis.trend import Trended, bin_width_ms, trend
from dashboards.report import Findings
from dashboards.sentences import METRIC_NAMES
from dashboards.typeset import drawn
from logger.times import format_duration

MOST_MARKS_A_ROW = 110  # events of a kind; nearer ones are one mark
MOST_RADIOS = 6  # heard by scans, the longest heard, of the figure over time
_TRENDED: tuple[Trended, ...] = ("rssi", "tx-rate")
_CARRIED: dict[str, tuple[str, dict[str, str]]] = {  # by what a figure is called: the metric of its scale, its rows
    "Transfers": ("transfer-down", {"down": "down_mbps", "up": "up_mbps"}),
    "Latency": ("latency-idle", {"idle": "idle_ms", "under load": "loaded_ms"}),
}


class OverTime:
    """``labels`` of the versions, as they may be shown. Not for a log without blocks."""

    def __init__(self, findings: Findings, labels: dict[int, str]) -> None:
        self._findings, self._labels = findings, labels
        blocks = findings.frames.blocks
        self.begin_ms, self.end_ms = float(blocks["first_utc_ms"].min()), float(blocks["last_utc_ms"].max())
        midnight = pd.Timestamp(self.begin_ms, unit="ms", tz="UTC").tz_convert(findings.zone).normalize()
        self._origin_ms = int(midnight.timestamp() * 1000)
        self.stretches = self._stretches()
        self._placements = findings.frames.periods.drop_duplicates("placement_id").rename(
            columns={"period_started_at_utc_ms": "started_at_utc_ms"}
        )

    @property
    def _span_ms(self) -> float:
        return self.end_ms - self.begin_ms

    def of_samples(self) -> Iterator[dict[str, Any]]:
        """What the laptop heard, and its link rate."""
        frames = self._findings.frames
        width_ms = bin_width_ms(self._span_ms)
        for metric in _TRENDED:
            trends = {}
            for place in frames.periods["location"].drop_duplicates():
                here = frames.blocks[frames.blocks["location"] == place]
                by_band = {
                    str(band): trend(part, metric, width_ms=width_ms, origin_utc_ms=self._origin_ms)
                    for band, part in here.groupby(here["band"].fillna(""))
                }
                by_band = {band: frame for band, frame in by_band.items() if len(frame)}
                if by_band:
                    trends[place] = by_band
            if trends:
                yield self._figure(metric, trends, width_ms)

    def of_probes(self) -> Iterator[dict[str, Any]]:
        """What transfers got, and latency to one target: a figure each, a row per location and way."""
        probes = self._findings.beside.probes
        if probes.empty:
            return
        shown = with_shown(probes, target_of(probes))
        width_ms = sparse_width_ms(shown, self._span_ms)
        for name, (metric, columns) in _CARRIED.items():
            trends, place_of = {}, {}
            for said, column in columns.items():
                found = by_place_and_band(shown, column, width_ms=width_ms, origin_utc_ms=self._origin_ms)
                for place, by_band in found.items():
                    trends[f"{said}: {place}"] = by_band
                    place_of[f"{said}: {place}"] = place
            if trends:
                yield self._figure(metric, trends, width_ms, self._placements_of(place_of), name)

    def of_sightings(self) -> Iterator[dict[str, Any]]:
        """Radios that scans heard, a row each."""
        heard = self._findings.beside.sightings
        if heard.empty:
            return
        names = heard["location"] + ", " + heard["bssid"]
        most = names.groupby(names).transform("size").groupby(names).first().nlargest(MOST_RADIOS).index
        rows = by_hour(heard.assign(location=names, place=heard["location"])[names.isin(most)])
        width_ms = sparse_width_ms(rows, self._span_ms, least=1)
        trends = by_place_and_band(rows, "rssi_mean_dbm", width_ms=width_ms, origin_utc_ms=self._origin_ms)
        place_of = dict(zip(rows["location"], rows["place"], strict=True))
        yield self._figure("sighting", trends, width_ms, self._placements_of({row: place_of[row] for row in trends}))

    def _placements_of(self, place_of: Mapping[str, str]) -> pd.DataFrame:
        """The placements of each row's location."""
        return pd.concat(
            [
                self._placements[self._placements["location"] == place].assign(location=row)
                for row, place in place_of.items()
            ]
        )

    def _figure(
        self,
        metric: str,
        trends: Mapping[str, dict[str, pd.DataFrame]],
        width_ms: int,
        placements: pd.DataFrame | None = None,
        name: str = "",
    ) -> dict[str, Any]:
        placements = self._placements if placements is None else placements
        events = self._binned_events(max(bin_width_ms(self._span_ms), int(self._span_ms / MOST_MARKS_A_ROW)))
        name = name or METRIC_NAMES[metric]
        return {
            "metric": f"{name[0].upper()}{name[1:]}",
            "bin": format_duration(width_ms / 1000),
            "drawn": drawn(
                figures.trend_figure(
                    dict(trends), self.stretches, placements, events, self._labels, metric, self._findings.zone
                )
            ),
        }

    def _binned_events(self, width_ms: int) -> pd.DataFrame:
        """Events, and changes that nobody wrote down; those of one kind and bin are one mark."""
        events = self._findings.frames.events
        untold = [change.at_utc_ms for change in self._findings.unexplained if change.kind != "slope"]
        events = pd.concat([events, pd.DataFrame({"time_utc_ms": untold, "kind": "not written down"})])
        bins = events["time_utc_ms"] // width_ms
        binned = events.groupby(["kind", bins.rename("bin")])["time_utc_ms"].agg(["mean", "size"]).reset_index()
        return binned.rename(columns={"mean": "time_utc_ms", "size": "n"})

    def _stretches(self) -> pd.DataFrame:
        """Unbroken stretches of one config version, over all sources, cut to what was logged."""
        periods = self._findings.frames.periods.sort_values("period_started_at_utc_ms")
        run = (periods["version"].diff() != 0).cumsum()
        ends = periods["period_ended_at_utc_ms"].fillna(self.end_ms)
        stretches = (
            periods.assign(ended_at_utc_ms=ends)
            .groupby(run)
            .agg(
                version=("version", "first"),
                started_at_utc_ms=("period_started_at_utc_ms", "min"),
                ended_at_utc_ms=("ended_at_utc_ms", "max"),
            )
        )
        stretches["started_at_utc_ms"] = stretches["started_at_utc_ms"].clip(lower=self.begin_ms)
        stretches["ended_at_utc_ms"] = stretches["ended_at_utc_ms"].clip(upper=self.end_ms)
        return stretches[stretches["ended_at_utc_ms"] > stretches["started_at_utc_ms"]]
