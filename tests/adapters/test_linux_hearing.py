"""What the Linux adapter hears besides its link, against a played kernel: questions asked, answers and errors."""

from __future__ import annotations

import errno

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.contract import ChannelVisit, FrequencyRule, HeardRadio, RegulatoryDomain
from adapters.errors import AdapterError, InterfaceGone, NotPermitted
from adapters.linux import scan_request
from tests.adapters.netlink_builder import nest, s8, s32, tlv, u8, u32, u64
from tests.adapters.played_laptop import (
    AP,
    INTERFACE,
    OTHER_AP,
    REGULATORY,
    SCAN,
    SCAN_RESULTS,
    SURVEY,
    TRIGGER_SCAN,
    Steady,
    adapter_on,
    channel,
    heard_radio,
    interface,
    joined_radio,
    kinds,
    laptop,
    rule,
    rules,
    survey,
)

NAME = bytes([0, 7]) + b"Pottery"

# ---- who is heard


def test_all_radios_of_the_scan_cache_are_heard_the_own_one_included():
    cache = [
        heard_radio(OTHER_AP, 2437, s32(7, -7125), u32(10, 2000), tlv(11, NAME + bytes([32, 1, 3]))),
        joined_radio(AP, 5180, s32(7, -5000), u32(10, 40), tlv(6, NAME)),
    ]
    kernel = laptop(SCAN=cache)
    assert adapter_on(kernel).heard() == [
        HeardRadio(OTHER_AP, 2437, b"Pottery", 2437, 20, -71.25, 2000, power_constraint_db=3),
        HeardRadio(AP, 5180, b"Pottery", 5180, 20, -50.0, 40, associated=True),
    ]
    assert kernel.commands == [INTERFACE, SCAN]


def test_listening_asks_for_nothing_but_what_the_kernel_has():
    kernel = laptop()
    adapter = adapter_on(kernel)
    adapter.heard(), adapter.visits(), adapter.regulatory()
    assert TRIGGER_SCAN not in kernel.commands
    assert kernel.commands.count(SCAN) == 1


def test_ages_are_by_the_clock_that_runs_in_sleep_too():
    kernel = laptop(SCAN=[heard_radio(OTHER_AP, 2437, u64(15, 5_000_000_000))])
    adapter = adapter_on(kernel, boottime_ns=lambda: 6_250_000_000)
    assert [radio.age_ms for radio in adapter.heard()] == [1250]


@pytest.mark.parametrize("broken", [b"\x05", u32(3, 3), heard_radio(OTHER_AP, 2437, tlv(7, b"\0"))])
def test_a_neighbour_that_cannot_be_read_ends_neither_hearing_nor_the_link(broken):
    adapter = adapter_on(laptop(SCAN=[broken, joined_radio(), broken]))
    assert [radio.bssid for radio in adapter.heard()] == [AP]
    assert adapter.read().bssid == AP


@given(st.lists(st.binary(max_size=120), max_size=4), st.binary(max_size=120), st.binary(max_size=120))
def test_whatever_the_air_and_the_kernel_hold_hearing_does_not_end(entries, beacon, answer):
    sent = heard_radio(OTHER_AP, 2437, tlv(11, beacon), tlv(6, answer))
    adapter = adapter_on(laptop(SCAN=[*entries, sent, joined_radio()]))
    heard = adapter.heard()
    assert {AP, OTHER_AP} <= {radio.bssid for radio in heard}
    assert adapter.read().connected


@given(st.lists(st.binary(max_size=60).map(lambda data: u32(3, 3) + tlv(84, data)), max_size=4))
def test_whatever_a_survey_holds_visits_do_not_end(surveys):
    adapter = adapter_on(laptop(SURVEY=[*surveys, survey(5180, s8(2, -92), u64(4, 7))]))
    assert any(visit.frequency_mhz == 5180 for visit in adapter.visits())


# ---- what was counted


