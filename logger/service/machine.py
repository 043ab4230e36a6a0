"""Does what a plan says on this machine, or undoes it; and which plan is the right one here."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from logger.errors import LogError
from logger.log import log_path
from logger.service.plan import (
    NAME,
    WRITTEN_BY,
    Job,
    Owner,
    Plan,
    Step,
    owner_of_this,
    program_folders,
    running_program,
)

PLATFORMS = {"linux": "linux", "darwin": "macos", "win32": "windows"}
PATIENCE_S = 90.0  # for one command of the service manager


def this_platform() -> str:
    """Raises LogError where linktrial knows no service manager."""
    if sys.platform not in PLATFORMS:
        raise LogError(f"linktrial knows no services on {sys.platform}; have 'linktrial log' started as is usual there")
    return PLATFORMS[sys.platform]


def plan_for(
    platform: str, *, system: bool, db: str | None, owner_name: str | None, environ: Mapping[str, str]
) -> Plan:
    """What would be written on a platform, for this program and this owner. Raises LogError where there is no such
    service."""
    owner = owner_of_this(owner_name, by_sudo=system)
    told = environ.get("LINKTRIAL_SETTINGS")
    job = Job(
        program=running_program(),
        log=_log_of(owner, db),
        settings=Path(told).expanduser().absolute() if told else None,
        owner=owner,
        read=program_folders(),
    )
    if platform == "linux":
        from logger.service.systemd import system_plan, user_plan

        if system:
            return system_plan(job, systemd_version())
        return user_plan(job, _config_folder(environ), systemd_version())
    if system:
        words = {"macos": "macOS tells", "windows": "Windows tells"}[platform]
        raise LogError(f"{words} a service of the machine no names of networks; leave out --system")
    if platform == "macos":
        from logger.service.launchd import agent_plan

        return agent_plan(job)
    from logger.service.windows import task_plan

    return task_plan(job, Path(environ.get("LOCALAPPDATA") or owner.home / "AppData/Local") / NAME)


def systemd_version() -> int | None:
    """Of this machine's systemd; None where it cannot be told."""
    try:
        done = subprocess.run(
            ["systemctl", "--version"], capture_output=True, text=True, check=True, timeout=PATIENCE_S
        )
        return int(done.stdout.split()[1])
    except (OSError, subprocess.SubprocessError, ValueError, IndexError):
        return None


def is_written(plan: Plan) -> bool:
    """Whether the file is there, as the plan has it or as another linktrial wrote it. Raises LogError where somebody
    else wrote it: that file is not ours to change."""
    file = Path(plan.file)
    try:
        there = file.read_bytes()
    except FileNotFoundError:
        return False
    except OSError as error:
        raise LogError(f"{file} cannot be read: {error.strerror}") from error
    if WRITTEN_BY.encode() not in there.replace(b"\0", b""):
        raise LogError(f"{file} was written by somebody else; move it away first, or keep it")
    return True


def is_current(plan: Plan) -> bool:
    """Whether the file is there, word for word."""
    try:
        return Path(plan.file).read_bytes() == plan.content
    except OSError:
        return False


def install(plan: Plan) -> None:
    """Write the file and have the system start it, at once and from now on. Again is the same as once. Where the system
    refuses, the file is as it was before, and LogError says why."""
    _need(plan.install)
    file = Path(plan.file)
    before = file.read_bytes() if is_written(plan) else None
    made = [folder for folder in (file.parent, *file.parent.parents) if not folder.exists()]
    try:
        _make_folder_of_log(plan.job)
        file.parent.mkdir(parents=True, exist_ok=True)
        _write(file, plan.content)
    except OSError as error:
        raise LogError(f"{file} cannot be written: {error.strerror or error}") from error
    try:
        _run(plan.install)
    except LogError:
        if before is None:
            _run(plan.uninstall, whatever_fails=True)  # what it did before it refused
            file.unlink()
            _remove_empty(made)
        else:
            _write(file, before)
        _run(plan.forget, whatever_fails=True)
        raise


def uninstall(plan: Plan) -> bool:
    """Have the system end and forget it, and remove the file; the log stays. Whether there was one. (Folders that are
    empty then go with it, up to the folder of settings.)"""
    if not is_written(plan):
        return False
    _need(plan.uninstall)
    _run(plan.uninstall)
    file = Path(plan.file)
    try:
        file.unlink()
    except OSError as error:
        raise LogError(f"{file} cannot be removed: {error.strerror}") from error
    if plan.scope == "user":
        _remove_empty(folders_of_its_own(plan))
    _run(plan.forget)
    return True


def folders_of_its_own(plan: Plan) -> Sequence[Path]:
    """The folders above the file that nothing else may need, the innermost first."""
    file = Path(plan.file)
    return {"linux": file.parents[:2], "macos": (), "windows": file.parents[:1]}[plan.platform]


def _log_of(owner: Owner, db: str | None) -> Path:
    if db or os.environ.get("LINKTRIAL_DB") or owner.user_id is None or owner.user_id == os.geteuid():
        return log_path(db).absolute()
    return owner.home / ".local/share" / NAME / f"{NAME}.db"


def _config_folder(environ: Mapping[str, str]) -> Path:
    told = environ.get("XDG_CONFIG_HOME", "")
    return Path(told) if told.startswith("/") else Path.home() / ".config"


def _make_folder_of_log(job: Job) -> None:
    """The owner's, where it is missing: a service that is shut in cannot make it."""
    if job.log is None:
        return
    missing = [folder for folder in (job.log.parent, *job.log.parent.parents) if not folder.exists()]
    for folder in reversed(missing):
        folder.mkdir(mode=0o700)
        if job.owner.user_id is not None and job.owner.user_id != os.geteuid():
            os.chown(folder, job.owner.user_id, job.owner.group_id or -1)


def _write(file: Path, content: bytes) -> None:
    part = file.with_name(f".{file.name}.part")
    part.write_bytes(content)
    part.chmod(0o644)
    os.replace(part, file)


def _remove_empty(folders: Sequence[Path]) -> None:
    for folder in folders:
        with suppress(OSError):  # not empty, or not there
            folder.rmdir()


def _need(steps: Sequence[Step]) -> None:
    program = steps[0].words[0]
    if shutil.which(program) is None:
        raise LogError(f"there is no program {program} here, so no service; 'linktrial log' runs without one")


def _run(steps: Sequence[Step], *, whatever_fails: bool = False) -> None:
    for step in steps:
        words, may_fail = " ".join(step.words), step.may_fail or whatever_fails
        try:
            done = subprocess.run(step.words, capture_output=True, text=True, errors="replace", timeout=PATIENCE_S)
        except (OSError, subprocess.TimeoutExpired) as error:
            if may_fail:
                continue
            raise LogError(f"'{words}' did not work: {error}") from error
        if done.returncode and not may_fail:
            said = (done.stderr.strip() or done.stdout.strip() or f"it ended with {done.returncode}").splitlines()
            raise LogError(f"'{words}' did not work: {said[-1]}")
