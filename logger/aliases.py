"""Aliases for what a shared file must not tell: the addresses of radios and the names of networks.

An alias is made from the name and a secret that never leaves the log. So the same radio has the same alias in every
report and export of this log, today and next month; another log has others; and nobody can go back from an alias to
the address, not even by trying all addresses that there are.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import re
from base64 import b32encode
from urllib.parse import urlsplit

from logger.log import Log

WORDS_STAY = (
    "addresses of radios and names of networks are replaced by aliases; places, labels and notes are otherwise as you"
    " wrote them: look before you send"
)
THIS_MACHINE = "this machine"  # what the log calls its own logger
_ALIAS_BYTES = 5  # eight letters: two of a thousand radios share one in 1 of 2 million logs
_LEAST_NAME = 3  # a shorter network name cannot be told from a word of the owner's
_ADDRESS = (
    r"[0-9a-f]{2}(?P<mark>[:-])[0-9a-f]{2}(?:(?P=mark)[0-9a-f]{2}){4}"
    r"|(?<![0-9a-f.])[0-9a-f]{4}\.[0-9a-f]{4}\.[0-9a-f]{4}(?![0-9a-f.])"
    r"|(?<![^\W_])(?P<prefix>wlx|enx|wwx)?(?P<bare>[0-9a-f]{12})(?![^\W_])"
)
_PATH = re.compile(r"(?<![^\s'\"(=])(?:~|[A-Za-z]:)?[/\\][^\s'\",;)]+")
_RADIO_KEYS = frozenset({"bssid", "from_bssid"})
_NETWORK_KEYS = frozenset({"ssid", "ssid_text"})
_FILE_KEYS = frozenset({"file", "log", "set_aside"})
_LEFT_OUT_KEYS = frozenset({"boot", "log_id"})


class Aliases:
    """The aliases of one log. ``networks``: the names that are to be found in what the owner wrote, ``radios``: the
    addresses, ``far_ends``: whom probes spoke to."""

    def __init__(
        self, secret: bytes, networks: frozenset[str], radios: frozenset[str], far_ends: frozenset[str] = frozenset()
    ) -> None:
        self._secret = secret
        named_ends = far_ends | {host for name in far_ends if (host := _host(name))}
        ends = sorted((name for name in named_ends if len(name) >= _LEAST_NAME), key=lambda name: (-len(name), name))
        self._far_ends = re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, ends))})(?!\w)") if ends else None
        self._radios = frozenset(map(_digits, radios))
        names = sorted((name for name in networks if len(name) >= _LEAST_NAME), key=lambda name: (-len(name), name))
        self._networks = {name.casefold(): name for name in names} | {name: name for name in names}
        named = [rf"(?<!\w)(?P<network>{'|'.join(map(re.escape, names))})(?!\w)"] if names else []
        self._address = re.compile(_ADDRESS, re.IGNORECASE)
        self._told = re.compile("|".join([*named, _ADDRESS]), re.IGNORECASE)

    @classmethod
    def of(cls, log: Log) -> Aliases:
        """As the log has them."""
        secret = log.db.execute("SELECT secret FROM alias_key").fetchone()[0]
        networks, radios = (
            {row[0] for table in ("link", "radio") for row in log.db.execute(f"SELECT DISTINCT {column} FROM {table}")}
            - {None}
            for column in ("ssid_text", "bssid")
        )
        for key in sorted(_NETWORK_KEYS | _RADIO_KEYS):
            told = log.db.execute("SELECT DISTINCT json_extract(detail, ?) FROM event", (f"$.{key}",))
            (networks if key in _NETWORK_KEYS else radios).update(row[0] for row in told if isinstance(row[0], str))
        far_ends = {row[0] for row in log.db.execute("SELECT DISTINCT far_end FROM probe")}
        return cls(bytes(secret), frozenset(networks), frozenset(radios), frozenset(far_ends))

    def radio(self, address: str) -> str:
        """ "radio-7kq2xdvm", whichever way the address is written."""
        return self._alias("radio", _digits(address))

    def network(self, name: str) -> str:
        """ "network-4mfr2a3c", of a name as ``ssid_text`` gives it."""
        return self._alias("network", name)

    def source(self, name: str) -> str:
        """Who recorded: a file's name may tell of its owner."""
        return name if name == THIS_MACHINE else self._alias("source", name)

    def far_end(self, name: str) -> str:
        """ "far-end-7kq2xdvm": its name or URL tells of a home."""
        return self._alias("far-end", name) if name else name

    def addresses(self, text: str) -> str:
        """The program's own words, with every address in them replaced."""
        return self._address.sub(self._replaced, text)

    def words(self, text: str) -> str:
        """The owner's words, with every address and every name of a network or far end of this log replaced."""
        if self._far_ends:
            text = self._far_ends.sub(lambda found: self.far_end(found[0]), text)
        return self._told.sub(self._replaced, text)

    def settings(self, text: str) -> str:
        """A version's settings, from JSON to JSON."""
        told = json.loads(text)
        return json.dumps({key: self.words(value) if isinstance(value, str) else value for key, value in told.items()})

    def detail(self, text: str) -> str:
        """An event's detail, from JSON to JSON: without paths, and without what names a log or a machine."""
        return json.dumps(self._inside(json.loads(text)))

    def _inside(self, value: object, key: str = "") -> object:
        if isinstance(value, dict):
            return {name: self._inside(inner, name) for name, inner in value.items() if name not in _LEFT_OUT_KEYS}
        if isinstance(value, list):
            return [self._inside(inner, key) for inner in value]
        if not isinstance(value, str):
            return value
        if key in _RADIO_KEYS:
            return self.radio(value)
        if key in _NETWORK_KEYS:
            return self.network(value)
        if key in _FILE_KEYS:
            return self._alias("file", value)
        return self.words(_PATH.sub(lambda path: self._alias("file", path[0]), value))

    def _replaced(self, found: re.Match[str]) -> str:
        parts = found.groupdict()
        if parts.get("network"):
            name = parts["network"]
            return self.network(self._networks.get(name) or self._networks.get(name.casefold(), name))
        bare, prefix = parts["bare"], parts["prefix"] or ""
        if bare and not prefix and bare.isdecimal() and bare not in self._radios:
            return found[0]  # a number, or a date and a time
        return f"{prefix}-{self.radio(bare)}" if prefix else self.radio(found[0])

    def _alias(self, kind: str, name: str) -> str:
        told = f"{kind}\0{name}".encode("utf-8", "surrogatepass")
        digest = hmac.new(self._secret, told, hashlib.sha256).digest()
        return f"{kind}-{b32encode(digest[:_ALIAS_BYTES]).decode('ascii').lower()}"


def _host(name: str) -> str:
    """The host in a URL or in "host:port"."""
    try:
        return urlsplit(name if "//" in name else f"//{name}").hostname or ""
    except ValueError:
        return ""


def _digits(address: str) -> str:
    return re.sub(r"[:.-]", "", address).lower()
