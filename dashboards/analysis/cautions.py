"""What a reader must know beside an effect, as short sentences."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from dashboards.analysis.artefacts import FAR_DB
from dashboards.analysis.durations import hours
from dashboards.analysis.heard import Heard, flat_hours, heard
from dashboards.analysis.level_model import PLACEMENT_SD
from dashboards.analysis.metric_columns import LEAST_EXPECTED
from dashboards.analysis.metrics import Metric
from dashboards.analysis.radio import OwnRadio, parted_by_chance

STALE_SHARE = 0.1  # of the samples with a link; less is not worth a word
FLAT_SHARE = 0.1  # of the time; less is not worth a word
UNLIKE_SHARES = 0.1  # of the time: heard so much seldomer, a version looks better than it is
LEAST_OUTAGE_SAID_S = 30.0  # less rounds to no minute

Arms = Mapping[int, pd.DataFrame]  # the blocks used, by version
Kind = Literal["plain", "mixed", "lacking"]


@dataclass(frozen=True, slots=True)
class Caution:
    """``kind``: "mixed" where it says that the data themselves are mixed, cut short or made up, so that it belongs
    beside the number; "lacking" where it says why there is no interval. ``unnamed``: the latter without the metric's
    name, for several of which the same is said."""

    text: str
    kind: Kind = "plain"
    unnamed: str = ""


def _mixed(text: str) -> Caution:
    return Caution(text, "mixed")


def hours_of(arm: pd.DataFrame) -> float:
    """The time that the blocks' samples stand for."""
    return float(arm["covered_s"].sum()) / 3600.0


def enough(arm: pd.DataFrame, metric: Metric) -> bool:
    """Whether one version's blocks allow an interval."""
    n = len(arm) if metric.rests_on == "blocks" else int(arm["n_samples"].sum())
    return float(arm["covered_s"].sum()) >= metric.least_covered_s and min(n, 2 * len(arm)) >= metric.least_n


def number_of(n: int, things: str) -> str:
    """ "1 probe", "21 probes"."""
    return f"{n} {things.removesuffix('s') if n == 1 else things}"


def what_is_lacking(arms: Arms, recorded: Arms, metric: Metric) -> list[Caution]:
    """What is too little for an interval; ``recorded`` has the washout too. Of outages and drop-outs the same words."""
    words = metric.words if metric.name else "outage"
    said = []
    never = " or ".join(f"v{version}" for version, arm in recorded.items() if arm.empty)
    if never:
        said.append(Caution(f"No {words} was recorded with {never}.", "lacking", f"nothing was recorded with {never}"))
    short = {v: arm for v, arm in arms.items() if not recorded[v].empty and not enough(arm, metric)}
    if short and metric.rests_on != "blocks":
        counts = {v: number_of(int(arm["n_samples"].sum()), metric.rests_on) for v, arm in short.items()}
        had = " and ".join(f"v{v} has {n}" for v, n in counts.items())
        reason = f"{had} after the washout; an interval needs at least {metric.least_n} of each version"
        return [*said, Caution(f"Of {words}, {reason}.", "lacking", reason)]
    few = [f"v{version}" for version, arm in short.items() if metric.name == "retry" and len(arm) < metric.least_n]
    brief = [f"v{v} has {hours(hours_of(arm))}" for v, arm in short.items() if f"v{v}" not in few]
    reasons = []
    if few:
        needed = f"{metric.least_n * LEAST_EXPECTED:.0f} of each version"
        reasons.append(f"{' and '.join(few)} has too few frames sent again: an interval needs about {needed}")
    if brief:
        least = f"{hours(metric.least_covered_s / 3600)} of each version"
        reasons.append(f"{' and '.join(brief)} after the washout; an interval needs at least {least}")
    return said + [Caution(f"Of {words}, {reason}.", "lacking", reason) for reason in reasons]


def about_own_outages(apart_s: Mapping[int, float]) -> list[Caution]:
    """Of outages set apart, in seconds by version."""
    said = [f"{s / 60:.0f} min under v{version}" for version, s in apart_s.items() if s >= LEAST_OUTAGE_SAID_S]
    if not said:
        return []
    return [
        Caution(
            f"Right at a change or a move the link was gone for {' and '.join(said)}: that is set apart, for a router "
            "that is worked on is no outage of it."
        )
    ]


