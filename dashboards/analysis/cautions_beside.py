"""What a reader must know beside an effect that rests on probes or on sightings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from dashboards.analysis.cautions import Arms, Caution, number_of
from dashboards.analysis.heard import WEAK_DBM
from dashboards.analysis.metrics import Metric
from dashboards.analysis.probe_columns import Measured

SILENT_SHARE = 0.1  # of the probes that were begun; fewer are not worth a word
UNLIKE_SILENT = 0.05  # so many more with one version than with the other are
ASIDE_SHARE = 0.25  # of the probes that were due
UNLIKE_ASIDE = 0.1


def about_probes(arms: Arms, measured: Measured, metric: Metric) -> list[Caution]:
    """Of probes measured in another way, of those that came to no number, and of those that stepped aside. ``arms``:
    all probes of each version."""
    if metric.rests_on != "probes":
        return []
    cautions = []
    others = "" if measured.unlike else " and ".join(f"{n} of v{version}" for version, n in measured.others.items())
    if others:
        cautions.append(Caution(f"Only what was measured {measured.words} counts; {others} were not, and are apart."))
    if _notable(measured.silent, SILENT_SHARE, UNLIKE_SILENT):
        text = (
            f"{_said(measured.silent)} failed or came to no number; what these would have shown is not known, and bad "
        )
        cautions.append(Caution(f"{text}moments fail.", "mixed"))
    aside = {v: float((arm["outcome"] == "stepped-aside").mean()) for v, arm in arms.items() if len(arm)}
    if _notable(aside, ASIDE_SHARE, UNLIKE_ASIDE):
        unlike = max(aside.values()) - min(aside.values()) >= UNLIKE_ASIDE
        text = f"{_said(aside)} stepped aside, as they do where somebody uses the link: of those hours nothing is known"
        more = ", and the versions differ in them." if unlike else "."
        cautions.append(Caution(text + more, "mixed" if unlike else "plain"))
    return cautions


def _notable(shares: Mapping[int, float], most: float, unlike: float) -> bool:
    return bool(shares) and (max(shares.values()) >= most or max(shares.values()) - min(shares.values()) >= unlike)


def _said(shares: Mapping[int, float]) -> str:
    said = " and ".join(f"{100 * share:.0f} % of the probes of v{version}" for version, share in shares.items())
    return f"{said[0].upper()}{said[1:]}"


def about_unlike(versions: Sequence[int], metric: Metric) -> list[Caution]:
    """Of two versions that were measured, but never in one way."""
    a, b = versions
    unlike = f"v{a} and v{b} were never measured in one way: another far end, method or number of streams"
    return [Caution(f"Of {metric.words}, {unlike}.", "lacking", unlike)]


def about_few(used: Arms, metric: Metric) -> list[Caution]:
    """Of so few probes or sightings that the interval leans on what is thought of links in general."""
    n = {version: int(arm["n_samples"].sum()) for version, arm in used.items()}
    short = {version: many for version, many in n.items() if metric.least_n <= many < metric.few}
    few = [f"{number_of(many, metric.rests_on)} with v{version}" for version, many in short.items()]
    if metric.rests_on == "blocks" or not few:
        return []
    return [
        Caution(
            f"Only {' and '.join(few)}: how much {metric.rests_on} differ by themselves is hardly known yet, so the "
            "interval leans on how links are in general."
        )
    ]


def about_weak_radio(used: Arms) -> list[Caution]:
    """Of a radio so weak that scans miss its weakest beacons."""
    levels = {v: float((arm["rssi_mean_dbm"] * arm["rssi_n"]).sum() / arm["rssi_n"].sum()) for v, arm in used.items()}
    weak = [f"v{version} at about {level:.0f} dBm" for version, level in levels.items() if level < WEAK_DBM]
    if not weak:
        return []
    return [
        Caution(
            f"Heard {' and '.join(weak)}: of so weak a radio a scan misses the weakest beacons, so its true level is "
            "lower, and a difference larger than it seems.",
            "mixed",
        )
    ]
