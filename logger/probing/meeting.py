"""A far end is met: found in this network, asked whether it takes the token, and found again where it has moved.

Anybody in a network can announce a far end. The token is never sent, so a stranger learns nothing of it; and only one
that takes it is kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress

from adapters.contract import Ability
from adapters.errors import AdapterError
from adapters.probing.errors import ProbeFailed, WayAstray
from adapters.probing.finding import FoundFarEnd, NoLookingAround, find_far_ends
from adapters.probing.greeting import meet
from adapters.probing.http_wire import Connection, Proof
from adapters.probing.target import far_end_target
from adapters.probing.way import Way, interface_to, read_routes
from logger.errors import LogError
from logger.printable import printable
from logger.probing.pairing import Paired, keep_pairing, read_pairing, target_of
from logger.settings import load_settings

NAMED_AT_MOST = 5
TRIED_AT_MOST = 4  # of its addresses: one that nobody has takes seconds


def the_only_one(found: list[FoundFarEnd]) -> FoundFarEnd:
    """Raises LogError where there is none, or more than one to choose from."""
    if not found:
        raise LogError(
            "no far end answers in this network; is 'linktrial far-end' running? Else name it: --pair ADDRESS"
        )
    if len(found) > 1:
        names = [f"'{printable(one.name)}' at {one.address}" for one in found[:NAMED_AT_MOST]]
        more = len(found) - len(names)
        told = ", ".join([*names, *([f"{more} more"] if more else [])])
        raise LogError(f"{len(found)} far ends answer: {told}; say which: --pair ADDRESS")
    return found[0]


def met(interface: str, address: str, token: str) -> Paired:
    """The far end at that address, which takes the token. Raises AdapterError where there is none, or it does not."""
    name = meet(interface, far_end_target(address, token))
    return Paired(address, name, token)


def met_at_one(interface: str, found: FoundFarEnd, token: str) -> Paired:
    """The far end found, at the first of its addresses that answers. Raises AdapterError, for the likeliest one, where
    none does."""
    trouble: AdapterError | None = None
    for address in found.places(read_routes(), interface)[:TRIED_AT_MOST]:
        try:
            return met(interface, address, token)
        except AdapterError as error:
            trouble = trouble or error
    raise trouble or NoLookingAround(f"'{printable(found.name)}' has no address")


def met_anyhow(probed: str | None, places: Sequence[str], token: str, *, or_else: bool) -> tuple[Paired, str]:
    """The far end at the first of those addresses that answers, and over which interface: the one that is probed, where
    there is one and it leads there, ``or_else`` any that does. Raises AdapterError, for the first, where none does."""
    trouble: AdapterError | None = None
    for over_any in (False, True) if or_else else (False,):
        for address in places[:TRIED_AT_MOST]:
            try:
                target = far_end_target(address, token)
                over = interface_to(target.host, target.port) if over_any else probed
                if over is not None:
                    return met(over, address, token), over
            except AdapterError as error:
                trouble = trouble or error
        if trouble is not None and not isinstance(trouble, WayAstray):
            break  # it was reached
    raise trouble or ProbeFailed(f"no way leads to {places[0]!a}; is this machine in its network?")


def met_elsewhere(interface: str) -> Paired | None:
    """The far end paired with, where it now answers at another address: kept so. None where it does not."""
    try:
        paired = read_pairing()
        if paired is None:
            return None
        for one in find_far_ends():
            if one.name != paired.name:
                continue
            with suppress(AdapterError):  # a stranger may have taken its name
                again = met_at_one(interface, one, paired.token)
                if again.address == paired.address:
                    return None
                keep_pairing(again)
                return again
    except (AdapterError, LogError):  # another turn may tell
        return None
    return None


def far_end_now(interface: str | None) -> Ability:
    """Whether probes have whom to speak to, for ``linktrial check``: reached over the interface, the token taken."""
    name, run = "far end", "run 'linktrial far-end' on a wired machine, then 'linktrial probe --pair' here"
    try:
        target = target_of(load_settings())
    except LogError as error:
        return Ability(name, "", False, printable(str(error)))
    if target is None:
        return Ability(name, "", False, "none is paired with: probes ask the gateway alone", run)
    label = printable(target.label)
    if interface is None:
        return Ability(name, "", None, f"{label}, which was not tried without an interface")
    try:
        if target.is_far_end:
            words = f"'{printable(meet(interface, target))}' at {label} takes the token"
        else:
            Connection(target, Way(interface), Proof(None)).close()
            words = f"{label} takes connections"
    except (AdapterError, OSError) as error:
        return Ability(name, "", False, printable(str(error)), None if target.is_far_end else "see 'probe_far_end'")
    return Ability(name, "", True, words)
