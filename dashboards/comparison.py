"""What one config version did against another, at every location and in every band that has both.

Neither pandas nor scipy is loaded before there is something to work out: effects that are remembered need neither.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
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
    from dashboards.beside_frames import Beside

METRICS = tuple(all_metrics.METRICS)
DEFAULT_WASHOUT_S = 120.0
MINOR_SHARE = 0.25  # a band with less of the linked time at a location was the laptop's own choice, not a treatment
_BEGAN = ("period_started_at_utc_ms", "version", "time_zone")


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
            "transfer-down": settings.margin_transfer_ratio,
            "transfer-up": settings.margin_transfer_ratio,
            "latency-idle": settings.margin_latency_ratio,
            "latency-loaded": settings.margin_latency_ratio,
            "loss": settings.margin_loss_points,
            "busy-share": settings.margin_busy_points,
            "sighting": settings.margin_rssi_db,
        },
        settings.washout_s,
    )


@dataclass(frozen=True, slots=True)
class LocatedEffect:
    """What version ``b`` did against version ``a`` at one location, in one band. ``seldom_used``: the laptop chose this
    band by itself for a small part of the time only, so that no verdict is given. ``radio``: the BSSID whose sightings
    it comes from, else empty; ``laptop_on``: the bands that the laptop itself was on meanwhile, "5"."""

    a: int
    b: int
    location: str
    band: str
    effect: Effect
    seldom_used: bool = False
    radio: str = ""
    laptop_on: tuple[str, ...] = ()


def by_place(effects: Iterable[LocatedEffect]) -> dict[tuple[str, str], dict[str, LocatedEffect]]:
    """Effects of the laptop's own link by location and band, then by metric, each in their order. Those that come from
    sightings are of radios, not of the link: see ``of_radios``."""
    found: dict[tuple[str, str], dict[str, LocatedEffect]] = {}
    for located in (located for located in effects if not located.radio):
        found.setdefault((located.location, located.band), {})[located.effect.metric] = located
    return found


def of_radios(effects: Iterable[LocatedEffect]) -> list[LocatedEffect]:
    """Those that come from sightings."""
    return [located for located in effects if located.radio]


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
    """A location and band that have both versions. ``told``: the metrics that either tells there, of probes both.
    ``chosen``: a sentence where the laptop was on the band by its own choice, else none. ``linked``: the laptop was on
    the band with both. ``radios``: BSSIDs of the band that were heard with both, copies once; ``own``: those of them
    that the laptop was linked to with both. ``laptop_on``: the bands that it was on, but for those it seldom was."""

    location: str
    band: str
    told: tuple[str, ...]
    chosen: tuple[str, ...]
    imported: bool
    linked: bool = True
    radios: tuple[str, ...] = ()
    own: tuple[str, ...] = ()
    laptop_on: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Asked:
    """An effect that is asked for: all that it depends on, but for the blocks, probes and sightings of both versions at
    the location. ``radio``: the BSSID whose sightings are asked about."""

    a: int
    b: int
    location: str
    band: str
    metric: str
    margin: float
    washout_s: float
    radio_planned: bool
    running: bool  # the trial goes on: one of the two versions is in force on this machine, wherever it stands now
    radio: str = ""


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
    beside: Beside | None = None,
) -> list[LocatedEffect]:
    """Effects of ``b`` against ``a``, by location, band and metric; empty where no location has both. Of several
    metrics, one that few drivers tell is left out where neither version has it.

    ``blocks`` as load_blocks gives them, ``beside`` as load_beside does (None: nothing but samples). A band counts at
    a location where both versions have a linked block in it, or where a radio of it was heard with both: a band that
    one version never used there has nothing else to be compared with. ``settings`` of the versions tell whether another
    channel or router was part of the change; ``in_force`` is the version that this machine's log says is in force now:
    a trial of it goes on, at every location."""
    known = settings or {}
    return [
        located(asked, part, judge(asked, blocks, beside))
        for part in parts_with_both(blocks, a, b, location=location, beside=beside)
        for asked in effects_asked(
            part, a, b, band=band, metrics=metrics, judged=judged, settings=known, in_force=in_force
        )
    ]


def parts_with_both(
    blocks: pd.DataFrame, a: int, b: int, *, location: str | None = None, beside: Beside | None = None
) -> list[Part]:
    """Where the versions can be compared: by location and band. Only the blocks of the two versions matter, and for
    each part only those of its location."""
    from dashboards.analysis.metric_columns import is_told
    from dashboards.radios_heard import measured_in_both, radios_in_both

    blocks = blocks[blocks["version"].isin((a, b))]
    if location is not None:
        blocks = blocks[blocks["location"] == location]
    found = []
    for (place, band), part in blocks.groupby(["location", "band"]):
        if {a, b} <= set(part.loc[part["connected"], "version"]):
            probed = measured_in_both(beside, str(place), str(band), a, b)
            told = tuple(
                name
                for name, metric in all_metrics.METRICS.items()
                if name in probed or (metric.rests_on == "blocks" and is_told(part, metric))
            )
            chosen = _chosen_by_itself(blocks[blocks["location"] == place], str(band), a, b)
            imported = not (part["source_kind"] == "logger").any()
            found.append(Part(str(place), str(band), told, tuple(chosen), imported))
    return radios_in_both(found, blocks, a, b, beside)


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
    """The effects to be judged there, if it is on ``band`` (None: any). A metric named alone is always judged; RSSI of
    a band that the laptop was not on, or seldom, by the radios heard there. Of the radios heard on other bands, those
    that it was linked to itself are left out, unless sightings are asked for alone."""
    if band not in (None, part.band):
        return []
    planned = _radio_planned(settings.get(a, {}), settings.get(b, {}), part.band)
    washout_s = judged.imported_washout_s if part.imported else judged.washout_s
    running = in_force in (a, b) and not part.imported
    alone = metrics[0] if len(metrics) == 1 else ""
    wanted = [
        (metric, "") for metric in metrics if part.linked and metric != "sighting" and metric in (*part.told, alone)
    ]
    hardly_linked = not part.linked or bool(part.chosen)
    if "sighting" in metrics or (alone == "rssi" and hardly_linked):
        every = bool(alone) or hardly_linked
        wanted += [("sighting", radio) for radio in part.radios if every or radio not in part.own]
    return [
        Asked(a, b, part.location, part.band, metric, _margin(metric, judged), washout_s, planned, running, radio)
        for metric, radio in wanted
    ]


def judge(asked: Asked, blocks: pd.DataFrame, beside: Beside | None = None) -> Effect:
    """The effect, from those of ``blocks`` that it may depend on: of both versions, at its location and band; or from
    probes or sightings, as the metric asks."""
    from dashboards.analysis.effect import estimate_effect

    return estimate_effect(
        rows_of_effect(asked, blocks, beside),
        asked.a,
        asked.b,
        asked.metric,
        margin=asked.margin,
        washout_s=asked.washout_s,
        radio_planned=asked.radio_planned,
        running=asked.running,
    )


def rows_of_effect(asked: Asked, blocks: pd.DataFrame, beside: Beside | None = None) -> pd.DataFrame:
    """Those that the effect may depend on. Raises LookupError where it rests on others, and there are none."""
    rests_on = all_metrics.METRICS[asked.metric].rests_on
    if rests_on != "blocks":
        if beside is None:
            raise LookupError(f"{asked.metric} rests on {rests_on}, and none were given")
        blocks = beside.probes if rests_on == "probes" else beside.sightings
    here = (blocks["location"] == asked.location) & (blocks["band"] == asked.band)
    if asked.radio:
        from dashboards.radios_heard import copies_heard

        mine = blocks[here & blocks["version"].isin((asked.a, asked.b))]
        return mine[mine["bssid"].isin(copies_heard(mine, asked.radio))]
    return blocks[here & blocks["version"].isin((asked.a, asked.b))]


def located(asked: Asked, part: Part, effect: Effect) -> LocatedEffect:
    """The effect where it holds. An interval from moments that the laptop picked says nothing about the band; a radio
    is heard whatever the laptop picks."""
    chosen = part.chosen if not asked.radio else ()
    if chosen:
        effect = replace(effect, verdict="undecided", needed=(), warnings=(*chosen, *effect.warnings))
    laptop_on = part.laptop_on if asked.radio else ()
    return LocatedEffect(asked.a, asked.b, asked.location, asked.band, effect, bool(chosen), asked.radio, laptop_on)


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
