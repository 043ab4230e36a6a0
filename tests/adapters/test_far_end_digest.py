"""Only who knows the token comes in, nobody can say again what was said before, and strangers cost no memory."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.far_end.digest import REMEMBERED_NONCES, Gate, Standing
from tests.adapters.far_end_beside import sha256

TOKEN, LAPTOP, OTHER = "glaze0-kiln00-wheel0-shelf0", "10.0.0.7", "10.0.0.8"


class Steady:
    def __init__(self) -> None:
        self.s = 1000.0

    def __call__(self) -> float:
        return self.s


@pytest.fixture
def clock():
    return Steady()


@pytest.fixture
def gate(clock):
    return Gate(TOKEN, clock)


def nonce_of(challenge: str) -> str:
    return re.search('nonce="([^"]+)"', challenge)[1]


def said(nonce, count=1, *, token=TOKEN, method="GET", target="/bytes?count=5", uri=None, **more) -> str:
    words = {"username": "linktrial", "realm": "linktrial", "nonce": nonce, "uri": uri or target, "cnonce": "c"}
    known, what = sha256(f"linktrial:linktrial:{token}"), sha256(f"{method}:{uri or target}")
    proof = sha256(f"{known}:{nonce}:{count:08x}:c:auth:{what}")
    words = {**words, "response": proof, **more}
    quoted = ", ".join(f'{name}="{value}"' for name, value in words.items())
    return f"Digest {quoted}, qop=auth, algorithm=SHA-256, nc={count:08x}"


def standing(gate, authorization, *, method="GET", target="/bytes?count=5", client=LAPTOP):
    return gate.standing(authorization, method, target, client)


def test_who_knows_the_token_comes_in_and_a_count_is_good_once(gate):
    nonce = nonce_of(gate.challenge(LAPTOP))
    assert standing(gate, said(nonce)) is Standing.PAIRED
    assert standing(gate, said(nonce)) is Standing.STALE
    assert standing(gate, said(nonce, 2)) is Standing.PAIRED


def test_streams_that_share_a_nonce_may_come_out_of_order_each_once(gate):
    nonce = nonce_of(gate.challenge(LAPTOP))
    order = [3, 1, 900, 2, 899, 901]
    assert [standing(gate, said(nonce, count)) for count in order] == [Standing.PAIRED] * len(order)
    assert [standing(gate, said(nonce, count)) for count in order] == [Standing.STALE] * len(order)
    assert standing(gate, said(nonce, 0)) is Standing.STALE
    assert standing(gate, said(nonce, 5000)) is Standing.PAIRED
    assert standing(gate, said(nonce, 4)) is Standing.STALE, "too far behind to be known"


@given(st.lists(st.integers(1, 3000), max_size=60))
def test_no_count_is_ever_good_twice(counts):
    gate = Gate(TOKEN, Steady())
    nonce = nonce_of(gate.challenge(LAPTOP))
    good = [count for count in counts if standing(gate, said(nonce, count)) is Standing.PAIRED]
    assert len(set(good)) == len(good)
    if counts:
        assert good[0] == counts[0]


@pytest.mark.parametrize(
    "change",
    [
        {"token": "another-token-of-24-signs"},
        {"username": "anna"},
        {"realm": "elsewhere"},
        {"method": "PUT"},
        {"uri": "/claim?seconds=5"},
        {"response": ""},
        {"response": "é" * 64},
        {"response": "\udcff" * 64},  # a byte that is no UTF-8, as the head's reader gives it
    ],
    ids=str,
)
def test_nobody_else_does(gate, change):
    assert standing(gate, said(nonce_of(gate.challenge(LAPTOP)), **change)) is Standing.WRONG


def test_a_nonce_of_another_address_one_made_up_and_one_too_old_are_stale(gate, clock):
    nonce = nonce_of(gate.challenge(LAPTOP))
    assert standing(gate, said(nonce), client=OTHER) is Standing.STALE
    assert standing(gate, said("made-up")) is Standing.STALE
    first, rest = nonce[0], nonce[1:]
    assert standing(gate, said(("1" if first == "0" else "0") + rest)) is Standing.STALE
    clock.s += 301
    assert standing(gate, said(nonce)) is Standing.STALE
    again = gate.challenge(LAPTOP, stale=True)
    assert again.endswith("stale=true")
    assert standing(gate, said(nonce_of(again))) is Standing.PAIRED


def test_another_far_end_gives_no_nonce_that_holds_here(gate, clock):
    assert standing(gate, said(nonce_of(Gate(TOKEN, clock).challenge(LAPTOP)))) is Standing.STALE


def test_nonces_that_were_forgotten_hold_no_longer_so_no_replay_comes_of_it(gate, clock):
    first = nonce_of(gate.challenge(LAPTOP))
    assert standing(gate, said(first)) is Standing.PAIRED
    for _ in range(REMEMBERED_NONCES + 5):
        clock.s += 0.01
        assert standing(gate, said(nonce_of(gate.challenge(LAPTOP)))) is Standing.PAIRED
    assert standing(gate, said(first)) is Standing.STALE
    assert len(gate._used) == REMEMBERED_NONCES


def test_strangers_leave_nothing_behind(gate):
    for _ in range(1000):
        nonce = nonce_of(gate.challenge(OTHER))
        standing(gate, said(nonce, token="wrong-wrong-wrong-wrong"), client=OTHER)
    assert not gate._used


def test_no_credentials_are_none(gate):
    assert standing(gate, None) is Standing.NONE


@pytest.mark.parametrize("text", ["Basic bGlua3RyaWFs", 'Digest a="b", a="c"'])
def test_what_is_no_digest_is_not_read(text, gate):
    assert standing(gate, text) is Standing.WRONG


@given(st.text(st.characters(), max_size=200))
def test_nothing_that_anybody_says_is_more_than_wrong(text):
    gate = Gate(TOKEN, Steady())
    assert standing(gate, f"Digest {text}") is Standing.WRONG
