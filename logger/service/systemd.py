"""Units of systemd: one for the owner's own systemd, one, well shut in, for the machine's."""

from __future__ import annotations

from pathlib import Path

from logger.errors import LogError
from logger.probing.pairing import pairing_path
from logger.service.plan import (
    DESCRIPTION,
    NAME,
    NICE,
    RESTART_AT_MOST_S,
    RESTART_S,
    STOP_S,
    WRITTEN_BY,
    Job,
    Plan,
    Step,
)

UNIT = f"{NAME}.service"
GROWING_RESTARTS = 254  # the first systemd that knows them; older ones complain of the lines
HIDDEN = ("/home", "/root", "/run/user", "/tmp", "/var/tmp")  # by ProtectHome and PrivateTmp

_UNIT = """\
# {note}
# {written}

[Unit]
Description={description}
# However often it fails, it is tried again.
StartLimitIntervalSec=0
{mounts}
[Service]
Type=notify
ExecStart={command}
{environment}# No wireless interface yet, say: look again in a while{and_later}.
Restart=on-failure
RestartSec={restart_s}
{growing}# Wrong usage does not mend itself.
RestartPreventExitStatus=2
# A log of years may have to be brought up to date first.
TimeoutStartSec=600
# The daemon gives a sign of life at least every 25 s, whatever its interval. One that hangs is ended, and says in the
# journal where it hung.
WatchdogSec=90
LimitCORE=0
# SIGTERM writes what is left and ends the log properly.
TimeoutStopSec={stop_s}
# Nobody is to wait for it. (How late it may be woken it says itself, by its interval: TimerSlackNSec is not for here.)
Nice={nice}
# The hourly review runs beside it: where memory is short, the review goes, and the logger stays.
MemoryMax=1G
OOMPolicy=continue
TasksMax=256
UMask=0077
# The link is read over netlink, and probes ask what it carries: of the gateway, and of a far end that the owner named.
RestrictAddressFamilies=AF_NETLINK AF_UNIX AF_INET AF_INET6
NoNewPrivileges=yes
LockPersonality=yes
MemoryDenyWriteExecute=yes
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
SystemCallArchitectures=native
{sandbox}
[Install]
WantedBy={target}
"""

_SANDBOX = """\
SystemCallFilter=@system-service
SystemCallFilter=~@privileged @resources
# The review gives way to everything else.
SystemCallFilter=setpriority ioprio_set
SystemCallErrorNumber=EPERM
# The owner's process, for the log is the owner's, and so are the tags that others of their commands write into it. Of
# their home it sees the log, the settings and the program itself.
User={user}
ProtectHome=tmpfs
BindPaths={log}
BindReadOnlyPaths={read}
ProtectSystem=strict
CapabilityBoundingSet=
AmbientCapabilities=
PrivateDevices=yes
DevicePolicy=closed
PrivateTmp=yes
PrivateMounts=yes
# Nobody but this network: this machine, private and link-local addresses, and multicast, by which a far end is found.
IPAddressDeny=any
IPAddressAllow=localhost link-local multicast 10.0.0.0/8 172.16.0.0/12 192.168.0.0/16 fc00::/7
KeyringMode=private
ProtectClock=yes
ProtectControlGroups=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
ProtectProc=invisible
"""


def user_plan(job: Job, config: Path, version: int | None) -> Plan:
    """For the owner's own systemd. ``config``: their configuration folder; ``version``: of systemd."""
    return Plan(
        *("linux", "user", config / "systemd/user" / UNIT),
        user_unit(job, version).encode(),
        job,
        install=_steps(("daemon-reload",), ("enable", UNIT), ("restart", "--no-block", UNIT), user=True),
        uninstall=_steps(("disable", "--now", UNIT), user=True),
        forget=(*_steps(("daemon-reload",), user=True), *_steps(("reset-failed", UNIT), user=True, may_fail=True)),
        status=f"systemctl --user status {NAME}",
        said=f"journalctl --user -u {NAME}",
        note="It runs while you are logged in; 'loginctl enable-linger' lets it run from boot on.",
    )


