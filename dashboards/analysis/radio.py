"""Which radio two versions are compared on, and what was measured on others.

A link that roamed or changed channel by itself is not the same treatment: a channel change alone moves
the level by several dB. So both versions are judged on one radio where they share one. Where they share
none, each stands for the radio that it was on for most of the time, and the difference of the radios is
an effect of the version only if the version brought it. Of several BSSIDs that one radio sends, one counts.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import pandas as pd

from dashboards.analysis.copies import copies_of, time_of_all

LEAST_SHARE_SAID = 0.005  # of a version's time: a smaller share is set apart without a word
LEAST_SHARED_PART = 0.1  # of a version's linked time: on a radio seldomer used it is no fair sample


@dataclass(frozen=True)
class Radio:
    """An access point's radio, as far as it is known."""

    bssid: str | None
    frequency_mhz: int | None

    def of(self, blocks: pd.DataFrame) -> pd.Series:
        """Which blocks were measured on it."""
        same: pd.Series = blocks["bssid"].isna() if self.bssid is None else blocks["bssid"] == self.bssid
        mhz = blocks["frequency_mhz"]
        return same & (mhz.isna() if self.frequency_mhz is None else mhz == self.frequency_mhz)

    def __str__(self) -> str:
        where = "unknown channel" if self.frequency_mhz is None else f"{self.frequency_mhz} MHz"
        return where if self.bssid is None else f"{self.bssid} at {where}"


@dataclass(frozen=True)
class OwnRadio:
    """The blocks with a link that were on ``radio``; ``others_share`` of the linked time was not, but on
    ``others``. ``copies`` are the other BSSIDs under which the same measurement was made."""

    radio: Radio
    blocks: pd.DataFrame
    others_share: float
    others: frozenset[Radio] = frozenset()
    copies: frozenset[Radio] = frozenset()

    @property
    def notable(self) -> bool:
        return self.others_share >= LEAST_SHARE_SAID


def choose_radios(
    arms: Mapping[int, pd.DataFrame], enough: Callable[[pd.DataFrame], bool], *, planned: bool = False
) -> dict[int, OwnRadio | None]:
    """For the blocks of each version, of one band; None where there never was a link.

    The radio on which both versions have ``enough`` and a fair share, and the lesser of their covered
    times is longest. Where there is none, or the version brought another radio with it (``planned``), each
    version's own."""
    copies = _copies(arms)
    by_radio = {version: _by_radio(arm, copies) for version, arm in arms.items()}
    one, other = by_radio.values()
    shared = [
        (round(min(_covered_s(one[radio]), _covered_s(other[radio]))), str(radio), radio)
        for radio in one.keys() & other.keys()
        if all(
            enough(parts[radio]) and _covered_s(parts[radio]) >= LEAST_SHARED_PART * _total_s(parts, copies)
            for parts in (one, other)
        )
    ]
    if shared and not planned:
        radio = max(shared, key=lambda found: found[:2])[2]
        return {version: _on(radio, parts, copies) for version, parts in by_radio.items()}
    return {version: _on(_longest(parts), parts, copies) if parts else None for version, parts in by_radio.items()}


def parted_by_chance(one: OwnRadio, other: OwnRadio) -> bool:
    """Whether the versions' radios differ in a way that the router or the laptop may have chosen.

    Not where each version has access points of its own (another router), nor in recordings that name no
    access point and were wholly on one channel each."""
    if one.radio == other.radio:
        return False
    mixed = other.radio in one.others or one.radio in other.others
    same_access_point = one.radio.bssid is not None and one.radio.bssid == other.radio.bssid
    return mixed or same_access_point


Copies = Mapping[Radio, frozenset[Radio]]  # the other BSSIDs of a radio, of radios that have any
Parts = Mapping[Radio, pd.DataFrame]


def _copies(arms: Mapping[int, pd.DataFrame]) -> Copies:
    found = [{Radio(*radio) for radio in radios} for radios in copies_of(pd.concat(list(arms.values())))]
    return {radio: frozenset(radios - {radio}) for radios in found for radio in radios}


def _by_radio(blocks: pd.DataFrame, copies: Copies) -> dict[Radio, pd.DataFrame]:
    linked = blocks[blocks["connected"]]
    named = linked.assign(
        bssid=linked["bssid"].astype(object).where(linked["bssid"].notna(), ""),
        frequency_mhz=linked["frequency_mhz"].astype(float).fillna(0.0),
    )
    keys = named[["bssid", "frequency_mhz"]].drop_duplicates()
    parts = {
        Radio(bssid or None, int(mhz) or None): linked[(named["bssid"] == bssid) & (named["frequency_mhz"] == mhz)]
        for bssid, mhz in zip(keys["bssid"], keys["frequency_mhz"], strict=True)
    }
    return {
        radio: time_of_all(own, pd.concat([parts[one] for one in (radio, *copies[radio]) if one in parts]))
        if radio in copies
        else own
        for radio, own in parts.items()
    }


def _longest(parts: Parts) -> Radio:
    return max(parts, key=lambda radio: (round(_covered_s(parts[radio])), str(radio)))


def _on(radio: Radio, parts: Parts, copies: Copies) -> OwnRadio:
    total_s = _total_s(parts, copies)
    share = 1.0 - _covered_s(parts[radio]) / total_s if total_s > 0 else 0.0
    own_copies = copies.get(radio, frozenset()) & parts.keys()
    return OwnRadio(radio, parts[radio], share, frozenset(parts) - {radio} - own_copies, own_copies)


def _covered_s(blocks: pd.DataFrame) -> float:
    return float(blocks["covered_s"].sum())


def _total_s(parts: Parts, copies: Copies) -> float:
    """Of copies, the longest."""
    total_s, left = 0.0, dict(parts)
    while left:
        radio = _longest(left)
        total_s += _covered_s(left[radio])
        left = {other: part for other, part in left.items() if other != radio and other not in copies.get(radio, ())}
    return total_s
