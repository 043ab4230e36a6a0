"""The daemon's job for scans: when it asks for one, and what it keeps of what was heard."""

from __future__ import annotations

import pytest

from adapters.contract import AdapterError, ChannelVisit, LinkEvent, NotPermitted
from logger.log import Log
from logger.probe_table import begin_probe, end_probe
from logger.sightings.watched import Name, stop_watching, watch
from tests.logger.scan_desk import FINISHED, NEIGHBOUR, POTTERY, STARTED, Desk, neighbour, other_band, own
from tests.logger.scripted import LOST, OTHER


@pytest.fixture
def desk(log):
    return Desk(log)


def test_without_anything_watched_no_scan_is_asked_for_and_others_are_listened_to(desk):
    desk.pass_by(600)
    assert desk.adapter.n_asked == 0
    desk.adapter.on_air = [own(), other_band(-50.0), neighbour()]
    desk.adapter.tell(STARTED, FINISHED)
    desk.pass_by(10)
    assert desk.heard(OTHER)[-1] == -50.0
    assert desk.heard(NEIGHBOUR) == [-80.0]  # all that was heard, for it was the first in half an hour
    assert (True, False) not in desk.scans()


def test_what_is_watched_is_asked_for_at_its_pace_and_kept(desk):
    watch(desk.log, POTTERY, 0)
    desk.pass_by(1800)
    assert len(desk.asked_at_s) == 6
    steps = [after - before for before, after in zip(desk.asked_at_s, desk.asked_at_s[1:], strict=False)]
    assert all(300 <= step <= 305 for step in steps)
    assert len(desk.heard(OTHER)) == 7  # one was there before
    assert len(desk.heard(NEIGHBOUR)) == 1
    assert [active for active, everyone in desk.scans() if everyone] == [True]


def test_everyone_is_told_once_in_half_an_hour_also_by_the_next_daemon(desk):
    watch(desk.log, POTTERY, 0)
    desk.pass_by(900)
    again = Desk(desk.log)
    again.clock.advance(900)
    again.pass_by(600)
    assert [everyone for _, everyone in desk.scans()].count(True) == 1
    again.pass_by(600)
    assert [everyone for _, everyone in desk.scans()].count(True) == 2


def test_a_name_that_is_new_is_looked_for_at_once(desk):
    watch(desk.log, POTTERY, 0)
    desk.pass_by(60)
    watch(desk.log, Name(b"bakery", None), 0)
    desk.pass_by(30)
    assert len(desk.asked_at_s) == 2
    assert len(desk.heard(NEIGHBOUR)) == 2


def test_what_is_watched_no_longer_is_asked_for_no_longer(desk):
    watch(desk.log, POTTERY, 0)
    desk.pass_by(60)
    stop_watching(desk.log, POTTERY)
    desk.pass_by(900)
    assert len(desk.asked_at_s) == 1


def test_0_seconds_ask_for_no_scan_and_keep_nothing_of_others(log):
    desk = Desk(log, every_s=0)
    watch(log, POTTERY, 0)
    desk.adapter.tell(STARTED, FINISHED)
    desk.pass_by(900)
    assert desk.adapter.n_asked == 0
    assert desk.scans() == []


def test_no_scan_while_a_probe_runs(desk):
    watch(desk.log, POTTERY, 0)
    desk.clock.advance(1)
    probe = begin_probe(desk.log, desk.clock.utc_ms())
    desk.pass_by(50)
    assert desk.adapter.n_asked == 0
    end_probe(desk.log, probe, desk.clock.utc_ms(), "done")
    desk.pass_by(10)
    assert desk.adapter.n_asked == 1


def test_no_scan_while_a_probe_is_about_to_begin(desk):
    watch(desk.log, POTTERY, 0)
    for _ in range(20):
        desk.clock.advance(5.0)
        desk.sampler.tick()
        desk.job.tick(may_ask=False)
    assert desk.adapter.n_asked == 0
    desk.job.tick()
    assert desk.adapter.n_asked == 1


