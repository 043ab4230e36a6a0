"""HTTP Digest (RFC 7616) with SHA-256 and qop "auth", as both ends need it: its arithmetic, and its words read."""

from __future__ import annotations

import hashlib
import re

_PARAMETER = re.compile(r'\s*([!#$%&\'*+.^_`|~0-9A-Za-z-]+)\s*=\s*(?:"((?:[^"\\]|\\.)*)"|([^\s",]+))\s*(?:,|$)')


def secret_hash(user: str, realm: str, password: str) -> str:
    """H(A1), 3.4.2."""
    return _sha256(f"{user}:{realm}:{password}")


def response(hashed: str, method: str, target: str, *, nonce: str, count: str, cnonce: str) -> str:
    """The response to a challenge, 3.4.1; ``hashed`` is the secret_hash, ``count`` eight hex digits. With the method ""
    it is what the server shows in turn, ``rspauth`` (3.5)."""
    return _sha256(f"{hashed}:{nonce}:{count}:{cnonce}:auth:{_sha256(f'{method}:{target}')}")


def digest_parameters(header: str) -> dict[str, str] | None:
    """Of a header of the scheme Digest, names in lower case; None if it is of another, is malformed, or says anything
    twice."""
    scheme, _, rest = header.strip().partition(" ")
    return parameters(rest) if scheme.lower() == "digest" and rest.strip() else None


def parameters(text: str) -> dict[str, str] | None:
    """A list of name=value (RFC 9110, 11.2), names in lower case; None if it is none, or says anything twice."""
    said: dict[str, str] = {}
    at, text = 0, text.rstrip()
    while at < len(text):
        found = _PARAMETER.match(text, at)
        if found is None or found[1].lower() in said:
            return None
        said[found[1].lower()] = re.sub(r"\\(.)", r"\1", found[2]) if found[2] is not None else found[3]
        at = found.end()
    return said


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()