def test_visits_are_all_channels_of_the_survey_that_have_a_figure():
    counted = [
        survey(2412, s8(2, -91), u64(4, 120), u64(5, 30)),
        survey(2417),
        survey(5180, s8(2, -92), tlv(3), u64(4, 9000), u64(5, 900)),
        u32(3, 3) + nest(84, u64(4, 77)),  # of the whole radio
    ]
    assert adapter_on(laptop(SURVEY=counted)).visits() == [
        ChannelVisit(2412, None, 120, 30),
        ChannelVisit(5180, None, 9000, 900),
    ]


def test_noise_of_visits_is_believed_as_that_of_readings_is_once_it_has_changed():
    kernel = laptop()
    adapter = adapter_on(kernel)
    seen = []
    for noise_dbm in (-92, -92, -93, -92):
        kernel.answers[SURVEY] = [survey(5180, s8(2, noise_dbm), tlv(3))]
        seen.append([visit.noise_dbm for visit in adapter.visits()])
    assert seen == [[None], [None], [-93], [-92]]
    assert adapter.read().noise_dbm == -92


def test_what_a_driver_tells_once_and_to_a_reading_is_kept_for_whoever_asks_for_visits():
    steady, kernel = Steady(), laptop(SURVEY=[survey(2412, u64(4, 120), u64(5, 30))])  # iwlwifi
    adapter = adapter_on(kernel, steady_s=steady)
    adapter.read()
    kernel.answers[SURVEY] = [survey(2412), survey(5180)]
    steady.now_s += 5
    adapter.read()
    assert adapter.visits() == [ChannelVisit(2412, None, 120, 30)]
    assert adapter.visits() == []


@pytest.mark.parametrize("code", [errno.EOPNOTSUPP, errno.EINVAL, errno.ENOENT, errno.ENETDOWN])
def test_a_driver_without_surveys_has_no_visits(code):
    assert adapter_on(laptop(SURVEY=code)).visits() == []


# ---- asking for a scan


def test_a_scan_is_asked_for_with_an_empty_name_so_that_whoever_is_there_answers():
    kernel = laptop()
    adapter = adapter_on(kernel)
    adapter.begin_scan()
    assert kernel.asked[-1] == (TRIGGER_SCAN, False, u32(3, 3) + tlv(45, tlv(1)))
    kernel.tell(TRIGGER_SCAN, u32(3, 3))
    kernel.tell(SCAN_RESULTS, u32(3, 3))
    assert kinds(adapter) == ["scan-started", "scan-finished"]


@pytest.mark.parametrize(
    ("code", "error", "words"),
    [
        (errno.EBUSY, AdapterError, "wlan0 is busy with a scan"),
        (errno.ENETDOWN, AdapterError, "switched off"),
        (errno.ERFKILL, AdapterError, "switched off"),
        (errno.ENODEV, InterfaceGone, "vanished"),
        (errno.EOPNOTSUPP, AdapterError, "cannot be read.*NOTSUP"),
        (None, AdapterError, "no answer within"),
    ],
)
def test_a_scan_that_cannot_be_is_one_line_that_says_why(code, error, words):
    with pytest.raises(error, match=words) as caught:
        adapter_on(laptop(TRIGGER_SCAN=code)).begin_scan()
    assert "\n" not in str(caught.value)
    assert not isinstance(caught.value, NotPermitted)


@pytest.mark.parametrize("code", [errno.EPERM, errno.EACCES])
def test_who_may_not_scan_is_told_what_to_do_where_no_network_manager_does_it(code, monkeypatch, tmp_path):
    monkeypatch.delenv("DBUS_SYSTEM_BUS_ADDRESS", raising=False)
    monkeypatch.setattr(scan_request, "_USUAL_BUS", str(tmp_path / "no bus"))
    with pytest.raises(NotPermitted, match=r"CAP_NET_ADMIN.*NetworkManager") as caught:
        adapter_on(laptop(TRIGGER_SCAN=code)).begin_scan()
    assert "\n" not in str(caught.value)


def test_who_may_not_scan_asks_the_network_manager_for_our_interface(monkeypatch):
    asked = []
    monkeypatch.setattr(scan_request, "request_of_network_manager", asked.append)
    adapter_on(laptop(TRIGGER_SCAN=errno.EPERM)).begin_scan()
    assert asked == ["wlan0"]


