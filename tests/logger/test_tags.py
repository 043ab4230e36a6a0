"""Which config version the owner means."""

from __future__ import annotations

import pytest

from logger.errors import TagError
from logger.tags import Version, find_version

VERSIONS = [
    Version(n, label, {}, "") for n, label in enumerate(["as found", "longer antennas", "3", "same", "same"], 1)
]


@pytest.mark.parametrize(("words", "number"), [("v2", 2), ("2", 2), ("V1", 1), ("longer antennas", 2), ("3", 3)])
def test_a_version_is_found_by_number_or_label(words, number):
    assert find_version(VERSIONS, words).number == number


@pytest.mark.parametrize(
    ("words", "hint"),
    [
        ("longer antena", "did you mean 'longer antennas'"),
        ("v9", "there are: v1, v2, v3"),
        ("same", "2 config versions are called 'same'; say v4, v5"),
        ("\u202e", r"\\u202e"),
    ],
)
def test_a_version_that_is_unknown_or_not_the_only_one_is_refused_with_a_hint(words, hint):
    with pytest.raises(TagError, match=hint):
        find_version(VERSIONS, words)


def test_a_log_without_versions_says_so():
    with pytest.raises(TagError, match="none yet"):
        find_version([], "v1")
