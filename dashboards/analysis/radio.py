"""Which radio a version was measured on, and what was measured on others.

A link that roamed or changed channel by itself is not the same treatment: a channel change alone moves
the level by several dB. So each version stands for the radio that it was on for most of the time.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

LEAST_SHARE_SAID = 0.005  # of a version's time: a smaller share is set apart without a word


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
    """The blocks with a link that were on ``radio``; ``others_share`` of the linked time was not."""

    radio: Radio
    blocks: pd.DataFrame
    others_share: float

    @property
    def notable(self) -> bool:
        return self.others_share >= LEAST_SHARE_SAID


def choose_radio(blocks: pd.DataFrame) -> OwnRadio | None:
    """Of the blocks of one version and band; None where there never was a link."""
    linked = blocks[blocks["connected"]]
    if linked.empty:
        return None
    bssid = linked["bssid"].astype(object).where(linked["bssid"].notna(), "")
    frequency = linked["frequency_mhz"].astype(float).fillna(0.0)
    covered_s = linked["covered_s"].groupby([bssid, frequency]).sum()
    covered_s = covered_s.sort_index()
    own_bssid, own_frequency = covered_s.index.to_list()[int(covered_s.to_numpy().argmax())]
    own = (bssid == own_bssid) & (frequency == own_frequency)
    total_s = float(covered_s.sum())
    share = 1.0 - float(covered_s.max()) / total_s if total_s > 0 else 0.0
    return OwnRadio(Radio(own_bssid or None, int(own_frequency) or None), linked[own], share)
