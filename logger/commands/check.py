"""What this machine, card and driver can measure, with which rights, and what to do where something is missing."""

from __future__ import annotations

import argparse
import shutil
import textwrap
from dataclasses import asdict

from adapters import open_adapter
from adapters.abilities import abilities_to_hear
from adapters.contract import Ability
from adapters.errors import AdapterError
from adapters.rights import Surroundings, driver_of, right_to_echo, right_to_scan, surroundings
from logger.commands import add_json_option
from logger.commands.saying import say_json
from logger.probing.meeting import far_end_now

_SIGNS = {True: "yes", False: "no", None: "?"}


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--interface", metavar="NAME", help="the wireless interface (else the one that is joined)")
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    around = surroundings()
    findings: dict[str, object] = {"interface": None, "adapter": None, "driver": None, "error": None}
    abilities: list[Ability] = []
    beside: list[Ability] = []  # what is there besides the link
    failure: AdapterError | None = None
    try:
        adapter = open_adapter(args.interface)
        findings |= {
            "interface": adapter.interface,
            "adapter": adapter.name,
            "driver": driver_of(adapter.interface),
        }
        try:
            abilities = adapter.abilities()
            beside = [*abilities_to_hear(adapter), right_to_scan(around.network_admin)]
        finally:
            adapter.close()
    except AdapterError as error:
        failure = error
        findings["error"] = str(error)
    interface = findings["interface"]
    beside += [right_to_echo(), far_end_now(interface if isinstance(interface, str) else None)]
    if args.json:
        told = {"quantities": abilities, "beside": beside}
        say_json(**findings, **asdict(around), **{name: [asdict(each) for each in told[name]] for name in told})
    else:
        print("\n".join([*_machine(around), *_card(findings), *_quantities(abilities), *_quantities(beside)]))
    if failure is not None:
        raise failure
    return 0


def _machine(around: Surroundings) -> list[str]:
    user = "user unknown" if around.user_id is None else f"user {around.user_id}"
    if around.user_id == 0:
        user += " (root)"
    right = {True: "with CAP_NET_ADMIN", False: "without CAP_NET_ADMIN (reading needs none)", None: ""}
    lines = [
        f"system     {around.system}" + (f", inside {around.container}" if around.container else ""),
        "rights     " + ", ".join(part for part in (user, right[around.network_admin]) if part),
    ]
    if around.netlink is not None:
        lines.append(f"kernel     netlink: {_SIGNS[around.netlink]}, nl80211 (Wi-Fi): {_SIGNS[around.nl80211]}")
    return lines


def _card(findings: dict[str, object]) -> list[str]:
    if findings["interface"] is None:
        return ["interface  none"]
    return [f"interface  {findings['interface']}, driver {findings['driver'] or 'unknown'}"]


def _quantities(abilities: list[Ability]) -> list[str]:
    name_width = max((len(ability.quantity) for ability in abilities), default=0)
    margin = " " * (name_width + 7)
    columns = max(60, shutil.get_terminal_size().columns)
    lines = [""] if abilities else []
    for ability in abilities:
        lines.append(f"{_SIGNS[ability.available]:<4} {ability.quantity:<{name_width}}  {ability.now}")
        if ability.remedy:
            lines += textwrap.wrap(ability.remedy, columns, initial_indent=margin, subsequent_indent=margin)
    return lines
