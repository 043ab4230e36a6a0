"""Decoding what a card counts on channels, and telling noise that is measured from noise that is made up."""

from __future__ import annotations

import pytest

from adapters.linux.survey import NoiseWatch, SurveyInfo, decode_channels, decode_survey
from tests.adapters.netlink_builder import capture, nest, s8, tlv, u32, u64


def survey(*members: bytes) -> SurveyInfo | None:
    return decode_survey(u32(3, 3) + nest(84, *members))


def test_survey_noise_is_a_signed_byte_and_times_are_64_bits():
    about = survey(u32(1, 5180), s8(2, -92), tlv(3), u64(4, 2**33), u64(5, 2**32))
    assert about == SurveyInfo(5180, True, -92, 2**33, 2**32)


def test_what_a_survey_does_not_hold_is_unknown_and_not_zero():
    """iwlwifi gives a channel's figures once; the next survey has the channel without them."""
    assert survey(u32(1, 5180)) == SurveyInfo(5180, False, None, None, None)


def test_a_survey_of_the_whole_radio_is_of_no_channel():
    assert survey(u64(4, 1000), u64(5, 10)) is None
    assert decode_survey(u32(3, 3)) is None


@pytest.mark.parametrize("made_up_dbm", [-95, -92, -89])
def test_a_noise_that_never_changes_is_never_believed(made_up_dbm):
    watch = NoiseWatch()
    assert {watch.judge(5180, made_up_dbm) for _ in range(1000)} == {None}
    assert not watch.measured


def test_a_noise_that_has_changed_once_is_measured_from_then_on():
    watch = NoiseWatch()
    assert [watch.judge(2437, dbm) for dbm in (-92, -92, -93, -92, -92)] == [None, None, -93, -92, -92]


def test_made_up_constants_that_differ_by_channel_are_still_constants():
    watch = NoiseWatch()
    assert [watch.judge(*seen) for seen in ((2437, -95), (5180, -92), (2437, -95), (5180, -92))] == [None] * 4


@pytest.mark.parametrize("dbm", [None, 0, 5, -59, -111, -128])
def test_noise_out_of_reason_is_unknown_and_counts_as_no_change(dbm):
    watch = NoiseWatch()
    assert [watch.judge(5180, seen) for seen in (-92, dbm, -92)] == [None, None, None]
    watch.judge(5180, -90)
    assert watch.judge(5180, dbm) is None


def test_a_real_kernels_surveys_are_read():
    surveys = [decode_survey(capture(f"survey-{n}")) for n in (1, 2)]
    assert all(each is not None and each.noise_dbm == -92 and not each.in_use for each in surveys)


def test_a_channel_that_cannot_be_read_hides_no_other():
    good = u32(3, 3) + nest(84, u32(1, 5180), s8(2, -92))
    broken = u32(3, 3) + nest(84, u32(1, 2437), tlv(2, b"12"))
    assert set(decode_channels([broken, b"\x05", good])) == {5180}


def test_of_two_entries_of_one_channel_that_in_use_counts_else_that_with_figures():
    empty, counted, in_use = (u32(3, 3) + nest(84, u32(1, 5180), more) for more in (b"", u64(4, 7), tlv(3)))
    for order in ((empty, counted), (counted, empty)):
        assert decode_channels(order)[5180].active_ms == 7
    for order in ((counted, in_use), (in_use, counted)):
        assert decode_channels(order)[5180].in_use
