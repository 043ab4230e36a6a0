"""Let the system run 'linktrial log': from now on, after a restart, and again when it fails.

'show' prints what would be written and done, and changes nothing; 'install' does it; 'uninstall' undoes it and leaves
the log where it is.
"""

from __future__ import annotations

import argparse
import os

from logger.commands import add_json_option, add_log_option
from logger.commands.saying import say_json
from logger.errors import LogError
from logger.log import log_path
from logger.printable import printable
from logger.service import machine
from logger.service.plan import Plan, Step

_WORDS = {
    "show": "print what would be written and done",
    "install": "write it, start it, and have it started from now on",
    "uninstall": "end it and take it away; the log stays",
}


def configure(parser: argparse.ArgumentParser) -> None:
    verbs = parser.add_subparsers(dest="what", metavar="{show,install,uninstall}", required=True)
    for what, words in _WORDS.items():
        verb = verbs.add_parser(what, help=words, description=f"{words[0].upper()}{words[1:]}.")
        verb.add_argument("--system", action="store_true", help="a service of the machine, from boot on, for Linux")
        verb.add_argument("--owner", metavar="NAME", help="with --system: whose log it is (else yours, sudo or not)")
        if what == "show":
            verb.add_argument("--platform", choices=("linux", "macos", "windows"), help="another system than this")
        add_log_option(verb)
        add_json_option(verb)


def run(args: argparse.Namespace) -> int:
    if args.owner and not args.system:
        raise LogError("--owner is for --system: a service of your own is yours")
    platform = getattr(args, "platform", None) or machine.this_platform()
    plan = machine.plan_for(platform, system=args.system, db=args.db, owner_name=args.owner, environ=os.environ)
    return {"show": _show, "install": _install, "uninstall": _uninstall}[args.what](plan, args)


def _show(plan: Plan, args: argparse.Namespace) -> int:
    if args.json:
        return say_json(**_answer(plan, installed=machine.is_written(plan)), current=machine.is_current(plan))
    print(f"{printable(str(plan.file))}\n")
    print("".join(f"    {printable(line)}".rstrip() + "\n" for line in plan.text.expandtabs(4).splitlines()))
    print("'linktrial service install' writes this file and says:\n" + _commands(plan.install))
    print("'linktrial service uninstall' says, and removes the file:\n" + _commands((*plan.uninstall, *plan.forget)))
    if machine.is_current(plan):
        print("It is installed, just so.")
    elif machine.is_written(plan):
        print("It is installed, but otherwise than shown: 'linktrial service install' brings it up to date.")
    else:
        print("It is not installed.")
    return 0


def _install(plan: Plan, args: argparse.Namespace) -> int:
    _may_change(plan)
    again = machine.is_written(plan)
    _free_log(plan, again)
    if not args.json:
        print(f"Writes {printable(str(plan.file))} and says:\n{_commands(plan.install)}", flush=True)
    machine.install(plan)
    if args.json:
        return say_json(**_answer(plan, installed=True))
    print(f"Done. It logs into {printable(str(plan.job.log))}.")
    print(f"Whether it runs: {plan.status}\nWhat it says:    {printable(plan.said)}")
    if plan.note:
        print(plan.note)
    return 0


def _uninstall(plan: Plan, args: argparse.Namespace) -> int:
    _may_change(plan)
    if not args.json and machine.is_written(plan):
        print(
            f"Says, and removes {printable(str(plan.file))}:\n{_commands((*plan.uninstall, *plan.forget))}", flush=True
        )
    as_told = machine.is_current(plan)
    there = machine.uninstall(plan)
    if args.json:
        return say_json(**_answer(plan, installed=False), was_installed=there)
    print("Done." if there else f"There is no {printable(str(plan.file))}: nothing to take away.")
    print(f"The log stays: {printable(str(plan.job.log))}" if as_told else "Every log stays where it is.")
    return 0


def _may_change(plan: Plan) -> None:
    if plan.platform == "windows" or not hasattr(os, "geteuid"):
        return
    if plan.scope == "system" and os.geteuid():
        words = " ".join(plan.job.program)
        raise LogError(f"a service of the machine needs the rights of root: sudo {words} service ... --system")
    if plan.scope == "system" and plan.job.owner.user_id == 0:
        raise LogError("whose log is it? call this by sudo, or say --owner NAME; root measures for nobody")
    if plan.scope == "user" and os.geteuid() == 0 and os.environ.get("SUDO_USER"):
        raise LogError("a service of your own is installed without sudo; or say --system")


def _free_log(plan: Plan, again: bool) -> None:
    """Whoever logs already would keep the service from it."""
    from logger.claim import holder

    log = plan.job.log or log_path(None)
    pid = holder(log)
    if pid is not None and not again:
        who = f"process {pid}" if pid else "another process"
        raise LogError(f"{who} is logging into {log} already; stop it first, so that the service can")


def _commands(steps: tuple[Step, ...]) -> str:
    return "".join(f"    {printable(' '.join(step.words))}\n" for step in steps)


def _answer(plan: Plan, *, installed: bool) -> dict[str, object]:
    return {
        "platform": plan.platform,
        "scope": plan.scope,
        "installed": installed,
        "files": [{"path": str(plan.file), "content": plan.text}],
        "commands": {
            "install": [list(step.words) for step in plan.install],
            "uninstall": [list(step.words) for step in (*plan.uninstall, *plan.forget)],
        },
        "runs": list(plan.job.words),
        "log": str(plan.job.log),
        "status": plan.status,
        "said": plan.said,
    }
