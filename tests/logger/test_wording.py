"""Events in words: every kind that the log takes has some, harmless and on one line."""

from __future__ import annotations

import json
import re
from importlib.resources import files

import pytest

from logger.printable import printable
from logger.wording import event_words, shown_detail

KINDS = re.findall(
    r"'([a-z-]+)'",
    re.search(r"kind IN \((.*?)\)\)", files("logger").joinpath("schema_3.sql").read_text("utf-8"), re.S).group(1),
)


def test_the_kinds_were_found():
    assert {"connected", "radio-off", "logger-lost", "time-zone-changed", "merged"} <= set(KINDS)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_event_has_words_of_its_own(kind):
    words = event_words(kind, {})
    assert words == printable(words)
    assert kind in ("connected", "disconnected", "roamed", "imported", "merged") or words != kind


@pytest.mark.parametrize(
    ("kind", "detail", "words"),
    [
        (
            "radio-off",
            {"by": "blocked by software"},
            "the radio was switched off: airplane mode or a block by software",
        ),
        ("radio-off", {"by": "blocked by a switch"}, "the radio was switched off: a switch or key"),
        ("radio-off", {"by": "interface down"}, "the radio was switched off: its interface was set down"),
        ("radio-on", {}, "the radio is on again"),
        ("logger-lost", {"reason": "rebooted"}, "logging had ended without a word: the machine was restarted"),
        ("logger-lost", {"reason": "ended without a word"}, "logging had ended without a word"),
        (
            "time-zone-changed",
            {"from": "Europe/Paris", "to": "Europe/Lisbon"},
            "the local time zone is Europe/Lisbon now, it was Europe/Paris",
        ),
        ("clock-set", {"step_s": -3600.0, "from_utc_ms": 2, "to_utc_ms": 1}, "the wall clock was set back by 1 h"),
    ],
)
def test_what_an_event_says(kind, detail, words):
    assert event_words(kind, detail) == words


def test_which_boot_it_was_is_kept_to_compare_and_never_shown():
    assert shown_detail(json.dumps({"version": "1", "boot": "id 3f0a"})) == {"version": "1"}
    assert "3f0a" not in event_words("logger-started", {"interval_s": 5, "boot": "id 3f0a"})
