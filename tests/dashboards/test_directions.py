"""Which direction changed: by verdict only, with no more false findings than a single metric, and in words."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from dashboards.analysis.directions import directions
from dashboards.analysis.effect_value import Effect
from dashboards.analysis.metrics import METRICS
from dashboards.comparison import LocatedEffect
from dashboards.comparison_words import comparison_text
from dashboards.direction_words import direction_words, located_directions
from dashboards.effect_json import comparison_json

SPREAD = {"rssi": 0.4, "rx-rate": 0.05, "tx-rate": 0.05, "retry-share": 0.1}


def effect(metric: str, estimate: float | None, sd: float | None = None, **others) -> Effect:
    """An interval of 1.96 ``sd`` about ``estimate`` (octaves for ratios), and the verdict that follows from it."""
    how = METRICS[metric]
    sd = SPREAD[metric] if sd is None else sd
    if estimate is None:
        ends, verdict = (None, None, None), "undecided"
    else:
        ends, verdict = (estimate, estimate - 1.96 * sd, estimate + 1.96 * sd), "undecided"
        margin = np.log2(how.default_margin) if how.unit == "ratio" else how.default_margin
        if -margin < ends[1] and ends[2] < margin:
            verdict = "no-difference"
        elif ends[1] > 0 or ends[2] < 0:
            verdict = "better" if (ends[1] > 0) == how.higher_is_better else "worse"
        if how.unit == "ratio":
            ends = tuple(2.0**end for end in ends)
    hours = 0.0 if estimate is None else 9.0
    plain = {"metric": metric, "unit": how.unit, "confidence": 0.95, "verdict": verdict, "margin": how.default_margin}
    names = dict(zip(("estimate", "low", "high"), ends, strict=True))
    placed = {"n_placements_a": 1, "n_placements_b": 1, "hours_a": hours, "hours_b": hours, "scope": "position"}
    return Effect(**(plain | names | placed | {"method": "m", "warnings": ()} | others))


def link(**estimates: float | None) -> dict[str, Effect]:
    """``rssi=6, tx_rate=0.7``: effects by metric; octaves for ratios, None: never recorded."""
    return {
        (metric := name.replace("_", "-")): effect(metric, estimate)
        for name, estimate in ({"rx_rate": None, "retry_share": None} | estimates).items()
    }


def changes(effects: dict[str, Effect]) -> tuple[str, str]:
    found = directions(effects)
    return found.downlink.change, found.uplink.change


def say(effects: dict[str, Effect]) -> str:
    return direction_words(directions(effects), effects)


@pytest.mark.parametrize(
    ("estimates", "found", "words"),
    [
        (
            {"rssi": 6.0, "tx_rate": 0.7},
            ("improved", "improved"),
            "Both directions improved: downlink RSSI +6.0 dB [5.2, 6.8], uplink tx rate × 1.62 [1.52, 1.74]: as a better "
            "antenna does",
        ),
        (
            {"rssi": 6.0, "tx_rate": 0.0},
            ("improved", "unchanged"),
            "Only the downlink improved (RSSI +6.0 dB [5.2, 6.8]; the other direction tx rate × 1.00 [0.93, 1.07]), as more "
            "transmit power at the router does: the laptop is heard no better",
        ),
        (
            {"rssi": 0.0, "tx_rate": -0.7},
            ("unchanged", "worsened"),
            "Only the uplink worsened (tx rate × 0.62 [0.58, 0.66]; the other direction RSSI 0.0 dB [−0.8, +0.8]), as more "
            "disturbance near the router does: the laptop hears it as well as before",
        ),
        (
            {"rssi": 6.0, "tx_rate": None},
            ("improved", "unknown"),
            "The downlink improved: RSSI +6.0 dB [5.2, 6.8]; the uplink cannot be told: no tx rate and no retry share was "
            "recorded",
        ),
        (
            {"rssi": -6.0, "tx_rate": 0.7},
            ("worsened", "improved"),
            "The downlink worsened: RSSI −6.0 dB [−6.8, −5.2]; the uplink improved: tx rate × 1.62 [1.52, 1.74]",
        ),
        (
            {"rssi": 6.0, "rx_rate": -0.7, "tx_rate": 0.08},
            ("mixed", "unknown"),
            "The downlink both gained and lost: RSSI +6.0 dB [5.2, 6.8] and rx rate × 0.62 [0.58, 0.66]; the uplink cannot "
            "be told yet",
        ),
        (
            {"rssi": 0.0, "tx_rate": 0.0},
            ("unchanged", "unchanged"),
            "No difference that matters in either direction: downlink RSSI 0.0 dB [−0.8, +0.8], uplink tx rate × 1.00 "
            "[0.93, 1.07]",
        ),
        ({"rssi": 0.7, "tx_rate": 0.08}, ("unknown", "unknown"), "Neither direction can be told yet"),
        (
            {"rssi": None, "tx_rate": None},
            ("unknown", "unknown"),
            "Neither direction can be told yet: no RSSI and no rx rate and no tx rate and no retry share was recorded",
        ),
    ],
)
def test_what_became_of_both_directions_is_told_in_one_sentence(estimates, found, words):
    effects = link(**estimates)
    assert changes(effects) == found
    assert say(effects) == words


def test_fewer_retries_are_an_uplink_that_improved():
    found = directions(link(rssi=0.0, tx_rate=None, retry_share=-1.0))
    assert (found.uplink.change, found.uplink.told_by) == ("improved", ("retry-share",))


def test_a_direction_is_unchanged_only_where_every_metric_of_it_says_so():
    assert changes(link(rssi=0.0, rx_rate=0.0, tx_rate=0.0)) == ("unchanged", "unchanged")
    assert changes(link(rssi=0.0, rx_rate=0.09, tx_rate=0.0)) == ("unknown", "unchanged")


def test_a_metric_that_is_only_just_better_does_not_speak_for_a_direction_of_two():
    just, clearly = 2.0 * SPREAD["rssi"], 2.3 * SPREAD["rssi"]  # 2.24 is needed
    undecided = 0.09
    assert changes(link(rssi=just, rx_rate=undecided, tx_rate=0.0))[0] == "unknown"
    assert changes(link(rssi=clearly, rx_rate=undecided, tx_rate=0.0))[0] == "improved"
    assert changes(link(rssi=just, rx_rate=None, tx_rate=0.0))[0] == "improved"
    both = directions(link(rssi=just, rx_rate=2.0 * SPREAD["rx-rate"], tx_rate=0.0)).downlink
    assert (both.change, both.told_by) == ("improved", ("rssi", "rx-rate"))


def test_a_running_trial_is_judged_by_the_interval_that_holds_at_every_look():
    rssi = effect("rssi", 0.95, anytime_low=0.02, anytime_high=1.9)
    others = link(rx_rate=0.09, tx_rate=0.0)
    assert changes(others | {"rssi": rssi})[0] == "improved"
    assert changes(others | {"rssi": Effect(**{**vars(rssi), "open": True})})[0] == "unknown"


def test_a_verdict_that_was_withheld_is_not_taken_from_the_interval():
    withheld = effect("rssi", 6.0, verdict="undecided")
    assert changes(link(tx_rate=0.0) | {"rssi": withheld})[0] == "unknown"


@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.95])
def test_a_change_that_does_nothing_improves_a_direction_no_oftener_than_one_metric_is_better(correlation):
    cut = [1.959964, 2.241403]  # normal quantiles of .975 and .9875: Simes with two
    density = multivariate_normal([0, 0], [[1, correlation], [correlation, 1]])
    both = density.cdf([-cut[0]] * 2)
    exact = 2 * 0.0125 - density.cdf([-cut[1]] * 2)  # either one by itself
    exact += both - (2 * density.cdf([-cut[0], -cut[1]]) - density.cdf([-cut[1]] * 2))  # both, and neither by itself
    assert exact <= 0.025 + 1e-6
    rng = np.random.default_rng(1)
    draws = rng.multivariate_normal([0, 0], [[1, correlation], [correlation, 1]], 6000)
    spread = 4.0  # so wide that nothing is within the margin
    improved = sum(
        changes({"rssi": effect("rssi", spread * z, spread), "rx-rate": effect("rx-rate", spread * w, spread)})[0]
        == "improved"
        for z, w in draws
    )
    assert improved / 6000 == pytest.approx(exact, abs=3 * np.sqrt(exact / 6000))


def test_the_answer_for_machines_and_people_has_both_directions_of_each_place():
    effects = [LocatedEffect(1, 2, "bench", "5", one) for one in link(rssi=6.0, tx_rate=0.7).values()]
    [place] = located_directions(effects)
    assert (place.location, place.band) == ("bench", "5")
    assert comparison_json(1, 2, effects)["directions"] == [
        {"location": "bench", "band": "5", "downlink": "improved", "uplink": "improved", "words": place.words}
    ]
    text = comparison_text(1, 2, {1: "as found", 2: "longer antennas"}, effects)
    assert "On 5 GHz at bench: both directions improved: downlink RSSI +6.0 dB" in text


def test_a_metric_that_alone_would_say_so_is_named_where_its_direction_cannot_be_told():
    effects = link(rssi=6.0, tx_rate=0.11, retry_share=0.0)
    assert effects["tx-rate"].verdict == "better"
    assert changes(effects) == ("improved", "unknown")
    assert say(effects).endswith(
        "the uplink cannot be told yet: tx rate alone would say so, but of several metrics more is asked"
    )
