"""A whole turn over loopback, with the real far end, and what becomes of it where something is wrong."""

from __future__ import annotations

import time
from dataclasses import fields

import pytest

from adapters.clock import SystemClock
from adapters.far_end.limits import Limits as FarEndLimits
from adapters.probing import turn as turn_module
from adapters.probing.greeting import Greeting
from adapters.probing.link_use import Counters
from adapters.probing.target import NoTarget, far_end_target, url_target
from adapters.probing.transfer import DRAIN_S
from adapters.probing.turn import Limits, run_turn
from adapters.probing.way import Way
from logger.settings import Settings
from tests.adapters.far_end_beside import far_end_beside, paired
from tests.adapters.played_server import played_server

SHORT = Limits(seconds_per_direction=0.6, streams=2, idle_seconds=0.5)


def turn(target, limits=SHORT, interface="lo", **more):
    return run_turn(interface, target, limits, SystemClock(), **more)


def of(beside, token=None):
    return far_end_target(f"{beside.host}:{beside.port}", token or beside.token)


def test_a_whole_turn():
    with far_end_beside() as beside:
        before_ms = SystemClock().utc_ms()
        found = turn(of(beside))
        after_ms = SystemClock().utc_ms()
    assert (found.outcome, found.far_end) == ("done", f"127.0.0.1:{beside.port}")
    assert [(one.direction, one.streams) for one in found.transfers] == [("down", 1), ("down", 2), ("up", 1), ("up", 2)]
    assert [(one.target, one.load) for one in found.latencies] == [
        ("far-end", "idle"), ("far-end", "down"), ("far-end", "up")
    ]  # fmt: skip
    assert all(one.n_lost == 0 and one.median_ms > 0 for one in found.latencies)
    assert before_ms <= found.started_at_utc_ms <= found.transfers[0].started_at_utc_ms
    assert found.transfers[-1].started_at_utc_ms <= found.ended_at_utc_ms <= after_ms
    assert "lo has no gateway" in found.words
    kinds = beside.kinds()
    assert kinds[0] == "claimed"
    assert kinds[-1] == "given-back"
    assert kinds.count("claimed") == 1


def test_the_turn_shares_its_bytes_out_evenly_and_keeps_to_them():
    with far_end_beside() as beside:
        found = turn(of(beside), Limits(4, 2, max_bytes=8_000_000, idle_seconds=0.2))
    assert 4_000_000 < sum(one.bytes for one in found.transfers) <= 8_000_000
    assert sum(one.detail["bytes"] for one in beside.told if one.kind == "transfer") <= 8_000_000
    assert len(found.transfers) == 4


def test_with_one_stream_it_has_the_whole_time():
    assert [(one.streams, one.seconds) for one in Limits(5, 1).wishes("up")] == [(1, 5)]
    assert [(one.streams, one.seconds) for one in Limits(5, 4).wishes("down")] == [(1, 2.5), (4, 2.5)]


def test_a_far_end_grants_by_default_as_much_as_the_settings_can_ask_for():
    """A minute up with one stream, and its answer; in the other half as many streams as may be, and what goes beside."""
    most = {field.name: field.metadata["high"] for field in fields(Settings) if field.name.startswith("probe_")}
    assert FarEndLimits().transfer_s >= most["probe_seconds"] + DRAIN_S
    with far_end_beside() as beside:
        found = turn(of(beside), Limits(0.6, int(most["probe_streams"]), idle_seconds=0.2))
    assert (found.outcome, [one.streams for one in found.transfers]) == ("done", [1, 16, 1, 16])


def test_it_steps_aside_for_another_client_of_the_far_end():
    with far_end_beside() as beside, paired(beside) as other:
        assert other.ask("GET", "/claim?seconds=90&as=other")[0].status == 200
        found = turn(of(beside))
    assert (found.outcome, found.transfers, found.latencies) == ("stepped-aside", (), ())
    assert 80 < found.retry_after_s <= 90


def test_the_turn_is_given_back_though_the_far_end_has_ended_the_connection_that_asked_for_it():
    """A long turn outlasts its patience."""
    with far_end_beside(limits=FarEndLimits(idle_s=0.1)) as beside:
        greeting = Greeting(of(beside), Way("lo"))
        greeting.claim(90)
        time.sleep(0.5)
        greeting.close()
        assert beside.kinds()[-1] == "given-back"


def test_it_stops_within_a_moment_with_what_it_has():
    begun_s = time.monotonic()
    with far_end_beside() as beside:
        found = turn(of(beside), Limits(8, 2, idle_seconds=0.3), should_stop=lambda: time.monotonic() - begun_s > 5.5)
        lasted_s = time.monotonic() - begun_s
    assert (found.outcome, found.words) == ("stepped-aside", "it was stopped")
    assert [one.streams for one in found.transfers] == [1, 2]
    assert found.transfers[1].goodput_mbps is None
    assert found.transfers[1].bytes > 0, "what it had moved counts"
    assert lasted_s < 9
    assert "given-back" in beside.kinds()


@pytest.mark.parametrize("direction", ["GET", "PUT"])
def test_what_a_transfer_that_breaks_off_has_moved_is_told(direction):
    """Else a far end that breaks off each transfer would spend the day's bytes unseen."""
    limits = FarEndLimits(daily_bytes_per_client=20e6) if direction == "PUT" else FarEndLimits(transfer_s=0.2)
    most = 8_000_000 if direction == "PUT" else None
    with far_end_beside(limits=limits) as beside:
        found = turn(of(beside), Limits(4, 1, max_bytes=most and 4 * most, idle_seconds=0.2))
    assert found.outcome == "failed"
    broken = found.transfers[-1]
    assert (broken.direction, broken.goodput_mbps, broken.words) == (
        "down" if most is None else "up",
        None,
        "it broke off",
    )
    assert broken.bytes > 0
    assert broken.duration_ms > 0


