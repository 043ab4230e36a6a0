"""The arithmetic of RFC 7616 by its own example, and words of it read back."""

from __future__ import annotations

import re
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.http_digest import digest_parameters, response, secret_hash


def test_the_response_is_that_of_the_example_of_rfc_7616():
    """3.9.1, SHA-256."""
    hashed = secret_hash("Mufasa", "http-auth@example.org", "Circle of Life")
    assert (
        response(
            hashed,
            "GET",
            "/dir/index.html",
            nonce="7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v",
            count="00000001",
            cnonce="f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ",
        )
        == "753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1"
    )


def test_the_credentials_of_the_example_are_read_word_for_word():
    text = """Digest username="Mufasa",
       realm="http-auth@example.org",
       uri="/dir/index.html",
       algorithm=SHA-256,
       nonce="7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v",
       nc=00000001,
       cnonce="f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ",
       qop=auth,
       response="753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1",
       opaque="FQhe/qaU925kfnzjCev0ciny7QMkPqMAFRtzCUYo5tdS\""""
    read = digest_parameters(" ".join(text.split()))
    assert (read["username"], read["uri"], read["nc"]) == ("Mufasa", "/dir/index.html", "00000001")
    assert len(read) == 10


@pytest.mark.parametrize(
    "text",
    [
        "",
        "Digest",
        "Basic bGlua3RyaWFs",
        'Digest a="b", a="c"',
        'Digest a="b',
        "Digest a",
        "Digest ,",
        'Digest a="b" c="d"',
    ],
)
def test_what_is_no_digest_is_not_read(text):
    assert digest_parameters(text) is None


def test_names_are_any_token_and_space_round_them_does_not_matter():
    assert digest_parameters('Digest  A.b = c ,\td="e\\"f" ') == {"a.b": "c", "d": 'e"f'}


_names = st.text(string.ascii_lowercase, min_size=1, max_size=12)
_values = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=30)


@given(st.dictionaries(_names, _values, min_size=1, max_size=12))
def test_what_is_quoted_is_read_back(words):
    quoted = ", ".join('{}="{}"'.format(name, re.sub(r'(["\\])', r"\\\1", value)) for name, value in words.items())
    assert digest_parameters(f"Digest {quoted}") == words
