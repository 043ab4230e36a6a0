"""Outages: the laptop was awake and logging, and had no link."""

from __future__ import annotations

import numpy as np
import pandas as pd

_GAP_STEPS = 3  # blocks further apart than this many samples' steps are two spells


def outage_spells(blocks: pd.DataFrame) -> pd.DataFrame:
    """One row per spell without a link, by time: source_id, location, band, version, started_at_utc_ms,
    ended_at_utc_ms, lasted_s, n_dropouts.

    Blocks without a link that touch are one spell, whatever period they lie in (it counts where it began).
    A block knows how often the link was lost and for how long in all, not when: a row with ``n_dropouts``
    above 1 is several short spells in one stretch, and ``lasted_s`` is their sum.
    """
    absent = blocks[~blocks["connected"]]
    absent = absent.assign(band=absent["band"].fillna("")).sort_values(["source_id", "band", "first_utc_ms"])
    step_ms = 1000 * absent["covered_s"] / absent["n_samples"]
    pause_ms = absent["first_utc_ms"] - absent["last_utc_ms"].shift()
    other = (absent["source_id"].diff() != 0) | (absent["band"] != absent["band"].shift())
    begins = other | (absent["n_dropouts"] > 0) | (pause_ms > _GAP_STEPS * step_ms)
    spells = (
        absent.assign(ended_at_utc_ms=absent["last_utc_ms"] + step_ms)
        .groupby(begins.cumsum().to_numpy())
        .agg(
            source_id=("source_id", "first"),
            location=("location", "first"),
            band=("band", "first"),
            version=("version", "first"),
            started_at_utc_ms=("first_utc_ms", "first"),
            ended_at_utc_ms=("ended_at_utc_ms", "max"),
            lasted_s=("covered_s", "sum"),
            n_dropouts=("n_dropouts", "sum"),
        )
    )
    spells["n_dropouts"] = np.maximum(spells["n_dropouts"], 1)
    spells["band"] = spells["band"].where(spells["band"] != "")
    return spells.sort_values("started_at_utc_ms", ignore_index=True)