def about_placements(arms: Arms, metric: Metric) -> list[Caution]:
    a, b = arms
    if _share_a_placement(arms):
        return []
    apart = f"v{a} and v{b} were never measured at the same placement: moving the laptop alone"
    if not metric.mean or metric.name == "loss":
        return [Caution(f"{apart} may change {metric.words}, too, and by how much is not known.")]
    return [Caution(f"{apart} changes {_moved(metric)}, and the interval allows for that.")]


def _moved(metric: Metric) -> str:
    """What setting the laptop down anew does, as the model has it: a dB of level is worth so much of the metric."""
    moved = PLACEMENT_SD * metric.per_db
    if metric.unit == "ratio":
        return f"the {metric.words} by a factor of about {2**moved:.1f}"
    if metric.unit == "points":
        return f"the {metric.words} by about {moved:.0f} percentage points"
    return f"the {'level' if metric.name == 'rssi' else metric.words} by about {moved:g} dB"


def _share_a_placement(arms: Arms) -> bool:
    one, other = (set(arm["placement_id"]) for arm in arms.values())
    return bool(one & other)


def about_radios(radios: Mapping[int, OwnRadio | None], *, planned: bool) -> list[Caution]:
    """Of blocks set apart, and of versions on different channels or access points, which a change may have
    brought with it (``planned``) or not."""
    a, b = radios
    cautions = [
        _mixed(
            f"{100 * own.others_share:.1f} % of the linked time of v{version} was on other radios than {own.radio} "
            "and is set apart."
        )
        for version, own in radios.items()
        if own is not None and own.notable
    ]
    cautions += _about_copies([own for own in radios.values() if own is not None])
    known = [own for own in radios.values() if own is not None]
    if len(known) < 2:
        return cautions
    one, other = (own.radio for own in known)
    if not planned and parted_by_chance(*known):
        cautions.append(
            _mixed(
                f"Whether the change did it cannot be told: v{a} was on {one} and v{b} on {other}, and the router or "
                "the laptop may have chosen that by itself. Measuring both on one channel would tell; if the channel "
                "was part of the change, say so in the settings of the versions."
            )
        )
    elif one.frequency_mhz and other.frequency_mhz and one.frequency_mhz != other.frequency_mhz:
        cautions.append(
            _mixed(
                f"The versions were on different channels ({one.frequency_mhz} and {other.frequency_mhz} MHz): that "
                "alone moves the level by 2.7 dB at the median, either way."
            )
        )
    if one.bssid and other.bssid and one.bssid != other.bssid:
        cautions.append(_mixed(f"The versions were on different radios: {one.bssid} and {other.bssid}."))
    return cautions


def _about_copies(known: list[OwnRadio]) -> list[Caution]:
    most = max(known, key=lambda own: len(own.copies), default=None)
    if most is None or not most.copies:
        return []
    return [
        _mixed(
            f"{len(most.copies) + 1} BSSIDs at {most.radio.frequency_mhz} MHz are copies of one measurement: one "
            f"counts, {most.radio.bssid}."
        )
    ]


def about_artefacts(shares: Mapping[int, float]) -> list[Caution]:
    """Of readings that the driver made up, their share by version."""
    said = " and ".join(f"{_said_share(share)} of the readings of v{version}" for version, share in shares.items())
    if not said:
        return []
    capital = f"{said[0].upper()}{said[1:]}"
    return [_mixed(f"{capital} jumped by {FAR_DB} dB or more for moments: the driver's doing, and left out.")]


def about_stale_rates(arms: Arms, metric: Metric) -> list[Caution]:
    """Of rates that the driver told again though no frame had refreshed them; of each version all blocks."""
    stale = f"{metric.name}_stale_n"
    if metric.name not in ("tx_rate", "rx_rate"):
        return []
    shares = {v: stale_share(arm, metric.name) for v, arm in arms.items() if stale in arm}
    said = [
        f"{100 * share:.0f} % of the samples of v{version}" for version, share in shares.items() if share >= STALE_SHARE
    ]
    if not said:
        return []
    return [Caution(f"For {' and '.join(said)} no frame had refreshed the {metric.words}: these do not count.")]