def test_no_scan_without_a_link_nor_just_after_it_came(desk):
    watch(desk.log, POTTERY, 0)
    linked, desk.adapter.reading = desk.adapter.reading, LOST
    desk.pass_by(600)
    assert desk.adapter.n_asked == 0
    desk.adapter.reading = linked
    desk.pass_by(15)
    assert desk.adapter.n_asked == 0
    desk.adapter.tell(LinkEvent("roamed", bssid=OTHER))
    desk.pass_by(15)
    assert desk.adapter.n_asked == 0
    desk.pass_by(10)
    assert desk.adapter.n_asked == 1


def test_a_quiet_moment_is_waited_for_and_not_for_ever(desk):
    watch(desk.log, POTTERY, 0)
    desk.pass_by(60)
    busy = {"kb_per_reading": 200.0}  # .32 Mbit/s
    desk.pass_by(1500, **busy)
    assert len(desk.asked_at_s) == 1
    desk.pass_by(30)
    assert len(desk.asked_at_s) == 2
    desk.pass_by(4 * 3600, **busy)
    steps = [after - before for before, after in zip(desk.asked_at_s[1:], desk.asked_at_s[2:], strict=False)]
    assert len(steps) == 6
    assert all(step == pytest.approx(7 * 300, abs=20) for step in steps)


def test_another_programs_scan_that_heard_all_spares_one_of_ours(desk):
    watch(desk.log, POTTERY, 0)
    desk.pass_by(200)
    desk.adapter.tell(STARTED, FINISHED)
    desk.pass_by(250)
    assert len(desk.asked_at_s) == 1
    desk.pass_by(100)
    assert len(desk.asked_at_s) == 2
    desk.adapter.on_air = [own()]  # a scan of one channel
    desk.pass_by(200)
    desk.adapter.tell(STARTED, FINISHED)
    desk.pass_by(100)
    assert len(desk.asked_at_s) == 3


def test_a_refusal_is_said_once_and_what_others_hear_is_kept(desk):
    watch(desk.log, POTTERY, 0)
    desk.adapter.scan_refusal = NotPermitted("this user may not have the card scan; see the README")
    desk.pass_by(900)
    assert desk.adapter.n_asked == 3  # it may be allowed meanwhile
    assert desk.complained.getvalue().count("\n") == 1
    assert "heard when another program scans" in desk.complained.getvalue()
    before = len(desk.heard(OTHER))
    desk.adapter.tell(STARTED, FINISHED)
    desk.pass_by(10)
    assert len(desk.heard(OTHER)) == before + 1
    desk.adapter.scan_refusal = None
    desk.pass_by(300)
    assert (True, False) in desk.scans()


def test_a_card_that_is_busy_is_asked_again_soon_without_a_word(desk):
    watch(desk.log, POTTERY, 0)
    desk.adapter.scan_refusal = AdapterError("busy")
    desk.pass_by(120)
    assert 3 <= desk.adapter.n_asked <= 4
    assert not desk.complained.getvalue()


def test_a_scan_that_never_ends_is_given_up(desk):
    watch(desk.log, POTTERY, 0)
    desk.pass_by(650, answers=False)
    assert len(desk.asked_at_s) == 3
    assert not any(active for active, _ in desk.scans())


def test_a_scan_that_ended_as_we_asked_is_not_ours(desk):
    watch(desk.log, POTTERY, 0)
    desk.pass_by(20, answers=False)
    assert desk.adapter.n_asked == 1
    desk.adapter.events()  # "scan-started" comes later
    desk.adapter.tell(FINISHED)
    desk.clock.advance(0.5)
    desk.sampler.tick()
    desk.job.tick()
    assert desk.job.scanning
    assert not any(active for active, _ in desk.scans())
    desk.adapter.tell(STARTED, FINISHED)
    desk.pass_by(5)
    assert desk.scans()[-1] == (True, True)


def test_a_beacon_that_was_told_is_not_told_again(desk):
    desk.adapter.on_air = [other_band(age_ms=1000)]
    desk.adapter.tell(STARTED, FINISHED)
    desk.pass_by(5)
    desk.adapter.on_air = [other_band(age_ms=16_000)]
    desk.adapter.tell(STARTED, FINISHED)
    desk.pass_by(20)
    assert len(desk.heard(OTHER)) == 1