def system_plan(job: Job, version: int | None) -> Plan:
    """For the machine's systemd: from boot on, and shut in. ``version``: of systemd."""
    return Plan(
        *("linux", "system", Path("/etc/systemd/system") / UNIT),
        system_unit(job, version).encode(),
        job,
        install=_steps(("daemon-reload",), ("enable", UNIT), ("restart", "--no-block", UNIT)),
        uninstall=_steps(("disable", "--now", UNIT)),
        forget=(*_steps(("daemon-reload",)), *_steps(("reset-failed", UNIT), may_fail=True)),
        status=f"systemctl status {NAME}",
        said=f"journalctl -u {NAME}",
        note="It has no desktop to notify: 'linktrial status' and the journal tell its verdicts.",
    )


def user_unit(job: Job, version: int | None = None) -> str:
    """The text of the unit for the owner's own systemd."""
    return _unit(job, version, "linktrial in your own systemd: it logs while you are logged in.", "default.target")


def system_unit(job: Job, version: int | None = None) -> str:
    """The text of the unit for the machine's systemd, as the owner's process. Raises LogError for a path that a unit
    cannot name."""
    if job.log is None:
        raise LogError("a service of the machine must be told where the log is; say --db PATH")
    folder = job.log.parent
    if job.owner.home.is_relative_to(folder):
        raise LogError(f"a service of the machine would see all of {folder}; put the log into a folder of its own")
    usual = job.owner.home / ".config" / NAME
    settings = (job.settings, pairing_path(job.settings)) if job.settings else (usual,)
    read = dict.fromkeys([*(path for path in job.read if _hidden(path)), *settings])
    read.pop(folder, None)
    sandbox = _SANDBOX.format(
        user=job.owner.name.replace("%", "%%"),
        log=_bound(folder),
        read=" ".join(_bound(path, "-") for path in read),
    )
    note = f"linktrial as a service of the machine: it logs from boot on, as {job.owner.name}."
    return _unit(job, version, note, "multi-user.target", sandbox, f"RequiresMountsFor={quoted(str(folder))}\n")


def command_line(words: tuple[str, ...]) -> str:
    """As ExecStart= takes it, systemd.service(5). The colon says that no word holds a variable. Raises LogError for a
    program whose path systemd refuses, however it is written."""
    if set(words[0]) & set("'\"\\"):
        raise LogError(
            f"systemd runs no program with a quote or backslash in its path: {words[0]}; install it elsewhere"
        )
    return (":" if any("$" in word for word in words) else "") + " ".join(map(quoted, words))


def quoted(word: str) -> str:
    """One word of a unit's line, systemd.syntax(7): what is a specifier, a quote or an escape is none. Raises LogError
    for what no line can hold."""
    if not word.isprintable():
        raise LogError(f"a unit cannot hold {word!a}; give the file or folder another name")
    plain = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    return plain if word and not set(word) & set(" '\"\\;#$") else f'"{plain}"'


def _unit(job: Job, version: int | None, note: str, target: str, sandbox: str = "", mounts: str = "") -> str:
    grows = version is None or version >= GROWING_RESTARTS
    environment = "".join(f"Environment={quoted(f'{name}={value}')}\n" for name, value in job.environment.items())
    return _UNIT.format(
        note=note,
        written=WRITTEN_BY,
        description=DESCRIPTION,
        mounts=mounts,
        command=command_line(job.words),
        environment=environment,
        and_later=", later each time (from systemd 254 on; an older one passes over the lines)" if grows else "",
        restart_s=RESTART_S,
        growing=f"RestartSteps=6\nRestartMaxDelaySec={RESTART_AT_MOST_S}\n" if grows else "",
        stop_s=STOP_S,
        nice=NICE,
        sandbox=sandbox,
        target=target,
    )


def _bound(path: Path, prefix: str = "") -> str:
    if ":" in str(path):  # it would part the path from where it is to appear
        raise LogError(f"a service of the machine cannot be shown {path}, for the colon in it; give it another name")
    return quoted(f"{prefix}{path}")


def _hidden(path: Path) -> bool:
    return any(path.is_relative_to(folder) for folder in HIDDEN)


def _steps(*commands: tuple[str, ...], user: bool = False, may_fail: bool = False) -> tuple[Step, ...]:
    manager = ("systemctl", *(("--user",) if user else ()))
    return tuple(Step((*manager, *command), may_fail) for command in commands)
