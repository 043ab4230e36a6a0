"""Tags of a merged log stay its own, whatever is undone, renamed or numbered anew on either side."""

from __future__ import annotations

import io

import pytest

from logger.errors import LogError, TagError
from logger.exchange.exporting import export_samples
from tests.logger.test_merge import Machine, assert_whole, merged, samples_of


@pytest.fixture
def two(tmp_path):
    here, there = Machine(tmp_path, "office"), Machine(tmp_path, "kiln")
    here.timeline.at("wheel by the window")
    there.timeline.at("kiln room")
    for machine in (here, there):
        machine.logs(30)
    yield here, there
    for machine in (here, there):
        machine.log.close()


def follow(here, there):
    there.logs(1)
    here.clock.now_ms = max(here.clock.now_ms, there.clock.now_ms)
    here.merge(there)
    assert merged(here.log) == samples_of(there.log)
    assert_whole(here.log)


def test_a_version_undone_here_whose_number_is_given_anew_is_not_taken_for_theirs(two):
    here, there = two
    for machine in two:
        machine.timeline.changed("longer antennas")
        machine.logs(10)
    follow(here, there)
    there.timeline.undo()
    follow(here, there)
    here.timeline.undo()
    here.timeline.changed("blue tape")
    here.logs(5)
    there.timeline.changed("longer antennas")
    follow(here, there)


def test_of_two_versions_that_were_the_same_one_gets_another_label(two):
    here, there = two
    for label in ("longer antennas", "channel 100"):
        there.timeline.changed(label)
        there.logs(10)
    there.timeline.amend_version(3, label="longer antennas")
    follow(here, there)
    there.timeline.amend_version(3, label="taller antennas")
    follow(here, there)


def test_what_a_merge_uses_is_not_undone_and_said_so(two):
    here, there = two
    for machine in two:
        machine.timeline.changed("longer antennas")
    follow(here, there)
    with pytest.raises(TagError, match="an import or a merge uses what it made"):
        here.timeline.undo()
    assert_whole(here.log)


def test_an_edit_that_a_merge_follows_ends_an_export(two):
    here, there = two
    follow(here, there)
    there.clock.now_ms += 60_000
    there.timeline.at("glaze shelf", there.clock.now_ms - 20 * 60_000)

    class Merger(io.StringIO):
        """Merges while the first row is written."""

        def write(self, text):
            if self.tell() == 0:
                here.merge(there)
            return super().write(text)

    with pytest.raises(LogError, match="another log merged"):
        export_samples(here.log, Merger())
