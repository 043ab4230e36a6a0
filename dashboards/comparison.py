"""What one config version did against another, at every location and in every band that has both.

Neither pandas nor scipy is loaded before there is something to work out: effects that are remembered need neither.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from math import isfinite
from typing import TYPE_CHECKING

from dashboards.analysis import metrics as all_metrics
from logger.errors import LogError
from logger.printable import printable
from logger.router_settings import Settings as RouterSettings
from logger.settings import Settings
from logger.succession import IMPORTS, Began, succession

if TYPE_CHECKING:
    import pandas as pd

    from dashboards.analysis.effect_value import Effect

METRICS = tuple(all_metrics.METRICS)
DEFAULT_WASHOUT_S = 120.0
MINOR_SHARE = 0.25  # a band with less of the linked time at a location was the laptop's own choice, not a treatment
_BEGAN = ("period_started_at_utc_ms", "version", "time_zone")
# What machines are told of an effect, as JSON and as CSV.
EFFECT_FIELDS = (
    "metric", "unit", "estimate", "low", "high", "anytime_low", "anytime_high", "open", "confidence", "verdict",
    "margin", "n_placements_a", "n_placements_b", "hours_a", "hours_b", "scope", "needed", "warnings",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Judgement:
    """How effects are judged: per metric the difference that still does not matter (in the effect's unit; a
    metric left out has the estimator's own), and how long after a change samples are left out, in seconds.

    The washout is for the router to settle and for tags, which are said some time before or after the change. Each
    sample of an imported recording was labelled by its author: there it is nothing, unless asked for."""

    margins: Mapping[str, float]
    washout_s: float = DEFAULT_WASHOUT_S
    imported_washout_s: float = 0.0


PLAIN_JUDGEMENT = Judgement({})


def judgement(settings: Settings) -> Judgement:
    """As the owner's settings say."""
    return Judgement(
        {
            "rssi": settings.margin_rssi_db,
            "tx-rate": settings.margin_rate_ratio,
            "rx-rate": settings.margin_rate_ratio,
            "outage": settings.margin_outage_min_per_day,
            "drop-outs": settings.margin_dropouts_per_day,
            "noise": settings.margin_noise_db,
            "retry-share": settings.margin_retry_ratio,
        },
        settings.washout_s,
    )


@dataclass(frozen=True, slots=True)
class LocatedEffect:
    """What version ``b`` did against version ``a`` at one location, in one band. ``seldom_used``: the laptop chose this
    band by itself for a small part of the time only, so that no verdict is given."""

    a: int
    b: int
    location: str
    band: str
    effect: Effect
    seldom_used: bool = False


def by_place(effects: Iterable[LocatedEffect]) -> dict[tuple[str, str], dict[str, LocatedEffect]]:
    """Effects by location and band, then by metric, each in their order."""
    found: dict[tuple[str, str], dict[str, LocatedEffect]] = {}
    for located in effects:
        found.setdefault((located.location, located.band), {})[located.effect.metric] = located
    return found


@dataclass(frozen=True, slots=True)
class RouterChange:
    """``version`` came into force for the first time, after ``before``."""

    before: int
    version: int
    at_utc_ms: int
    time_zone: str


class NothingToCompare(LogError):
    """The log cannot answer this comparison; the message says what it does have."""


@dataclass(frozen=True, slots=True)
class Part:
    """A location and band that have both versions. ``told``: the metrics that either tells there. ``chosen``: a
    sentence where the laptop was on the band by its own choice, else none."""

    location: str
    band: str
    told: tuple[str, ...]
    chosen: tuple[str, ...]
    imported: bool


@dataclass(frozen=True, slots=True)
class Asked:
    """An effect that is asked for: all that it depends on, but for the blocks of both versions at the location."""

    a: int
    b: int
    location: str
    band: str
    metric: str
    margin: float
    washout_s: float
    radio_planned: bool
    running: bool  # the trial goes on: one of the two versions is in force on this machine, wherever it stands now


def compare_versions(
    blocks: pd.DataFrame,
    a: int,
    b: int,
    *,
    location: str | None = None,
    band: str | None = None,
    metrics: tuple[str, ...] = METRICS,
    judged: Judgement = PLAIN_JUDGEMENT,
    settings: Mapping[int, RouterSettings] | None = None,
    in_force: int | None = None,
) -> list[LocatedEffect]:
    """Effects of ``b`` against ``a``, by location, band and metric; empty where no location has both. Of several
    metrics, one that few drivers tell is left out where neither version has it.

    ``blocks`` as load_blocks gives them. A band counts at a location where both versions have a linked
    block in it: a band that one version never used there has nothing to be compared with. ``settings`` of the
    versions tell whether another channel or router was part of the change; ``in_force`` is the version that this
    machine's log says is in force now: a trial of it goes on, at every location."""
    known = settings or {}
    return [
        located(asked, part, judge(asked, blocks))
        for part in parts_with_both(blocks, a, b, location=location)
        for asked in effects_asked(
            part, a, b, band=band, metrics=metrics, judged=judged, settings=known, in_force=in_force
        )
    ]


def parts_with_both(blocks: pd.DataFrame, a: int, b: int, *, location: str | None = None) -> list[Part]:
    """Where the versions can be compared: by location and band. Only the blocks of the two versions matter, and for
    each part only those of its location."""
    from dashboards.analysis.metric_columns import is_told

    blocks = blocks[blocks["version"].isin((a, b))]
    if location is not None:
        blocks = blocks[blocks["location"] == location]
    found = []
    for (place, band), part in blocks.groupby(["location", "band"]):
        if {a, b} <= set(part.loc[part["connected"], "version"]):
            told = tuple(name for name, metric in all_metrics.METRICS.items() if is_told(part, metric))
            chosen = _chosen_by_itself(blocks[blocks["location"] == place], str(band), a, b)
            imported = not (part["source_kind"] == "logger").any()
            found.append(Part(str(place), str(band), told, tuple(chosen), imported))
    return found


def effects_asked(
    part: Part,
    a: int,
    b: int,
    *,
    band: str | None = None,
    metrics: tuple[str, ...] = METRICS,
    judged: Judgement = PLAIN_JUDGEMENT,
    settings: Mapping[int, RouterSettings],
    in_force: int | None = None,
) -> list[Asked]:
    """The effects to be judged there, if it is on ``band`` (None: any). A metric named alone is always judged."""
    if band not in (None, part.band):
        return []
    planned = _radio_planned(settings.get(a, {}), settings.get(b, {}), part.band)
    washout_s = judged.imported_washout_s if part.imported else judged.washout_s
    running = in_force in (a, b) and not part.imported
    return [
        Asked(a, b, part.location, part.band, metric, _margin(metric, judged), washout_s, planned, running)
        for metric in metrics
        if metric in part.told or metrics == (metric,)
    ]


def judge(asked: Asked, blocks: pd.DataFrame) -> Effect:
    """The effect, from those of ``blocks`` that it may depend on: of both versions, at its location and band."""
    from dashboards.analysis.effect import estimate_effect

    return estimate_effect(
        blocks_of(asked, blocks),
        asked.a,
        asked.b,
        asked.metric,
        margin=asked.margin,
        washout_s=asked.washout_s,
        radio_planned=asked.radio_planned,
        running=asked.running,
    )


def blocks_of(asked: Asked, blocks: pd.DataFrame) -> pd.DataFrame:
    """Those that the effect may depend on."""
    here = (blocks["location"] == asked.location) & (blocks["band"] == asked.band)
    return blocks[here & blocks["version"].isin((asked.a, asked.b))]


def located(asked: Asked, part: Part, effect: Effect) -> LocatedEffect:
    """The effect where it holds. An interval from moments that the laptop picked says nothing about the band."""
    if part.chosen:
        effect = replace(effect, verdict="undecided", needed=(), warnings=(*part.chosen, *effect.warnings))
    return LocatedEffect(asked.a, asked.b, asked.location, asked.band, effect, bool(part.chosen))


def _margin(metric: str, judged: Judgement) -> float:
    told = judged.margins.get(metric)
    return all_metrics.METRICS[metric].default_margin if told is None else told


def _radio_planned(before: RouterSettings, after: RouterSettings, band: str) -> bool:
    return any(before.get(key) != after.get(key) for key in (f"radio.{band}.channel", "router.model"))


def settings_of(versions: pd.DataFrame) -> dict[int, RouterSettings]:
    """The settings by version, from the frame that load_versions gives."""
    return dict(zip(versions["version"].tolist(), versions["settings"].tolist(), strict=True))


def _chosen_by_itself(here: pd.DataFrame, band: str, a: int, b: int) -> list[str]:
    """A sentence where the laptop was on ``band`` for a small part only of its time with either version: it goes
    there by itself, when the other band is weak, and those moments are no fair sample."""
    linked = here[here["connected"] & (here["source_kind"] == "logger")]
    linked = linked[
        linked["source_id"].isin(linked.loc[linked["band"] == band, "source_id"])
    ]  # others never went there
    total_s = linked.groupby("version")["covered_s"].sum()
    share = linked[linked["band"] == band].groupby("version")["covered_s"].sum() / total_s
    if not any(share.get(version, 1.0) < MINOR_SHARE for version in (a, b)):
        return []
    parts = " and ".join(
        f"{100 * share.get(version, 0.0):.0f} % of its linked time with v{version}" for version in (a, b)
    )
    return [
        f"The laptop was on {band} GHz for only {parts}: it goes there by itself, so these moments are no fair sample. "
        "To judge this band, keep the laptop on it."
    ]


def router_changes(periods: pd.DataFrame) -> list[RouterChange]:
    """The changes that there were, in the order in which they came into force (see logger/succession.py). What a
    recorder began with is none."""
    recorders = periods["source_id"].where(periods["source_kind"] != "import", IMPORTS)
    columns = (recorders, *(periods[name] for name in _BEGAN))
    found = succession(Began(*row) for row in zip(*(column.tolist() for column in columns), strict=True))
    changes = [
        RouterChange(before, version, began.at_utc_ms, began.time_zone)
        for version, (before, began) in found.after.items()
    ]
    return sorted(changes, key=lambda change: (change.at_utc_ms, change.version))


def find_location(periods: pd.DataFrame, name: str) -> str:
    """The location of that name, whatever the case of its letters. Raises NothingToCompare, naming the
    nearest."""
    return location_called(name, periods["location"].tolist())


def location_called(name: str, known: Sequence[str]) -> str:
    """As find_location, of the locations that are ``known``."""
    known = list(dict.fromkeys(known))
    if name in known:
        return name
    folded = [place for place in known if place.casefold() == name.casefold()]
    if len(folded) == 1:
        return folded[0]
    by_word = {word.casefold(): place for place in reversed(known) for word in [*place.split(), place]}
    near = get_close_matches(name.casefold(), by_word, 1, cutoff=0.5)
    hint = (
        f"did you mean {_quoted(by_word[near[0]])}?"
        if near
        else f"there are {', '.join(map(_quoted, known[:8])) or 'none'}"
    )
    raise NothingToCompare(f"there is no location {_quoted(name)}; {hint}")


def nothing_in_common(blocks: pd.DataFrame, a: int, b: int, location: str | None, band: str | None) -> str:
    """One line for a comparison that has no location: which versions each location has."""
    linked = blocks[blocks["connected"] & blocks["band"].notna()]
    if linked.empty:
        return "nothing has been logged with a link yet; 'linktrial log' starts"
    linked = linked if location is None else linked[linked["location"] == location]
    linked = linked if band is None else linked[linked["band"] == band]
    on_band = "" if band is None else f" on {band} GHz"
    where = "no location" if location is None else _quoted(location)
    have = linked.groupby("location")["version"].unique()
    first = "; ".join(
        f"{_quoted(str(place))} has {_listed(sorted(found.tolist()))}" for place, found in have.iloc[:12].items()
    )
    more = "; ..." if len(have) > 12 else ""
    verb = "has both" if location is None else "does not have both"
    return f"{where} {verb} v{a} and v{b}{on_band}: {first or 'nothing was logged there'}{more}"


def _quoted(text: str) -> str:
    return f"'{printable(text)}'"


def _listed(numbers: list[int]) -> str:
    return ", ".join(f"v{number}" for number in numbers[:20]) + (", ..." if len(numbers) > 20 else "")


def comparison_json(a: int, b: int, effects: list[LocatedEffect]) -> dict[str, object]:
    """The stable answer for machines. Unknown and infinite numbers are null."""
    from dashboards.direction_words import located_directions

    return {
        "a": f"v{a}",
        "b": f"v{b}",
        "effects": [_effect_json(located) for located in effects],
        "directions": [
            {
                "location": place.location,
                "band": place.band,
                "downlink": place.found.downlink.change,
                "uplink": place.found.uplink.change,
                "words": place.words,
            }
            for place in located_directions(effects)
        ],
    }


def _effect_json(located: LocatedEffect) -> dict[str, object]:
    return {"location": located.location, "band": located.band} | {
        name: _plain(getattr(located.effect, name)) for name in EFFECT_FIELDS
    }


def _plain(value: object) -> object:
    if isinstance(value, tuple):
        return list(value)
    return _number(value) if isinstance(value, float) else value


def _number(value: float | None) -> float | None:
    """Six significant digits are more than any estimate carries, and keep the JSON short."""
    return float(f"{value:.6g}") if value is not None and isfinite(value) else None
