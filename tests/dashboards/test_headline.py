"""The one word for all metrics: no false finding more often than one metric alone has, however many are judged."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from scipy.stats import norm

from dashboards.analysis.directions import chance
from dashboards.analysis.effect_value import Effect
from dashboards.analysis.headline import headline
from dashboards.analysis.metrics import METRICS
from tests.dashboards.test_directions import effect

SPREAD = 50.0  # so wide that nothing lies within a margin
FINDINGS = ("rssi", "tx-rate", "outage", "drop-outs", "noise")  # one metric for each


def link(**spreads: float) -> dict[str, Effect]:
    """Effects so many standard deviations off "no difference", on the side that is better where above zero."""
    return {name.replace("_", "-"): _off(name.replace("_", "-"), z) for name, z in spreads.items()}


def _off(metric: str, z: float) -> Effect:
    return effect(metric, SPREAD * (z if METRICS[metric].higher_is_better else -z), SPREAD)


@pytest.mark.parametrize("z", [0.0, 0.4, 1.9, 2.2, 3.5, -2.7])
@pytest.mark.parametrize("metric", ["rssi", "tx-rate", "outage"])
def test_the_chance_is_the_tail_of_a_normal_distribution(metric, z):
    tail = norm.sf(abs(z) * norm.isf(0.025) / 1.96)  # an interval of 95 %, with ends at 1.96
    assert chance(_off(metric, z)) == pytest.approx(tail, rel=1e-6)


def test_rules_of_holm_are_those_of_the_closed_test():
    """A finding counts where Bonferroni's test of every set that it is in finds something (Marcus, Peritz & Gabriel,
    Biometrika 63 (1976) 655): all 31 sets of five."""
    rng = np.random.default_rng(5)
    sets = [those for n in range(1, 6) for those in combinations(range(5), n)]
    for z in rng.normal(0, 2, (300, 5)):
        p = 2 * norm.sf(np.abs(z) * norm.isf(0.025) / 1.96)
        counts = [
            name
            for k, name in enumerate(FINDINGS)
            if all(min(p[i] for i in those) <= 0.05 / len(those) for those in sets if k in those)
        ]
        said = headline({name: _off(name, value) for name, value in zip(FINDINGS, z, strict=True)})
        assert list(said.decided_by) == counts
        better = {z[FINDINGS.index(name)] > 0 for name in counts}
        words = {frozenset(): "undecided", frozenset({True}): "better", frozenset({False}): "worse"}
        assert said.word == words.get(frozenset(better), "mixed")


def test_a_change_that_does_nothing_is_called_better_or_worse_at_most_five_times_in_a_hundred():
    n = 4000
    draws = np.random.default_rng(11).normal(size=(n, len(METRICS)))
    judged = [headline({name: _off(name, z) for name, z in zip(METRICS, row, strict=True)}) for row in draws]
    called = sum(one.word in ("better", "worse", "mixed") for one in judged)
    any_metric = sum(bool(one.decided_by or one.by_itself) for one in judged)
    noise = 3 * np.sqrt(0.05 * 0.95 / n)
    assert 0.05 - 0.01 - noise < called / n < 0.05 + noise  # independent findings use nearly all of it
    assert any_metric / n > 0.25  # what one metric alone would say


def test_where_one_metric_did_change_the_others_are_blamed_no_oftener():
    n = 3000
    draws = np.random.default_rng(12).normal(size=(n, len(METRICS)))
    draws[:, 0] += 9.0
    judged = [headline({name: _off(name, z) for name, z in zip(METRICS, row, strict=True)}) for row in draws]
    assert all("rssi" in one.decided_by for one in judged)
    others_findings = sum(bool({*one.decided_by} - {"rssi", "rx-rate"}) for one in judged)
    assert others_findings / n < 0.05 + 3 * np.sqrt(0.05 * 0.95 / n)


def test_metrics_that_are_better_by_themselves_are_named_but_decide_nothing():
    said = headline(link(rssi=0.1, rx_rate=2.1, tx_rate=0.2, outage=0.3))
    assert (said.word, said.decided_by, said.by_itself, said.n_findings) == ("undecided", (), ("rx-rate",), 3)
    assert said.ways.downlink.change == "unknown"


def test_a_direction_that_holds_alone_does_not_count_among_the_others():
    said = headline(link(rssi=2.1, tx_rate=4.0, outage=0.0, noise=0.5))
    assert (said.word, said.decided_by, said.by_itself) == ("better", ("tx-rate",), ("rssi",))
    assert (said.ways.downlink.change, said.ways.uplink.change) == ("unknown", "improved")


def test_no_difference_is_said_by_rssi_unless_something_else_moved():
    alike = effect("rssi", 0.0, 0.2)
    assert alike.verdict == "no-difference"
    assert headline({"rssi": alike} | link(tx_rate=0.5)).word == "no-difference"
    moved = headline({"rssi": alike} | link(tx_rate=2.1, outage=0.0))
    assert (moved.word, moved.by_itself) == ("undecided", ("tx-rate",))


def test_a_verdict_that_was_withheld_does_not_count_and_of_nothing_nothing_is_said():
    withheld = effect("rssi", 9.0, 1.0, verdict="undecided")
    assert headline({"rssi": withheld}).word == "undecided"
    assert headline({"rssi": effect("rssi", None)}).word == headline({}).word == "undecided"
