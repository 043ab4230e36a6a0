"""Which radio two versions are compared on, and what was measured on others.

A link that roamed or changed channel by itself is not the same treatment: a channel change alone moves
the level by several dB. So both versions are judged on one radio where they share one. Where they share
none, each stands for the radio that it was on for most of the time, and the difference of the radios is
an effect of the version only if the version brought it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import pandas as pd

LEAST_SHARE_SAID = 0.005  # of a version's time: a smaller share is set apart without a word
LEAST_SHARED_PART = 0.1  # of a version's linked time: on a radio seldomer used it is no fair sample


@dataclass(frozen=True)
class Radio:
    """An access point's radio, as far as it is known."""

    bssid: str | None
    frequency_mhz: int | None

    def __str__(self) -> str:
        where = "unknown channel" if self.frequency_mhz is None else f"{self.frequency_mhz} MHz"
        return where if self.bssid is None else f"{self.bssid} at {where}"


@dataclass(frozen=True)
class OwnRadio:
    """The blocks with a link that were on ``radio``; ``others_share`` of the linked time was not, but on
    ``others``."""

    radio: Radio
    blocks: pd.DataFrame
    others_share: float
    others: frozenset[Radio] = frozenset()

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
    by_radio = {version: _by_radio(arm) for version, arm in arms.items()}
    one, other = by_radio.values()
    shared = [
        (min(_covered_s(one[radio]), _covered_s(other[radio])), str(radio), radio)
        for radio in one.keys() & other.keys()
        if all(
            enough(parts[radio]) and _covered_s(parts[radio]) >= LEAST_SHARED_PART * _total_s(parts)
            for parts in (one, other)
        )
    ]
    if shared and not planned:
        radio = max(shared, key=lambda found: found[:2])[2]
        return {version: _on(radio, parts) for version, parts in by_radio.items()}
    return {
        version: _on(max(parts, key=lambda radio: (_covered_s(parts[radio]), str(radio))), parts) if parts else None
        for version, parts in by_radio.items()
    }


def parted_by_chance(one: OwnRadio, other: OwnRadio) -> bool:
    """Whether the versions' radios differ in a way that the router or the laptop may have chosen.

    Not where each version has access points of its own (another router), nor in recordings that name no
    access point and were wholly on one channel each."""
    if one.radio == other.radio:
        return False
    mixed = other.radio in one.others or one.radio in other.others
    same_access_point = one.radio.bssid is not None and one.radio.bssid == other.radio.bssid
    return mixed or same_access_point


def _by_radio(blocks: pd.DataFrame) -> dict[Radio, pd.DataFrame]:
    linked = blocks[blocks["connected"]]
    named = linked.assign(
        bssid=linked["bssid"].astype(object).where(linked["bssid"].notna(), ""),
        frequency_mhz=linked["frequency_mhz"].astype(float).fillna(0.0),
    )
    keys = named[["bssid", "frequency_mhz"]].drop_duplicates()
    return {
        Radio(bssid or None, int(mhz) or None): linked[(named["bssid"] == bssid) & (named["frequency_mhz"] == mhz)]
        for bssid, mhz in zip(keys["bssid"], keys["frequency_mhz"], strict=True)
    }


def _on(radio: Radio, parts: Mapping[Radio, pd.DataFrame]) -> OwnRadio:
    total_s = _total_s(parts)
    share = 1.0 - _covered_s(parts[radio]) / total_s if total_s > 0 else 0.0
    return OwnRadio(radio, parts[radio], share, frozenset(parts) - {radio})


def _covered_s(blocks: pd.DataFrame) -> float:
    return float(blocks["covered_s"].sum())


def _total_s(parts: Mapping[Radio, pd.DataFrame]) -> float:
    return sum(_covered_s(part) for part in parts.values())
