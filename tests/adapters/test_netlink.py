"""Netlink framing and the conversation with a family, against a played kernel."""

from __future__ import annotations

import errno

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.errors import AdapterError
from adapters.linux.netlink import Attributes, DecodeError, Family, Refused, attribute, messages, refusal_in, walk
from tests.adapters.netlink_builder import (
    FAMILY,
    GROUPS,
    FakeKernel,
    capture,
    done,
    error,
    generic,
    message,
    nest,
    s8,
    tlv,
    u16,
    u32,
    u64,
)

ASK = 17


def family_of(kernel: FakeKernel) -> Family:
    return Family("nl80211", kernel.open_wire)


# ---- bytes


def test_attributes_are_read_by_number_with_their_sign_and_size():
    about = Attributes(s8(7, -61) + u16(54, 65535) + u32(3, 2**32 - 1) + u64(23, 2**40) + tlv(52, b"a\0b"))
    assert (about.s8(7), about.u8(7)) == (-61, 195)
    assert about.u16(54) == 65535
    assert (about.u32(3), about.s32(3)) == (2**32 - 1, -1)
    assert about.u64(23) == 2**40
    assert about[52] == b"a\0b"
    assert about.u32(99) is about.mac(99) is about.text(99) is about.nest(99) is None


def test_the_flag_for_nesting_is_no_part_of_the_number():
    assert Attributes(nest(312, u32(1, 5))).nest(312) == {1: (5).to_bytes(4, "little")}


def test_a_value_of_the_wrong_size_is_told_and_not_guessed_at():
    with pytest.raises(DecodeError, match="attribute 7 has 4 bytes, not 1"):
        Attributes(u32(7, 5)).s8(7)


@pytest.mark.parametrize("data", [b"\x08", b"\x03\0\x01\0", b"\x09\0\x01\0abcd", u32(1, 2) + b"\0"])
def test_attributes_that_do_not_fit_are_refused(data):
    with pytest.raises(DecodeError):
        list(walk(data))


@given(st.lists(st.tuples(st.integers(0, 0x3FFF), st.binary(max_size=40))))
def test_attributes_survive_building_and_walking(pairs):
    assert list(walk(b"".join(attribute(kind, payload) for kind, payload in pairs))) == pairs
    assert list(walk(b"".join(tlv(kind, payload) for kind, payload in pairs))) == pairs


@given(st.binary(max_size=200))
def test_any_bytes_as_a_datagram_give_messages_or_a_decode_error(data):
    try:
        for each in messages(data):
            refusal_in(each)
            list(walk(each.body[4:]))
    except DecodeError:
        pass


def test_the_last_attribute_may_lack_its_padding():
    assert list(walk(tlv(1, b"abc")[:-1])) == [(1, b"abc")]


# ---- the conversation


def test_a_question_gets_its_answer():
    kernel = FakeKernel({ASK: lambda attributes: [attributes + u32(9, 9)]})
    family = family_of(kernel)
    assert family.ask(ASK, u32(3, 1)) == u32(3, 1) + u32(9, 9)
    assert kernel.asked == [(ASK, False, u32(3, 1))]


def test_a_dump_gets_all_answers_in_order_even_when_they_share_a_datagram():
    kernel = FakeKernel({ASK: [u32(1, 1), u32(1, 2), u32(1, 3)]})
    kernel.mangle = lambda datagrams, _: [datagrams[0] + datagrams[1], datagrams[2] + datagrams[3]]
    assert family_of(kernel).dump(ASK) == [u32(1, 1), u32(1, 2), u32(1, 3)]


def test_an_empty_dump_is_an_empty_list():
    assert family_of(FakeKernel({ASK: []})).dump(ASK) == []


def test_a_dump_that_changed_meanwhile_is_repeated():
    kernel = FakeKernel({ASK: [u32(1, 1), u32(1, 2)]})
    NLM_F_DUMP_INTR, NLM_F_MULTI = 0x10, 2  # noqa: N806
    rounds = []

    def interrupt_once(datagrams: list[bytes], sequence: int) -> list[bytes]:
        rounds.append(sequence)
        if len(rounds) > 1:
            return datagrams
        return [message(FAMILY, sequence, generic(ASK, u32(1, 7)), NLM_F_MULTI | NLM_F_DUMP_INTR), done(sequence)]

    kernel.mangle = interrupt_once
    assert family_of(kernel).dump(ASK) == [u32(1, 1), u32(1, 2)]
    assert len(rounds) == 2


def test_a_dump_that_changes_for_ever_is_not_repeated_for_ever():
    kernel = FakeKernel({ASK: [u32(1, 1)]})
    kernel.mangle = lambda _, sequence: [message(FAMILY, sequence, generic(ASK, u32(1, 7)), 0x12), done(sequence)]
    assert family_of(kernel).dump(ASK) == [u32(1, 7)]
    assert kernel.commands == [ASK] * 3


@pytest.mark.parametrize("dump", [False, True])
def test_an_error_number_is_raised_also_where_it_ends_a_dump(dump):
    family = family_of(FakeKernel({ASK: errno.ENODEV}))
    with pytest.raises(Refused, match="ENODEV") as caught:
        family.dump(ASK) if dump else family.ask(ASK)
    assert caught.value.code == errno.ENODEV


