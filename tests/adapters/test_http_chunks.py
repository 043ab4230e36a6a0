"""Bodies in chunks, counted however their bytes come."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.http_chunks import Chunks, ChunksBroken


def chunked(parts, extension=b"", trailer=b""):
    body = b"".join(b"%x%s\r\n%s\r\n" % (len(part), extension, part) for part in parts if part)
    return body + b"0\r\n" + trailer + b"\r\n"


def fed(data, cuts):
    """Payload of data that comes cut into pieces, and what follows the body; None where that goes on."""
    chunks, payload, room = Chunks(), 0, bytearray(1 << 12)
    ends = sorted({*cuts, *range(0, len(data), len(room)), len(data)})
    for begin, end in pairwise([0, *ends]):
        room[: end - begin] = data[begin:end]
        got, stop = chunks.take(room, end - begin)
        payload += got
        if chunks.over:
            return payload, data[begin + stop :]
    return payload, None


@given(
    st.lists(st.binary(min_size=1, max_size=3000), max_size=6),
    st.sampled_from([b"", b";x=y"]),
    st.sampled_from([b"", b"Name: value\r\n"]),
    st.lists(st.integers(0, 20_000), max_size=8),
)
def test_the_payload_is_counted_whatever_the_pieces(parts, extension, trailer, cuts):
    data = chunked(parts, extension, trailer) + b"NEXT"
    payload, rest = fed(data, [min(cut, len(data) - 4) for cut in cuts])
    assert payload == sum(map(len, parts))
    assert rest == b"NEXT"


def test_a_body_that_goes_on_is_not_over():
    assert fed(b"5\r\nkil", []) == (3, None)


@pytest.mark.parametrize(
    "data",
    [
        b"\r\n", b"xyz\r\n", b"-5\r\nclay", b"0x5\r\n", b"+5\r\n", b"5\nclays", b"5\r\nclaysX\r\n",
        b"f" * 16 + b"\r\n", b"5" + b" " * 2000, b"0\r\n" + b"a: b\r\n" * 5000,
    ],
)  # fmt: skip
def test_what_is_not_in_chunks_is_refused(data):
    with pytest.raises(ChunksBroken):
        fed(data, [])


@given(st.binary(max_size=300), st.lists(st.integers(0, 300), max_size=5))
def test_no_bytes_break_it(data, cuts):
    try:
        payload, _ = fed(data, cuts)
    except ChunksBroken:
        return
    assert payload <= len(data)
