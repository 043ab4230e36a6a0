"""The other end for transfers: leave this running on a machine that is wired to the router.

It serves this machine and private networks only, and nobody who cannot say the pairing token, which it keeps in a file
for your eyes alone. Once it runs it uses no file. Ctrl-C ends it.
"""

from __future__ import annotations

import argparse
import asyncio
import signal
import socket
import sys
import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack, closing, suppress
from ipaddress import IPv4Network, IPv6Network, ip_network
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.far_end import DEFAULT_PORT
from logger.commands import add_json_option
from logger.commands.saying import say_json
from logger.printable import printable, printable_json
from logger.voice import Voice

if TYPE_CHECKING:
    from adapters.far_end.announcing import Announcer
    from adapters.far_end.limits import Limits
    from adapters.far_end.server import FarEnd

_STRANGERS = ("refused", "wrong-token", "limited", "failed")  # what anybody can cause
_OF_STRANGERS, _OF_OTHERS = 20, 200  # told in a minute: a journal is not to be filled, nor a probe's lines pushed out
# option, its place in Limits, what one of it is there, least, most, words
_LIMITS = (
    ("--max-seconds", "transfer_s", 1, 1, 3600, "of one transfer (else 90)"),
    ("--max-connections", "connections", 1, 2, 10_000, "at once (else 128)"),
    ("--max-connections-per-client", "connections_per_client", 1, 1, 10_000, "at once from one address (else 32)"),
    ("--max-daily-gb", "daily_bytes", 1e9, 0, 1e6, "transferred in a day (else 1000; 0: no limit)"),
    ("--max-daily-gb-per-client", "daily_bytes_per_client", 1e9, 0, 1e6, "the same, per address (else 250; 0: none)"),
    ("--max-mbps", "rate_mbps", 1, 0, 1e6, "of all transfers; it limits what is measured (else 0: none)"),
    ("--max-mbps-per-client", "rate_per_client_mbps", 1, 0, 1e6, "the same, per address (else 0: none)"),
)


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--port", type=_number(0, 65_535), default=DEFAULT_PORT, metavar="N", help=f"else {DEFAULT_PORT}"
    )
    parser.add_argument("--listen", action="append", metavar="ADDRESS", help="only there; may be said again")
    parser.add_argument(
        "--open-to", action="append", type=_network, metavar="CIDR", help="serve this network, too; may be said again"
    )
    parser.add_argument("--name", help="what it calls itself (else this machine's name)")
    parser.add_argument("--no-announce", action="store_true", help="do not announce it by mDNS")
    parser.add_argument("--token-file", type=Path, metavar="PATH", help="else in the platform's configuration folder")
    parser.add_argument("--new-token", action="store_true", help="make another token: clients have to be paired anew")
    parser.add_argument("--show-token", action="store_true", help="print the token, and serve nothing")
    for option, place, _, low, high, words in _LIMITS:
        parser.add_argument(option, dest=place, type=_number(low, high), metavar="N", help=words)
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    if args.show_token:
        token = _token(args)
        if args.json:
            return say_json(token=token)
        print(token)
        return 0
    from adapters.far_end.listening import listen

    with ExitStack() as at_end:
        listeners = [at_end.enter_context(one) for one in listen(args.port, args.listen or ())]
        return _run(args, listeners, _token(args))  # no token is replaced where this one cannot serve


def _run(args: argparse.Namespace, listeners: list[socket.socket], token: str) -> int:
    from importlib.metadata import version

    from adapters.far_end.announcing import Announcer, addresses_to_announce, instance_name
    from adapters.far_end.peers import Peers
    from adapters.far_end.sealed import seal
    from adapters.far_end.server import FarEnd, Happening

    name = instance_name(args.name or socket.gethostname().partition(".")[0])  # one name, by whatever way one asks
    peers = Peers(args.open_to or ())
    with closing(_Said(as_json=args.json)) as said:

        def tell(happening: Happening) -> None:
            said.event(happening.kind, client=happening.client, **happening.detail)

        far_end = FarEnd(token, name=name, version=version("linktrial"), limits=_limits(args), peers=peers, tell=tell)
        port = listeners[0].getsockname()[1]
        announcer = None
        if not args.no_announce:
            announcer = Announcer(name, port, lambda: addresses_to_announce(peers, args.listen or ()), said.announced)
        said.begins(name, port, token, args.listen or ["all addresses"])
        seal()
        with suppress(KeyboardInterrupt):  # where the system has no signals that a loop can hear
            asyncio.run(_serve(far_end, listeners, announcer))
        said.event("stopped")
    return 0