def test_who_may_scan_bothers_no_network_manager(monkeypatch):
    monkeypatch.setattr(scan_request, "request_of_network_manager", lambda _: pytest.fail("it was asked"))
    adapter_on(laptop()).begin_scan()


# ---- rules


def test_rules_are_asked_for_of_our_card_and_told_in_megahertz_and_dbm():
    kernel = laptop(
        REGULATORY=[
            rules(
                rule(2400, 2483, u32(1, 0), u32(4, 40_000), u32(5, 600), u32(6, 2000), u32(7, 0)),
                rule(5250, 5330, u32(1, 0x18), u32(4, 80_000), u32(5, 0), u32(6, 1950), u32(7, 60_000)),
                rule(5925, 6425, u32(1, 0x80), u32(6, 2300)),
            )
        ]
    )
    assert adapter_on(kernel).regulatory() == RegulatoryDomain(
        "DE",
        "ETSI",
        (
            FrequencyRule(2400.0, 2483.0, 40.0, 20.0, 6.0),
            FrequencyRule(5250.0, 5330.0, 80.0, 19.5, radar_detection=True, indoor_only=True, check_before_use_s=60.0),
            FrequencyRule(5925.0, 6425.0, None, 23.0, no_initiating=True),
        ),
    )
    assert kernel.asked[-1] == (REGULATORY, False, u32(1, 7))


def test_rules_of_all_cards_hold_where_the_kernel_does_not_say_which_card_ours_is():
    kernel = laptop(INTERFACE=[interface("wlan0", 3, channel())[8:]])
    assert adapter_on(kernel).regulatory() is not None
    assert kernel.asked[-1] == (REGULATORY, False, b"")


def test_the_world_domain_has_no_region():
    domain = adapter_on(laptop(REGULATORY=[tlv(33, b"00\0") + nest(34)])).regulatory()
    assert domain == RegulatoryDomain("00", None, ())


@pytest.mark.parametrize("code", [errno.ENOENT, errno.EINVAL, errno.EOPNOTSUPP])
def test_a_system_that_tells_no_rules_has_none(code):
    assert adapter_on(laptop(REGULATORY=code)).regulatory() is None


@pytest.mark.parametrize(
    "broken", [nest(1, u32(2, 5_000_000)), nest(1, u32(2, 9), u32(3, 9)), tlv(1, b"\x05"), nest(1, u8(2, 1))]
)
def test_a_rule_that_cannot_be_read_hides_no_other(broken):
    domain = adapter_on(laptop(REGULATORY=[rules(broken, rule(5150, 5250), broken)])).regulatory()
    assert domain is not None
    assert domain.rules == (FrequencyRule(5150.0, 5250.0),)


@pytest.mark.parametrize("answer", [b"", tlv(33, b"D\0"), tlv(33, b"\x1b[\0"), b"\x05"])
def test_rules_without_a_country_cannot_be_read(answer):
    with pytest.raises(AdapterError, match="cannot be read"):
        adapter_on(laptop(REGULATORY=[answer])).regulatory()


# ---- a card that goes


@pytest.mark.parametrize("method", ["heard", "visits", "begin_scan", "regulatory"])
def test_a_card_that_has_vanished_is_told_and_works_again_when_it_is_back(method):
    kernel = laptop()
    adapter = adapter_on(kernel)
    kernel.answers[INTERFACE] = []
    with pytest.raises(InterfaceGone, match="wlan0 has vanished; plug"):
        getattr(adapter, method)()
    kernel.answers[INTERFACE] = [interface("wlan0", 8, channel())]
    kernel.asked.clear()
    getattr(adapter, method)()
    others = [attributes for command, _, attributes in kernel.asked if command not in (INTERFACE, REGULATORY)]
    assert all(attributes.startswith(u32(3, 8)) for attributes in others)


@pytest.mark.parametrize(("method", "command"), [("heard", "SCAN"), ("visits", "SURVEY"), ("regulatory", "REGULATORY")])
def test_who_may_not_even_listen_is_told_what_to_do(method, command):
    with pytest.raises(NotPermitted, match="run linktrial as root"):
        getattr(adapter_on(laptop(**{command: errno.EPERM})), method)()
