"""Who knows the token, by HTTP Digest (RFC 7616): it never crosses the wire.

Nonces carry their own proof (time of issue, chance, and an HMAC over both and the client's address), so a stranger who
asks for a million of them costs no memory. What is kept is which counts of a nonce were used, and only for nonces that
somebody who knows the token has used.
"""

from __future__ import annotations

import hmac
import re
import secrets
from collections import OrderedDict
from collections.abc import Callable
from enum import Enum

from adapters.far_end import REALM, USER
from adapters.http_digest import digest_parameters, response, secret_hash

NONCE_S = 300.0
REMEMBERED_NONCES = 256
_WINDOW = 1024  # counts that may come out of order: streams share a nonce, and their connections race
_NONCE = re.compile(r"([0-9a-f]{1,16})-([0-9a-f]{16})-([0-9a-f]{32})")
_COUNT = re.compile(r"[0-9a-fA-F]{8}")


class Standing(Enum):
    """What a request's credentials are worth."""

    PAIRED = "paired"
    NONE = "none"  # it has none
    STALE = "stale"  # made by somebody who knows the token, for a nonce that no longer holds or was used: try again
    WRONG = "wrong"


class Gate:
    """Tells who knows the token. ``steady_s`` is a clock that is never set."""

    def __init__(self, token: str, steady_s: Callable[[], float], *, nonce_s: float = NONCE_S) -> None:
        self._secret_hash = secret_hash(USER, REALM, token)
        self._steady_s, self._nonce_s = steady_s, nonce_s
        self._key = secrets.token_bytes(32)
        # By nonce: the highest count, and those before it as bits.
        self._used: OrderedDict[str, tuple[int, int]] = OrderedDict()
        self._void_before_ms = -1  # nonces as old as one that was forgotten hold no longer: their counts are not known

    def challenge(self, client: str, *, stale: bool = False) -> str:
        """The value of a WWW-Authenticate header for a client at that address."""
        nonce = self._nonce(int(self._steady_s() * 1000), secrets.token_hex(8), client)
        words = f'Digest realm="{REALM}", qop="auth", algorithm=SHA-256, nonce="{nonce}"'
        return words + (", stale=true" if stale else "")

    def standing(self, authorization: str | None, method: str, target: str, client: str) -> Standing:
        """What the value of an Authorization header is worth for this request. Its count is then used up."""
        if authorization is None:
            return Standing.NONE
        said = digest_parameters(authorization)
        if said is None:
            return Standing.WRONG
        wanted = {"username": USER, "realm": REALM, "uri": target, "qop": "auth"}
        if any(said.get(name) != value for name, value in wanted.items()):
            return Standing.WRONG
        if said.get("algorithm", "").upper() != "SHA-256" or not _COUNT.fullmatch(said.get("nc", "")):
            return Standing.WRONG
        nonce, count, cnonce = said.get("nonce", ""), said["nc"], said.get("cnonce", "")
        right = response(self._secret_hash, method, target, nonce=nonce, count=count, cnonce=cnonce)
        shown = said.get("response", "").lower().encode("utf-8", "surrogateescape")
        if not hmac.compare_digest(right.encode(), shown):
            return Standing.WRONG
        return Standing.PAIRED if self._fresh(nonce, client) and self._use(nonce, int(count, 16)) else Standing.STALE

    def counterproof(self, authorization: str, target: str) -> str:
        """The value of an Authentication-Info header (3.5) for a request that came in: we know the token, too."""
        said = digest_parameters(authorization) or {}
        nonce, count, cnonce = (said.get(name, "") for name in ("nonce", "nc", "cnonce"))
        shown = response(self._secret_hash, "", target, nonce=nonce, count=count, cnonce=cnonce)
        quoted = re.sub(r'(["\\])', r"\\\1", cnonce)
        return f'rspauth="{shown}", qop=auth, cnonce="{quoted}", nc={count}'

    def _nonce(self, issued_ms: int, chance: str, client: str) -> str:
        text = f"{issued_ms:x}-{chance}"
        return f"{text}-{hmac.digest(self._key, f'{text} {client}'.encode(), 'sha256').hex()[:32]}"

    def _fresh(self, nonce: str, client: str) -> bool:
        parts = _NONCE.fullmatch(nonce)
        if parts is None:
            return False
        issued_ms = int(parts[1], 16)
        if not hmac.compare_digest(self._nonce(issued_ms, parts[2], client).encode(), nonce.encode()):
            return False
        age_s = self._steady_s() - issued_ms / 1000
        return age_s <= self._nonce_s and (issued_ms > self._void_before_ms or nonce in self._used)

    def _use(self, nonce: str, count: int) -> bool:
        """Whether that count of a nonce is used for the first time."""
        highest, seen = self._used.get(nonce, (0, 0))
        if count > highest:
            seen = ((seen << min(count - highest, _WINDOW)) | 1) & ((1 << _WINDOW) - 1)
            highest = count
        else:
            bit = 1 << (highest - count)
            if highest - count >= _WINDOW or count == 0 or seen & bit:
                return False
            seen |= bit
        self._used[nonce] = (highest, seen)
        self._used.move_to_end(nonce)
        while len(self._used) > REMEMBERED_NONCES:
            forgotten, _ = self._used.popitem(last=False)
            self._void_before_ms = max(self._void_before_ms, int(forgotten.split("-")[0], 16))
        return True
