"""A BSSID that was heard twice over adds no certainty."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboards.analysis.copies import copies_of, counted_once
from dashboards.analysis.effect import estimate_effect
from dashboards.frames import load_blocks
from logger.console import main
from logger.log import Log
from tests.bench.verdict.worlds import Family, simulate

COPY, THIRD = "02:00:00:00:00:06", "02:00:00:00:00:04"
WORLD = Family((1.5, 1.5))


def with_copy(blocks: pd.DataFrame, bssid: str = COPY, offset_db: float = 0.0) -> pd.DataFrame:
    own = blocks[blocks["connected"] & (blocks["bssid"] != COPY)]
    moved = own.assign(bssid=bssid, link_id=9, rssi_mean_dbm=own["rssi_mean_dbm"] + offset_db)
    return pd.concat([blocks, moved], ignore_index=True)


@settings(max_examples=5, deadline=None)
@given(seed=st.integers(0, 99), n_copies=st.integers(1, 3), metric=st.sampled_from(["rssi", "rssi", "outage"]))
def test_the_same_readings_under_another_bssid_change_nothing(seed, n_copies, metric):
    family = WORLD if metric == "rssi" else Family((30, 30), losses_an_hour=0.2, loss_s=120)
    blocks = simulate(family, 2.0, np.random.default_rng(seed))
    copied = blocks
    for k in range(n_copies):
        own = blocks[blocks["connected"]].assign(bssid=f"02:00:00:00:01:{k:02x}", link_id=9 + k)
        copied = pd.concat([copied, own], ignore_index=True)
    alone, together = (estimate_effect(frame, 1, 2, metric) for frame in (blocks, copied))
    for name in ("estimate", "low", "high", "hours_a", "hours_b"):
        assert getattr(together, name) == pytest.approx(getattr(alone, name)), name
    assert (together.verdict, together.scope) == (alone.verdict, alone.scope)


def test_the_reader_is_told_of_copies_and_not_of_other_radios():
    blocks = with_copy(with_copy(simulate(WORLD, 2.0, np.random.default_rng(1))), THIRD)
    said = " ".join(estimate_effect(blocks, 1, 2, "rssi").warnings)
    assert "3 BSSIDs at 5180 MHz are copies of one measurement: one counts, 02:00:00:00:00:06." in said
    assert "other radios" not in said


def test_another_radio_on_the_channel_is_no_copy():
    rng = np.random.default_rng(2)
    blocks, other = simulate(WORLD, 2.0, rng), simulate(WORLD, 0.0, rng)
    starts = other["started_at_utc_ms"] - other["started_at_utc_ms"].min() + blocks["started_at_utc_ms"].min()
    apart = blocks.assign(bssid=COPY, link_id=9, rssi_mean_dbm=np.resize(other["rssi_mean_dbm"] - 12, len(blocks)))
    assert len(starts) > 0
    assert copies_of(pd.concat([blocks, apart], ignore_index=True)) == []
    assert copies_of(with_copy(blocks, offset_db=-6.0)) == []
    assert copies_of(with_copy(blocks).assign(frequency_mhz=np.arange(2 * len(blocks)) // len(blocks) + 5180)) == []


def test_a_copy_of_a_copy_is_one():
    blocks = simulate(WORLD, 2.0, np.random.default_rng(3))
    mine = str(blocks["bssid"].iloc[0])
    assert copies_of(with_copy(with_copy(blocks), THIRD)) == [frozenset((bssid, 5180) for bssid in (mine, COPY, THIRD))]


def test_two_access_points_that_a_laptop_went_to_and_fro_between_are_no_copies():
    blocks = simulate(WORLD, 2.0, np.random.default_rng(4))
    blocks.loc[::2, "bssid"] = COPY
    assert copies_of(blocks) == []


def test_time_that_is_shared_out_or_counted_twice_is_counted_once():
    blocks = simulate(WORLD, 2.0, np.random.default_rng(5))
    assert counted_once(with_copy(blocks))["covered_s"].sum() == pytest.approx(blocks["covered_s"].sum())
    pd.testing.assert_frame_equal(counted_once(blocks), blocks)


@pytest.mark.parametrize("apart_ms", [0, 300])
def test_an_imported_recording_of_three_bssids_has_the_hours_of_one(tmp_path, capsys, apart_ms):
    rng = np.random.default_rng(6)
    hours, effects = {}, {}
    for n_bssids in (1, 3):
        lines = ["time,location,placement,version,bssid,frequency_mhz,rssi_dbm"]
        for i, noise in enumerate(rng.normal(0, 1.5, (2 * 720, n_bssids)) if n_bssids == 3 else np.zeros((2 * 720, 1))):
            for k in range(n_bssids):
                at_s = 1_772_442_000 + 5 * i + k * apart_ms / 1000
                level = -66 + 6 * (i >= 720) + round(noise[k])
                lines.append(f"{at_s:.3f},bench,1,v{1 + (i >= 720)},02:00:00:00:00:0{k},5180,{level}")
        (tmp_path / "heard.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        db = tmp_path / f"{n_bssids}.db"
        assert main(["import", str(tmp_path / "heard.csv"), "--db", str(db)]) == 0
        with Log.open(db) as log:
            effects[n_bssids] = estimate_effect(load_blocks(log), 1, 2, "rssi")
        hours[n_bssids] = (effects[n_bssids].hours_a, effects[n_bssids].hours_b)
    capsys.readouterr()
    assert hours[3] == pytest.approx(hours[1], rel=0.01)
    assert effects[3].low < 6 < effects[3].high
