"""The client's side of HTTP Digest (RFC 7616). The password itself is never sent, only what shows that we know it."""

from __future__ import annotations

import re
import secrets
from dataclasses import dataclass, field
from hmac import compare_digest

from adapters.http_digest import digest_parameters, parameters, response, secret_hash
from adapters.probing.errors import ProbeFailed

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
    awaited: str = field(default="", repr=False)  # what the other side shows to the last answer if it knows it, too
    _count: int = field(default=0, repr=False)

    def shown_in(self, info: str) -> bool:
        """Whether the value of a header Authentication-Info shows that the other side knows the password (3.5)."""
        told = (parameters(info) or {}).get("rspauth", "")
        return bool(self.awaited) and compare_digest(told.encode("utf-8", "replace"), self.awaited.encode())

    def answer(self, method: str, uri: str, user: str, password: str, cnonce: str | None = None) -> str:
        """The value of the header Authorization for one request (RFC 7616, 3.4)."""
        self._count += 1
        cnonce = secrets.token_hex(16) if cnonce is None else cnonce
        count = f"{self._count:08x}"
        secret = secret_hash(user, self.realm, password)
        proof = response(secret, method, uri, nonce=self.nonce, count=count, cnonce=cnonce)
        self.awaited = response(secret, "", uri, nonce=self.nonce, count=count, cnonce=cnonce)
        parts = [
            f'username="{user}"', f'realm="{self.realm}"', f'uri="{uri}"', "algorithm=SHA-256", f'nonce="{self.nonce}"',
            f"nc={count}", f'cnonce="{cnonce}"', "qop=auth", f'response="{proof}"',
        ]  # fmt: skip
        if self.opaque is not None:
            parts.append(f'opaque="{self.opaque}"')
        return "Digest " + ", ".join(parts)


def read_challenge(headers: list[str]) -> Digest:
    """The challenge in the values of WWW-Authenticate that we can answer. Raises NoChallenge where there is none."""
    for value in headers:
        told = digest_parameters(value)
        if told is None or told.get("algorithm", "").upper() != "SHA-256":
            continue
        offered = {one.strip() for one in told.get("qop", "").split(",")}
        words = [told.get("realm"), told.get("nonce"), told.get("opaque", "")]
        if "auth" not in offered or any(word is None or _UNSAFE.search(word) for word in words):
            continue
        return Digest(told["realm"], told["nonce"], told.get("opaque"), told.get("stale", "").lower() == "true")
    raise NoChallenge("the other side asks for a proof that is not HTTP Digest with SHA-256; is it a far end?")
