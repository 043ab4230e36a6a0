"""HTTP Digest access authentication (RFC 7616), the client's side: SHA-256, qop "auth". The password itself is never
sent, only what shows that we know it."""

from __future__ import annotations

import hashlib
import re
import secrets
from dataclasses import dataclass, field

from adapters.probing.errors import ProbeFailed

_PARAMETER = re.compile(r'([!#$%&\'*+.^_`|~0-9A-Za-z-]+)\s*=\s*(?:"((?:[^"\\]|\\.)*)"|([^\s",]+))\s*(?:,|$)')
_UNSAFE = re.compile(r'[^\x20-\x7e]|["\\]')


class NoChallenge(ProbeFailed):
    """The server asks for a kind of proof that we do not give."""


@dataclass(slots=True)
class Digest:
    """What one server asked for. Each ``answer`` counts on, so that its nonce serves many requests."""

    realm: str
    nonce: str
    opaque: str | None = None
    stale: bool = False  # only the nonce was too old
    _count: int = field(default=0, repr=False)

    def answer(self, method: str, uri: str, user: str, password: str, cnonce: str | None = None) -> str:
        """The value of the header Authorization for one request (RFC 7616, 3.4)."""
        self._count += 1
        cnonce = secrets.token_hex(16) if cnonce is None else cnonce
        count = f"{self._count:08x}"
        secret = _hash(f"{user}:{self.realm}:{password}")
        response = _hash(f"{secret}:{self.nonce}:{count}:{cnonce}:auth:{_hash(f'{method}:{uri}')}")
        parts = [
            f'username="{user}"', f'realm="{self.realm}"', f'uri="{uri}"', "algorithm=SHA-256", f'nonce="{self.nonce}"',
            f"nc={count}", f'cnonce="{cnonce}"', "qop=auth", f'response="{response}"',
        ]  # fmt: skip
        if self.opaque is not None:
            parts.append(f'opaque="{self.opaque}"')
        return "Digest " + ", ".join(parts)


def read_challenge(headers: list[str]) -> Digest:
    """The challenge in the values of WWW-Authenticate that we can answer. Raises NoChallenge where there is none."""
    for value in headers:
        scheme, _, rest = value.strip().partition(" ")
        if scheme.lower() != "digest":
            continue
        told = _parameters(rest)
        if told is None or told.get("algorithm", "").upper() != "SHA-256":
            continue
        offered = {one.strip() for one in told.get("qop", "").split(",")}
        words = [told.get("realm"), told.get("nonce"), told.get("opaque", "")]
        if "auth" not in offered or any(word is None or _UNSAFE.search(word) for word in words):
            continue
        return Digest(told["realm"], told["nonce"], told.get("opaque"), told.get("stale", "").lower() == "true")
    raise NoChallenge("the other side asks for a proof that is not HTTP Digest with SHA-256; is it a far end?")


def _parameters(text: str) -> dict[str, str] | None:
    """RFC 7616's list of name=value; None where it is none, or a name stands twice."""
    found: dict[str, str] = {}
    at, text = 0, text.strip()
    while at < len(text):
        one = _PARAMETER.match(text, at)
        if one is None or one[1].lower() in found:
            return None
        found[one[1].lower()] = re.sub(r"\\(.)", r"\1", one[2]) if one[2] is not None else one[3]
        at = one.end()
        while at < len(text) and text[at].isspace():
            at += 1
    return found


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