async def _serve(far_end: FarEnd, listeners: list[socket.socket], announcer: Announcer | None) -> None:
    """Until a signal."""
    loop, stop = asyncio.get_running_loop(), asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        with suppress(NotImplementedError):
            loop.add_signal_handler(number, stop.set)
    tasks = [loop.create_task(far_end.serve(listeners))]
    if announcer is not None:
        tasks.append(loop.create_task(announcer.run()))
    stopping = loop.create_task(stop.wait())
    try:
        await asyncio.wait([stopping, tasks[0]], return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in (stopping, *tasks):
            task.cancel()
        ends = await asyncio.gather(*tasks, return_exceptions=True)
        for listener in listeners:
            listener.close()
    for end in ends:
        if isinstance(end, Exception):
            raise end


class _Said:
    """Lines for a person at a terminal or for the journal, or JSON for a program; so many a minute, and then how many
    more there were."""

    def __init__(self, *, as_json: bool) -> None:
        self._voice = Voice(sys.stdout, sys.stderr)
        self._json = as_json
        self._quiet = not (self._voice.live or self._voice.takes_fields)
        self._minute = -1
        self._told: Counter[bool] = Counter()  # in this minute; True: of strangers
        self._left_out = 0
        time.localtime()  # reads the zone's file, now

    def begins(self, name: str, port: int, token: str, where: list[str]) -> None:
        if self._voice.live and not self._json:
            self._voice.line(_now_ms(), f"{name} listens on port {port} at {', '.join(where)}; Ctrl-C stops it")
            self._voice.line(_now_ms(), f"pairing token: {token}")
        else:  # what is not a terminal may be kept: no secret goes there
            self.event("listening", name=name, port=port, at=where)

    def announced(self, addresses: Sequence[str], trouble: str | None) -> None:
        if trouble:
            self.event("not-announced", trouble=trouble)
        else:
            self.event("announced", addresses=list(addresses))

    def event(self, kind: str, **detail: object) -> None:
        now_ms, strangers = _now_ms(), kind in _STRANGERS
        if now_ms // 60_000 != self._minute:
            self._tell_left_out(now_ms)
            self._minute = now_ms // 60_000
            self._told.clear()
        self._told[strangers] += 1
        if self._told[strangers] <= (_OF_STRANGERS if strangers else _OF_OTHERS):
            self._write(now_ms, kind, detail)
        else:
            self._left_out += 1

    def close(self) -> None:
        self._tell_left_out(_now_ms())
        self._voice.close()

    def _tell_left_out(self, now_ms: int) -> None:
        if self._left_out:
            self._write(now_ms, "not-told", {"events": self._left_out})
        self._left_out = 0

    def _write(self, now_ms: int, kind: str, detail: Mapping[str, object]) -> None:
        if self._json:
            self._voice.write(printable_json({"time_utc_ms": now_ms, "event": kind, **detail}))
        elif not self._quiet:
            self._voice.line(now_ms, _words(kind, detail))


def _words(kind: str, detail: Mapping[str, object]) -> str:
    who = detail.get("client")
    match kind:
        case "listening":
            return f"{detail['name']} listens on port {detail['port']}; --show-token prints the pairing token"
        case "announced" if detail["addresses"]:
            return f"announced by mDNS at {', '.join(map(str, _list(detail['addresses'])))}"
        case "announced":
            return "not announced: no network that is private"
        case "not-announced":
            return f"not announced: {detail['trouble']}"
        case "transfer":
            ended = "" if detail["ended"] == "whole" else f", ended: {_ENDED[str(detail['ended'])]}"
            size, took = _size(_float(detail["bytes"])), _took(_float(detail["seconds"]))
            return f"{who}: {size} {detail['direction']} in {took}{ended}"
        case "claimed":
            return f"{who} has the link for up to {detail['seconds']} s"
        case "given-back":
            return f"{who} gave the link back"
        case "refused":
            return f"{who} is in no private network, and was refused; --open-to would let it in"
        case "wrong-token":
            return f"{who} does not know the pairing token"
        case "limited":
            return f"{who} met the limit of {detail['by']}"
        case "not-told":
            return f"{detail['events']} more events were not told"
        case "failed":
            return f"{who}: {detail['error']}; the connection was ended"
    return kind


_ENDED = {
    "time": "its time was up",
    "stall": "it stood still",
    "budget": "the day's bytes are spent",
    "gone": "the client went away",
}


def _size(n_bytes: float) -> str:
    if n_bytes < 1000:
        return f"{n_bytes:.0f} bytes"
    return f"{n_bytes / 1e3:.0f} kB" if n_bytes < 999_500 else f"{n_bytes / 1e6:.1f} MB"


def _took(seconds: float) -> str:
    if seconds < 0.001:
        return "less than 1 ms"
    return f"{seconds * 1000:.0f} ms" if seconds < 0.9995 else f"{seconds:.2f} s"


def _float(value: object) -> float:
    return float(str(value))


def _list(value: object) -> list[object]:
    return list(value) if isinstance(value, list) else []


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


def _number(low: float, high: float) -> Callable[[str], int]:
    def parsed(text: str) -> int:
        if not (text.isascii() and text.isdecimal() and len(text) <= 9 and low <= int(text) <= high):
            raise argparse.ArgumentTypeError(f"'{text}' is no whole number from {low:.0f} to {high:.0f}")
        return int(text)

    return parsed


def _network(text: str) -> IPv4Network | IPv6Network:
    try:
        return ip_network(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{error}; a network is such as 192.0.2.0/24") from None


def _limits(args: argparse.Namespace) -> Limits:
    from adapters.far_end.limits import Limits

    said = {place: getattr(args, place) * unit for _, place, unit, *_ in _LIMITS if getattr(args, place) is not None}
    return Limits(**said)


def _token(args: argparse.Namespace) -> str:
    from adapters.far_end.pairing import keep_token, new_token, read_token, token_path

    path = args.token_file or token_path()
    token = None if args.new_token else read_token(path)
    if token is None:
        token = new_token()
        replaces = path.exists()
        keep_token(path, token)
        if replaces:
            _say_who_has_the_old_one(args)
    return token


def _say_who_has_the_old_one(args: argparse.Namespace) -> None:
    """A far end opens no file once it runs: what it read when it began it takes until it ends."""
    from adapters.far_end.listening import far_end_at

    who = "a far end that runs" if args.show_token else None  # it may listen where we do not look
    for port in {args.port, DEFAULT_PORT} - {0 if args.show_token else args.port, 0}:
        for where in args.listen or ["0.0.0.0"]:
            name = far_end_at(port, where)
            who = who if name is None else f"the far end '{printable(name)}' that runs on port {port}"
    if who is not None:
        words = f"{who} takes the old token until it is restarted; then pair each laptop anew"
        print(f"linktrial far-end: {words}", file=sys.stderr)
