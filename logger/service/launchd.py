"""An agent of macOS' launchd: launchd.plist(5)."""

from __future__ import annotations

import plistlib
from pathlib import PurePath, PurePosixPath

from logger.service.plan import DESCRIPTION, NAME, NICE, RESTART_S, STOP_S, WRITTEN_BY, Job, Plan, Step


def agent_plan(job: Job) -> Plan:
    """For the owner's own session: names of networks are told to no other kind of service on macOS."""
    home = PurePosixPath(job.owner.home)
    file = home / "Library/LaunchAgents" / f"{NAME}.plist"
    session = f"gui/{job.owner.user_id}"
    out = home / "Library/Logs" / f"{NAME}.log"
    gone = Step(("launchctl", "bootout", f"{session}/{NAME}"), may_fail=True)
    return Plan(
        *("macos", "user", file),
        agent(job, out),
        job,
        install=(gone, Step(("launchctl", "bootstrap", session, str(file)))),
        uninstall=(gone,),
        forget=(),
        status=f"launchctl print {session}/{NAME}",
        said=f"tail {out}",
        note="It runs while you are logged in.",
    )


def agent(job: Job, out: PurePath) -> bytes:
    """The property list. launchd itself waits longer between starts that fail; ThrottleInterval is the least."""
    told = {
        "Comment": f"{DESCRIPTION}. {WRITTEN_BY}",
        "Label": NAME,
        "ProgramArguments": list(job.words),
        "EnvironmentVariables": job.environment,
        "RunAtLoad": True,
        "KeepAlive": {"SuccessfulExit": False},
        "ThrottleInterval": RESTART_S,
        "ExitTimeOut": STOP_S,
        "Nice": NICE,
        "ProcessType": "Background",
        "LowPriorityIO": True,
        "Umask": 0o077,
        "StandardOutPath": str(out),
        "StandardErrorPath": str(out),
    }
    return plistlib.dumps({key: value for key, value in told.items() if value != {}}, sort_keys=False)
