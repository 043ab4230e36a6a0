"""What a driver made up is taken out of the level; what happened to the link is not."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from dashboards.analysis.artefacts import without_artefacts
from dashboards.analysis.block_series import number_stays
from dashboards.analysis.effect import estimate_effect
from dashboards.analysis.histograms import histogram_of
from tests.bench.verdict.worlds import EPOCH_UTC_MS, cut

STEP_S = 10.0
Spoil = Callable[[np.ndarray, np.random.Generator], np.ndarray]


def link(spoil: Spoil | None = None, *, hours: float = 4, levels_dbm=(-60.0, -57.0), seed: int = 1) -> pd.DataFrame:
    """Whole dB about one level per stay, versions 1 and 2 by turns; ``spoil`` is given all readings."""
    rng = np.random.default_rng(seed)
    n = round(hours * 3600 / STEP_S)
    stay = np.repeat(np.arange(len(levels_dbm)), n)
    rssi = np.round(np.repeat(levels_dbm, n) + 1.5 * rng.standard_normal(len(stay)))
    if spoil is not None:
        rssi = spoil(rssi, rng)
    return cut(STEP_S * np.arange(len(stay)), rssi, stay, 1 + stay % 2, np.zeros_like(stay), EPOCH_UTC_MS)


def one_in_a_hundred(rssi: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return np.where(rng.random(len(rssi)) < 0.01, rssi - 40, rssi)


def spells_of_two_minutes(rssi: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    for begin in range(700, len(rssi), 500):
        rssi[begin : begin + 12] -= 40
    return rssi


def jumps_up(rssi: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return np.where(rng.random(len(rssi)) < 0.01, rssi + 35, rssi)


@pytest.mark.parametrize("spoil", [one_in_a_hundred, spells_of_two_minutes, jumps_up])
def test_blocks_are_left_as_if_the_readings_had_never_been_made(spoil):
    def never_made(rssi: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        spoilt = spoil(rssi.copy(), rng)
        return np.where(spoilt == rssi, rssi, np.nan)

    found, shares = without_artefacts(number_stays(link(spoil)))
    wanted = number_stays(link(never_made))
    assert set(shares) == {1, 2}
    spoilt = wanted["rssi_n"].sum() / found["n_samples"].sum()
    assert shares[1] == pytest.approx(1 - spoilt, rel=0.5)
    assert found["rssi_n"].tolist() == wanted["rssi_n"].tolist()
    assert found["rssi_mean_dbm"].to_numpy() == pytest.approx(wanted["rssi_mean_dbm"].to_numpy(), nan_ok=True)
    assert found["rssi_histogram"].tolist() == wanted["rssi_histogram"].tolist()


def test_readings_between_whole_db_are_off_by_half_a_db_times_their_share_at_most():
    blocks = number_stays(link(one_in_a_hundred))
    between = blocks.assign(rssi_mean_dbm=blocks["rssi_mean_dbm"] + 0.3)  # the same histograms, all 0.3 dB higher
    found, _ = without_artefacts(between)
    exact = without_artefacts(blocks)[0]["rssi_mean_dbm"] + 0.3
    n_out = blocks["rssi_n"] - found["rssi_n"]
    bound = 0.5 * n_out / found["rssi_n"].clip(lower=1)
    assert ((found["rssi_mean_dbm"] - exact).abs() <= bound + 1e-9)[found["rssi_n"] > 0].all()


def lasting_drop(rssi: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    rssi[500:] -= 40
    return rssi


def drop_of_half_an_hour(rssi: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    rssi[500:680] -= 40
    return rssi


def fading(rssi: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Rayleigh: the power is exponential, one reading in three hundred is 25 dB down."""
    return np.round(rssi + 10 * np.log10(rng.exponential(size=len(rssi))))


def a_step_of_twenty(rssi: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return np.where(rng.random(len(rssi)) < 0.01, rssi - 20, rssi)


@pytest.mark.parametrize("happened", [lasting_drop, drop_of_half_an_hour, fading, a_step_of_twenty])
def test_what_happened_to_the_link_stays_in(happened):
    blocks = number_stays(link(happened))
    found, shares = without_artefacts(blocks)
    assert shares == {}
    pd.testing.assert_frame_equal(found, blocks)


def test_a_change_at_the_router_of_forty_db_is_no_artefact():
    _, shares = without_artefacts(number_stays(link(levels_dbm=(-40.0, -80.0, -40.0, -80.0), hours=0.2)))
    assert shares == {}


def test_another_radio_that_is_heard_for_a_moment_is_no_artefact():
    blocks = link(one_in_a_hundred)
    spoilt = blocks[blocks["rssi_histogram"].map(lambda blob: histogram_of(pd.Series([blob]))[0].min() < -85)]
    alone = spoilt.assign(bssid="02:00:00:00:00:99", rssi_mean_dbm=-97.0, rssi_histogram=b"\x9f\x05\x00", rssi_n=5)
    clean = link()
    _, shares = without_artefacts(number_stays(pd.concat([clean, alone], ignore_index=True)))
    assert shares == {}


def test_the_effect_is_that_of_the_link_and_the_reader_is_told():
    def in_version_2(rssi: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        half = len(rssi) // 2
        rssi[half:] = np.where(rng.random(len(rssi) - half) < 0.06, rssi[half:] - 40, rssi[half:])
        return rssi

    effect = estimate_effect(link(in_version_2), 1, 2, "rssi", washout_s=0)
    assert effect.low < 3 < effect.high  # with them it would be 0.6
    [said] = [warning for warning in effect.warnings if "driver" in warning]
    assert said.endswith("of the readings of v2 jumped by 25 dB or more for moments: the driver's doing, and left out.")
    assert float(said.split(" ")[0]) == pytest.approx(6, abs=1.5)


def test_blocks_without_a_link_or_a_level_are_passed_over():
    blocks = number_stays(link(one_in_a_hundred))
    blocks.loc[::7, "connected"] = False
    blocks.loc[::5, ["rssi_n", "rssi_mean_dbm", "rssi_histogram"]] = [0, np.nan, b""]
    found, _ = without_artefacts(blocks)
    untouched = ~blocks["connected"] | (blocks["rssi_n"] == 0)
    pd.testing.assert_frame_equal(found[untouched], blocks[untouched])
    none, shares = without_artefacts(blocks.assign(connected=False))
    assert shares == {}
    assert len(none) == len(blocks)
