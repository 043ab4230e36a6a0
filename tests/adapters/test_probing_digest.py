"""The client's side of HTTP Digest, against the example of RFC 7616 and a server that is not ours."""

from __future__ import annotations

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.far_end.digest import Gate, Standing
from adapters.probing.digest import Digest, NoChallenge, read_challenge

# RFC 7616, 3.9.1: one challenge for each algorithm, the client answers the one that it knows.
RFC_REALM = "http-auth@example.org"
RFC_NONCE = "7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v"
RFC_OPAQUE = "FQhe/qaU925kfnzjCev0ciny7QMkPqMAFRtzCUYo5tdS"
RFC_CNONCE = "f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ"
RFC_RESPONSE = "753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1"
RFC_CHALLENGES = [
    f'Digest realm="{RFC_REALM}", qop="auth, auth-int", algorithm={algorithm}, nonce="{RFC_NONCE}", opaque="{RFC_OPAQUE}"'
    for algorithm in ("MD5", "SHA-256")
]


def test_the_example_of_the_standard():
    challenge = read_challenge(RFC_CHALLENGES)
    answer = challenge.answer("GET", "/dir/index.html", "Mufasa", "Circle of Life", cnonce=RFC_CNONCE)
    assert f'response="{RFC_RESPONSE}"' in answer
    for part in ('username="Mufasa"', 'uri="/dir/index.html"', "algorithm=SHA-256", "nc=00000001", "qop=auth"):
        assert part in answer
    assert f'opaque="{RFC_OPAQUE}"' in answer


def test_each_answer_counts_on_and_has_a_mark_of_its_own():
    challenge = Digest("linktrial", "n1")
    first, second = (challenge.answer("GET", "/bytes?count=1", "linktrial", "token") for _ in range(2))
    assert "nc=00000001" in first
    assert "nc=00000002" in second
    assert len({answer.partition('cnonce="')[2][:32] for answer in (first, second)}) == 2


def test_the_password_is_in_no_answer():
    assert "kiln-token" not in Digest("linktrial", "n1").answer("GET", "/", "linktrial", "kiln-token")


def test_the_far_end_takes_what_we_answer():
    gate = Gate("wheel-token-1234", lambda: 0.0)
    challenge = read_challenge([gate.challenge("192.168.1.7")])
    answers = [
        challenge.answer("PUT", "/bytes", "linktrial", token) for token in ("wheel-token-1234", "other-token-1234")
    ]
    assert [gate.standing(one, "PUT", "/bytes", "192.168.1.7") for one in answers] == [Standing.PAIRED, Standing.WRONG]


def test_that_only_the_nonce_was_too_old_is_understood():
    gate = Gate("wheel-token-1234", lambda: 0.0)
    assert read_challenge([gate.challenge("192.168.1.7", stale=True)]).stale
    assert not read_challenge([gate.challenge("192.168.1.7")]).stale


@pytest.mark.parametrize(
    "told",
    [
        [],
        ['Basic realm="linktrial"'],
        ['Digest realm="a", nonce="b", qop="auth"'],  # MD5 by default
        ['Digest realm="a", nonce="b", algorithm=SHA-256'],  # no qop
        ['Digest realm="a", nonce="b", algorithm=SHA-256, qop="auth-int"'],
        ['Digest realm="a", algorithm=SHA-256, qop="auth"'],
        ['Digest realm="a", realm="b", nonce="c", algorithm=SHA-256, qop="auth"'],
        ['Digest realm="a\\"b", nonce="c", algorithm=SHA-256, qop="auth"'],  # would break out of our answer
        ['Digest realm="a", nonce="c\x01", algorithm=SHA-256, qop="auth"'],
        ["Digest ,,,"],
    ],
)
def test_what_we_cannot_or_will_not_answer_is_refused(told):
    with pytest.raises(NoChallenge, match="SHA-256"):
        read_challenge(told)


@given(st.lists(st.text(string.printable, max_size=60).map(lambda text: "Digest " + text), max_size=3))
def test_no_challenge_breaks_the_reader(told):
    try:
        found = read_challenge(told)
    except NoChallenge:
        return
    assert '"' not in found.nonce


def test_the_far_end_shows_that_it_knows_the_token_whatever_mark_it_is_given():
    gate = Gate("wheel-token-1234", lambda: 0.0)
    for cnonce in ("clay", 'a"b\\c', "\udcff"):
        challenge = read_challenge([gate.challenge("192.168.1.7")])
        assert not challenge.shown_in('rspauth=""'), "before anything was asked"
        challenge.answer("PUT", "/bytes", "linktrial", "wheel-token-1234", cnonce=cnonce)
        quoted = cnonce.replace("\\", "\\\\").replace('"', '\\"')
        said = f'Digest nonce="{challenge.nonce}", nc=00000001, cnonce="{quoted}"'
        assert challenge.shown_in(gate.counterproof(said, "/bytes"))
        assert not challenge.shown_in(gate.counterproof(said, "/claim"))
        assert not challenge.shown_in(Gate("other-token-1234", lambda: 0.0).counterproof(said, "/bytes"))