def test_what_is_to_be_done_is_taken_note_of_and_a_refusal_of_it_is_raised():
    kernel = FakeKernel({ASK: []})
    family_of(kernel).order(ASK, u32(3, 1))
    assert kernel.asked == [(ASK, False, u32(3, 1))]
    kernel.answers[ASK] = errno.EBUSY
    with pytest.raises(Refused, match="EBUSY"):
        family_of(kernel).order(ASK)
    kernel.answers[ASK] = None
    with pytest.raises(AdapterError, match="no answer within 2 s"):
        family_of(kernel).order(ASK)


def test_silence_ends_in_one_line_and_not_in_waiting():
    with pytest.raises(AdapterError, match="no answer within 2 s"):
        family_of(FakeKernel({ASK: None})).ask(ASK)


def test_every_socket_wait_has_its_limit():
    kernel = FakeKernel()
    family_of(kernel).listen("mlme")
    assert [wire.wait_s for wire in kernel.wires] == [2.0, 0]


def test_a_late_answer_to_an_earlier_question_is_not_taken_for_this_ones():
    kernel = FakeKernel({ASK: [u32(1, 2)]})
    kernel.mangle = lambda datagrams, sequence: [
        message(FAMILY, sequence - 1, generic(ASK, u32(1, 1))),
        error(errno.EIO, sequence - 1),
        *datagrams,
    ]
    assert family_of(kernel).ask(ASK) == u32(1, 2)


def test_a_family_that_the_kernel_lacks_is_told_by_its_number_and_leaves_no_socket():
    kernel = FakeKernel(family=None)
    with pytest.raises(Refused) as caught:
        family_of(kernel)
    assert caught.value.code == errno.ENOENT
    assert all(wire.closed for wire in kernel.wires)


def test_a_real_kernels_number_and_groups_of_nl80211_are_understood():
    kernel = FakeKernel()
    kernel.about_the_family = capture("family")
    kernel.family, kernel.answers = 32, {ASK: [u32(1, 1)]}
    family = family_of(kernel)
    assert family.ask(ASK) == u32(1, 1)
    family.listen("mlme", "scan")
    assert kernel.joined == {12, 10}


def test_a_family_whose_module_was_loaded_anew_is_found_under_its_new_number_and_groups():
    kernel = FakeKernel({ASK: [u32(1, 1)]})
    family = family_of(kernel)
    family.listen("mlme", "scan")
    kernel.family, before = None, kernel.family
    for question in (family.ask, family.dump):
        with pytest.raises(Refused) as caught:
            question(ASK)
        assert caught.value.code == errno.ENOENT
    kernel.family, kernel.groups, kernel.joined = before + 4, {"scan": 21, "mlme": 22}, set()
    assert family.ask(ASK) == u32(1, 1)
    assert kernel.joined == {21, 22}
    kernel.tell(46, u32(3, 1))
    assert family.heard() == [(46, u32(3, 1))]


def test_something_else_that_is_not_there_is_asked_for_once():
    kernel = FakeKernel({ASK: errno.ENOENT})
    with pytest.raises(Refused):
        family_of(kernel).ask(ASK)
    assert kernel.commands == [ASK]


def test_events_are_drained_in_order_without_waiting():
    kernel = FakeKernel()
    family = family_of(kernel)
    assert family.heard() == []
    family.listen("mlme", "scan", "a group of a later kernel")
    assert kernel.joined == set(GROUPS.values())
    kernel.tell(46, u32(3, 1))
    kernel.tell(48, u32(3, 2))
    assert family.heard() == [(46, u32(3, 1)), (48, u32(3, 2))]
    assert family.heard() == []


def test_lost_events_do_not_lose_the_ones_after_them():
    kernel = FakeKernel()
    family = family_of(kernel)
    family.listen("mlme")
    kernel.tell(46, u32(3, 1))
    kernel.wires[1].inbox.appendleft(OSError(errno.ENOBUFS, "No buffer space available"))
    assert family.heard() == [(46, u32(3, 1))]


def test_an_event_socket_that_fails_is_told():
    kernel = FakeKernel()
    family = family_of(kernel)
    family.listen("mlme")
    kernel.wires[1].inbox.append(OSError(errno.EIO, "Input/output error"))
    with pytest.raises(AdapterError, match="events cannot be read"):
        family.heard()


def test_closing_twice_is_fine_and_asking_after_it_is_told():
    family = family_of(FakeKernel({ASK: []}))
    family.listen("mlme")
    family.close()
    family.close()
    with pytest.raises(AdapterError, match="cannot be asked"):
        family.ask(ASK)


def test_the_kernel_of_this_machine_answers_over_a_socket_of_pyroute2():
    """The one family that every kernel has is the one that lists the others."""
    family = Family("nlctrl")
    try:
        CTRL_CMD_GETFAMILY, CTRL_ATTR_FAMILY_NAME = 3, 2  # noqa: N806
        about = Attributes(family.ask(CTRL_CMD_GETFAMILY, tlv(CTRL_ATTR_FAMILY_NAME, b"nlctrl\0")))
        assert about.text(CTRL_ATTR_FAMILY_NAME) == "nlctrl"
        family.order(CTRL_CMD_GETFAMILY, tlv(CTRL_ATTR_FAMILY_NAME, b"nlctrl\0"))
        with pytest.raises(Refused, match="ENOENT"):
            family.order(CTRL_CMD_GETFAMILY, tlv(CTRL_ATTR_FAMILY_NAME, b"no such\0"))
        names = [Attributes(each).text(CTRL_ATTR_FAMILY_NAME) for each in family.dump(CTRL_CMD_GETFAMILY)]
        assert "nlctrl" in names
        family.listen("notify")
        assert isinstance(family.heard(), list)
    finally:
        family.close()