def test_only_a_full_scan_tells_everyone(desk):
    roaming, broken_off = (LinkEvent("scan-finished", n_channels=n) for n in (3, 0))
    for finished in (roaming, broken_off):
        desk.adapter.tell(STARTED, finished)
        desk.pass_by(20)
    assert desk.heard(NEIGHBOUR) == []
    desk.adapter.tell(STARTED, LinkEvent("scan-finished", n_channels=13))
    desk.pass_by(20)
    assert desk.heard(NEIGHBOUR) == [-80.0]


def test_a_scan_that_runs_is_not_looked_into(desk):
    """Or the scan that tells everyone would lack what was told just before."""
    desk.pass_by(280)
    desk.adapter.tell(STARTED)
    desk.sampler.tick()
    desk.clock.advance(22)
    desk.job.tick()
    assert len(desk.heard(OTHER)) == 1
    desk.adapter.tell(FINISHED)
    desk.pass_by(5)
    assert len(desk.heard(OTHER)) == 2


def test_a_look_that_finds_nothing_new_leaves_no_row_and_a_scan_that_hears_nothing_does(desk):
    desk.adapter.on_air = []
    desk.pass_by(900)
    desk.adapter.tell(STARTED, LinkEvent("scan-finished", n_channels=4))
    desk.pass_by(30)
    assert desk.scans() == []
    desk.adapter.tell(STARTED, FINISHED)
    desk.pass_by(20)
    assert desk.scans() == [(False, True)]


def test_visits_are_kept_of_the_channels_of_what_is_kept(desk):
    desk.adapter.visited = [ChannelVisit(2437, -92, 80, 30), ChannelVisit(5500, -95, 80, 5), ChannelVisit(5180)]
    desk.adapter.tell(STARTED, FINISHED)
    desk.pass_by(5)  # everyone
    desk.adapter.visited = [ChannelVisit(2437, -91, 80, 31), ChannelVisit(5500, -95, 80, 6)]
    desk.adapter.on_air = [own(), other_band(-50.0), neighbour()]
    desk.adapter.tell(STARTED, FINISHED)
    desk.pass_by(20)
    rows = [tuple(row) for row in desk.log.db.execute("SELECT frequency_mhz, busy_ms FROM visit ORDER BY scan_id, 1")]
    assert rows == [(2437, 30), (5500, 5), (2437, 31)]


def test_nothing_is_lost_while_the_log_is_busy(desk, monkeypatch):
    watch(desk.log, POTTERY, 0)
    desk.pass_by(60)
    before = len(desk.heard(OTHER))
    desk.log.db.execute("PRAGMA busy_timeout = 10")
    with Log.open(desk.log.path) as other, other.transaction():
        desk.pass_by(900)
        assert len(desk.heard(OTHER)) == before
    desk.pass_by(10)
    assert len(desk.heard(OTHER)) == before + 3


def test_a_clock_that_is_not_set_leaves_nothing(desk):
    desk.clock.set_wall(86_400_000)
    desk.adapter.tell(STARTED, FINISHED)
    desk.pass_by(600)
    assert desk.scans() == []


def test_an_adapter_that_fails_is_complained_of_once_and_tried_again(desk):
    desk.adapter.on_air = RuntimeError("a fault of ours")
    desk.adapter.tell(STARTED, FINISHED)
    desk.pass_by(600)
    assert desk.complained.getvalue().count("\n") == 1
    desk.adapter.on_air = [other_band()]
    desk.adapter.tell(STARTED, FINISHED)
    desk.pass_by(120)
    assert desk.heard(OTHER)


def test_long_between_samples_the_job_is_told_in_between(desk):
    desk.clock.advance(60)
    desk.adapter.tell(STARTED, FINISHED)
    desk.sampler.take_in_events()
    desk.job.tick()
    assert desk.heard(OTHER) == [-48.0]
    assert desk.sampler.tick()[1] == []
