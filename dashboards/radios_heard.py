"""Which radios were heard with two versions, and which of them are one radio.

An access point sends several BSSIDs from one radio, for guests and devices; heard in the same looks at one level they
are copies of one measurement (dashboards/analysis/copies.py), and count once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from dashboards.analysis.copies import copies_of
from dashboards.analysis.metrics import METRICS
from dashboards.analysis.probe_columns import is_measured

if TYPE_CHECKING:
    import pandas as pd

    from dashboards.beside_frames import Beside
    from dashboards.comparison import Part

TOLD_BY_SCANS = "Scans heard its radios whatever the laptop was on: RSSI from scans is judged apart."


def measured_in_both(beside: Beside | None, location: str, band: str, a: int, b: int) -> set[str]:
    """The metrics that probes of both versions tell there."""
    if beside is None:
        return set()
    probes = beside.probes
    here = probes[(probes["location"] == location) & (probes["band"] == band)]
    arms = [here[here["version"] == version] for version in (a, b)]
    probed = [name for name, metric in METRICS.items() if metric.rests_on == "probes"]
    return {name for name in probed if all(len(arm) and is_measured(arm, METRICS[name]) for arm in arms)}


def radios_in_both(parts: Sequence[Part], blocks: pd.DataFrame, a: int, b: int, beside: Beside | None) -> list[Part]:
    """The parts with the radios that were heard with both versions, and further ones for bands that the laptop was not
    on itself. ``blocks``: of the two versions and the locations that are asked about."""
    from dashboards.comparison import MINOR_SHARE, Part

    if beside is None or beside.sightings.empty:
        return list(parts)
    linked = blocks[blocks["connected"] & blocks["band"].notna()]
    heard = beside.sightings
    heard = heard[heard["version"].isin((a, b)) & heard["location"].isin(blocks["location"].unique())]
    found = {(part.location, part.band): part for part in parts}
    seldom = {where for where, part in found.items() if part.chosen}
    for (place, band), here in heard.groupby(["location", "band"]):
        radios = one_of_each(here, [bssid for bssid in _in_both(here, a, b) if isinstance(bssid, str)])
        if not radios:
            continue
        there = linked[linked["location"] == place]
        own = _in_both(there[there["band"] == band], a, b)
        where = (str(place), str(band))
        on_s = there.groupby("band")["covered_s"].sum()
        often = {str(on) for on in on_s.index[on_s >= MINOR_SHARE * on_s.sum()] if (where[0], str(on)) not in seldom}
        known = found.get(where) or Part(*where, told=(), chosen=(), imported=False, linked=False)
        found[where] = replace(
            known,
            radios=tuple(radios),
            own=tuple(radio for radio in radios if own & copies_heard(here, radio)),
            chosen=tuple(f"{why} {TOLD_BY_SCANS}" for why in known.chosen),
            laptop_on=tuple(sorted(often)),
        )
    return sorted(found.values(), key=lambda part: (part.location, part.band))


def _in_both(rows: pd.DataFrame, a: int, b: int) -> set[str]:
    of_a, of_b = (set(rows.loc[rows["version"] == version, "bssid"].dropna()) for version in (a, b))
    return of_a & of_b


def one_of_each(heard: pd.DataFrame, radios: Iterable[str]) -> list[str]:
    """Of the BSSIDs that are copies of one another the first, by name."""
    chosen: list[str] = []
    known: set[str] = set()
    for radio in sorted(radios):
        if radio not in known:
            chosen.append(radio)
            known |= copies_heard(heard, radio)
    return chosen


def copies_heard(heard: pd.DataFrame, radio: str) -> set[str]:
    """The BSSIDs that are one radio with ``radio``, itself included."""
    found = {radio}
    for group in copies_of(heard):
        if radio in {bssid for bssid, _ in group}:
            found |= {bssid for bssid, _ in group}
    return found