def stale_share(blocks: pd.DataFrame, name: str) -> float:
    """Of the samples in which the rate ``name`` was told, that in which no frame had refreshed it; NaN of none."""
    stale, fresh = float(blocks[f"{name}_stale_n"].sum()), float(blocks[f"{name}_n"].sum())
    return stale / (stale + fresh) if stale + fresh else float("nan")


def about_time(arms: Arms, metric: Metric) -> list[Caution]:
    """Of single changes, and of records too short to know what the time of day does."""
    cautions = []
    spans = {version: hours_of(arm) for version, arm in arms.items()}
    short = {version: h for version, h in spans.items() if h < 24}
    of_probes = metric.rests_on == "probes"

    def seen(version: int) -> str:
        if of_probes:
            return f"by only {number_of(int(arms[version]['n_samples'].sum()), metric.rests_on)}"
        return f"for only {hours(short[version])}"

    said = " and ".join(f"v{version} {seen(version)}" for version in short)
    order = versions_in_order(arms)
    if len(order) == 2:
        if short:
            a_day = "a day’s worth" if of_probes else "a day"
            cautions.append(Caution(f"Measured: {said}, less than {a_day}, so what the time of day does is not known."))
        cautions.append(
            Caution(
                f"One change only, so it may be coincidence: going back to v{order[0]} and again to v{order[1]} would "
                "tell; waiting alone seldom does."
            )
        )
    elif min(spans.values()) < 1:
        cautions.append(Caution(f"Measured: {said}."))
    return cautions


def about_level(radios: Mapping[int, OwnRadio | None], arms: Arms, quantum_db: float) -> list[Caution]:
    """Of a level that stood still, and of weak links that are heard only when they are strong. ``arms``: all blocks of
    each version, those without a link included."""
    known = {version: own for version, own in radios.items() if own is not None}
    return [*_about_flat(known, quantum_db), *_about_weak({v: heard(own, arms[v]) for v, own in known.items()})]


def _about_flat(radios: Mapping[int, OwnRadio], quantum_db: float) -> list[Caution]:
    flat = {version: flat_hours(own.blocks) for version, own in radios.items()}
    whole = {version: hours_of(own.blocks) for version, own in radios.items()}
    said = [f"{hours(h)} of v{version}" for version, h in flat.items() if h > 0 and h >= FLAT_SHARE * whole[version]]
    if not said:
        return []
    return [
        _mixed(
            f"For {' and '.join(said)} the level never left one step of {quantum_db:g} dB: how steady it is in truth "
            "is not known."
        )
    ]


def _about_weak(found: Mapping[int, Heard]) -> list[Caution]:
    if not any(one.only_when_strong for one in found.values()):
        return []
    said = ", and ".join(
        f"v{version}{' was heard' if k == 0 else ''} for {100 * one.share:.0f} % of the time, at about "
        f"{one.level_dbm:.0f} dBm" + ("" if one.cut_at_dbm is None else f" and never under {one.cut_at_dbm:.0f}")
        for k, (version, one) in enumerate(found.items())
    )
    return [_mixed(f"{said}: so weak a link is heard only when it is strong, its true level is lower{_bias(found)}.")]


def _bias(found: Mapping[int, Heard]) -> str:
    """What that does to the difference, where one version was heard much seldomer: it is taken for too strong."""
    (less, seldom), *_, (_, often) = sorted(found.items(), key=lambda one: one[1].share)
    if often.share - seldom.share < UNLIKE_SHARES:
        return ""
    if seldom.level_dbm < often.level_dbm:
        return ", and the difference is larger than it seems"
    return f", most of all that of v{less}"


def versions_in_order(arms: Arms) -> list[int]:
    """The versions as they followed each other, without repeats: [1, 2] for AB, [1, 2, 1] for ABA."""
    together = pd.concat([arm[["started_at_utc_ms", "version"]] for arm in arms.values()])
    version = together.sort_values("started_at_utc_ms", kind="stable")["version"].to_numpy()
    return [int(v) for v in version[np.append(True, version[1:] != version[:-1])]] if len(version) else []


def _said_share(share: float) -> str:
    return f"{100 * share:.1f} %" if share >= 0.0005 else "less than 0.1 %"
