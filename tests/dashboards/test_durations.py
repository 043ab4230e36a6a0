"""How long something was logged, in words."""

from __future__ import annotations

import pytest

from dashboards.analysis.durations import hours
from dashboards.sentences import logged


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (0.0, "0 min"), (0.01, "< 1 min"), (1 / 60, "1 min"), (0.5, "30 min"), (0.98, "59 min"), (0.999, "1 h"),
        (2.0, "2 h"), (4.83, "4.8 h"), (9.96, "10 h"), (30.4, "30 h"), (1234.5, "1,234 h"),
    ],
)  # fmt: skip
def test_hours_are_said_as_precisely_as_anybody_needs_them(value, words):
    assert hours(value) == words


@pytest.mark.parametrize(
    ("spans", "words"),
    [
        ({1: 3.0, 2: 0.2}, "after 3 h of v1 and 12 min of v2"),
        ({1: 0.0, 2: 3.0}, "after 3 h of v2, nothing yet of v1"),
        ({1: 0.0, 2: 0.0}, "nothing yet of v1 and v2"),
    ],
)
def test_of_a_version_without_a_minute_there_is_nothing_yet(spans, words):
    assert logged(spans) == words