def test_a_turn_that_does_not_end_is_ended(monkeypatch):
    monkeypatch.setattr(turn_module, "SETTLING_S", -3.0)
    with far_end_beside() as beside:
        found = turn(of(beside), Limits(2, 1, idle_seconds=0.3))
    assert found.outcome == "failed"
    assert "not over after" in found.words


@pytest.mark.parametrize(
    ("target", "words"),
    [
        (far_end_target("127.0.0.1:9", "some-token"), "cannot be reached over lo"),
        (far_end_target("192.0.2.77", "some-token"), "does not go over lo"),
        (far_end_target("no-such-host.invalid", "some-token"), "cannot be found"),
    ],
)
def test_a_far_end_that_is_not_reached(target, words):
    found = turn(target)
    assert (found.outcome, found.far_end, found.transfers) == ("failed", "", ())
    assert words in found.words
    assert found.words.isprintable()


def test_a_wrong_token():
    with far_end_beside() as beside:
        found = turn(of(beside, "another-token-0000"))
    assert (found.outcome, found.far_end) == ("failed", "")
    assert "pair this laptop with it anew" in found.words


def test_an_interface_that_is_not_there():
    assert (
        "is no interface of this machine" in turn(far_end_target("127.0.0.1", "some-token"), interface="wlan77").words
    )


def test_traffic_that_took_another_way_is_not_told_as_the_links():
    """The interface has counted nothing, though megabytes were moved."""
    with far_end_beside() as beside:
        found = turn(of(beside), counters=lambda interface: Counters(0, 0, 0, 0))
    assert (found.outcome, found.transfers, found.latencies) == ("failed", (), ())
    assert "did not go over lo" in found.words


def test_any_web_server_is_measured_down_and_not_posted_to_unasked():
    def play(visit):
        while asked := visit.request():
            if asked.startswith("GET"):
                visit.say("HTTP/1.1 200 OK", "Content-Length: 1000000", body=bytes(1_000_000))
            else:
                visit.say("HTTP/1.1 405 No", "Content-Length: 0")

    with played_server(play) as played:
        found = turn(url_target(played.url))
    assert (found.outcome, found.far_end) == ("done", played.url)
    assert [one.direction for one in found.transfers] == ["down", "down"]
    assert "up was not measured" in found.words
    methods = {asked.split()[0] for visit in played.visits for asked in visit.asked}
    assert methods == {"GET", "OPTIONS"}


def test_without_anybody_to_ask_it_says_so():
    found = turn(None)
    assert (found.outcome, found.words) == ("failed", "lo has no gateway")


@pytest.mark.parametrize(
    ("told", "host", "port"),
    [
        ("192.168.1.5", "192.168.1.5", 47317), ("192.168.1.5:8080", "192.168.1.5", 8080), ("office.local", "office.local", 47317),
        ("fd00::5", "fd00::5", 47317), ("[fd00::5]:99", "fd00::5", 99), ("  office ", "office", 47317),
    ],
)  # fmt: skip
def test_a_far_end_is_named_as_people_do(told, host, port):
    target = far_end_target(told, "token")
    assert (target.host, target.port, target.path, target.label) == (host, port, "/bytes", told.strip())


@pytest.mark.parametrize(
    "told", ["", ":5", "host:0", "host:99999", "host:x", "a b", "user@host", "ö" * 80, "host/path", "[fd00", "a\nb"]
)
def test_what_is_no_address_is_refused_in_one_line(told):
    with pytest.raises(NoTarget) as refused:
        far_end_target(told, "token")
    assert str(refused.value).isprintable()


@pytest.mark.parametrize(
    "told", ["office/x", "ftp://office/x", "http://", "http://a:b@office/x", "http://office/ö", "http://office/a b", ""]
)
def test_what_is_no_url_is_refused_in_one_line(told):
    with pytest.raises(NoTarget) as refused:
        url_target(told)
    assert str(refused.value).isprintable()


def test_a_url_says_where_and_what():
    target = url_target("https://office:8443/a/clay.bin?x=1")
    assert (target.host, target.port, target.path, target.tls) == ("office", 8443, "/a/clay.bin?x=1", True)
    assert target.authority == "office:8443"
    assert url_target("http://[fd00::5]/").authority == "[fd00::5]"


@pytest.mark.parametrize("url", ["http://[fe80::5%wlan0]:8080/x", "http://[fe80::5%25wlan0]:8080/x"])
def test_a_zone_says_by_which_interface_and_is_nobody_elses_business(url):
    target = url_target(url)
    assert (target.host, target.authority) == ("fe80::5%wlan0", "[fe80::5]:8080")
    assert far_end_target("fe80::5%wlan0", "token").host == "fe80::5%wlan0"


def test_a_name_in_any_script_is_asked_for_as_dns_has_it():
    target = url_target("http://töpferei.example/x")
    assert (target.label, target.host) == ("http://töpferei.example/x", "xn--tpferei-90a.example")
    assert target.authority.isascii()


def test_no_traceback_shows_the_token():
    assert "glaze0" not in repr(far_end_target("192.168.1.5", "glaze0-kiln00"))
