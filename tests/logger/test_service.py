"""``linktrial service``: one file and a few commands, shown first, done, and undone without a trace."""

from __future__ import annotations

import json
import os
import plistlib
import shlex
import sys
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest

from logger.claim import Claim
from logger.console import main
from logger.errors import LogError
from logger.service import launchd, machine, systemd, windows
from logger.service.plan import DESCRIPTION, Job, Owner

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="installs on Linux")

AWKWARD = "/opt/my tools/100% $HOME; #1 <all> & more/linktrial"
JOB = Job(
    (AWKWARD,),
    Path("/home/anna/my \"quick\" \\ 'logs'/50%.db"),
    Path("/etc/link trial.toml"),
    Owner("anna", Path("/home/anna"), 1000, 1000),
)
UNIT = "systemd/user/linktrial.service"


@pytest.fixture
def system(tmp_path, monkeypatch):
    """A machine whose systemctl writes down what it is asked and, as the real one does, makes and removes the link by
    which a unit is enabled. ``refuse`` holds a word at which it fails."""
    tools, config = tmp_path / "tools", tmp_path / "config"
    for folder in (tools, config):
        folder.mkdir()
    (config / "another.toml").write_text("kept = 1")
    fake = tools / "systemctl"
    fake.write_text(
        f"#!/bin/sh\necho \"$*\" >> '{tmp_path}/asked'\n"
        f"if [ \"$1\" = --version ]; then echo 'systemd '$(cat '{tmp_path}/version')' (x)'; fi\n"
        f"wants='{config}/systemd/user/default.target.wants'\n"
        'case "$*" in\n'
        f'  *"$(cat \'{tmp_path}/refuse\')"*) echo "Failed to connect to bus" >&2; exit 1;;\n'
        '  *enable\\ *) mkdir -p "$wants"; ln -sf ../linktrial.service "$wants/";;\n'
        '  *disable*) rm -f "$wants/linktrial.service"; rmdir "$wants" 2>/dev/null;;\n'
        "esac\nexit 0\n"
    )
    fake.chmod(0o755)
    (tmp_path / "refuse").write_text("nothing")
    (tmp_path / "version").write_text("255")
    monkeypatch.setenv("PATH", f"{tools}:{os.environ['PATH']}")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(config))
    monkeypatch.delenv("SUDO_USER", raising=False)
    return tmp_path


def listing(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else b""
        for path in sorted(folder.rglob("*"))
    }


def asked(system: Path) -> list[str]:
    lines = (system / "asked").read_text().splitlines() if (system / "asked").exists() else []
    return [line for line in lines if line != "--version"]


def said(capsys, *words: str, code: int = 0) -> str:
    assert main(["service", *words]) == code
    taken = capsys.readouterr()
    return taken.err if code else taken.out


def test_show_says_all_that_install_would_do_and_does_none_of_it(system, capsys):
    before = listing(system)
    shown = said(capsys, "show")
    answer = json.loads(said(capsys, "show", "--json"))
    (system / "asked").unlink()
    assert listing(system) == before
    (file,) = answer["files"]
    assert file["path"] == str(system / "config" / UNIT)
    assert all(f"    {line}".rstrip() in shown for line in file["content"].splitlines())
    assert all(f"    {' '.join(words)}\n" in shown for words in answer["commands"]["install"])
    assert (answer["installed"], answer["current"]) == (False, False)
    assert shown.endswith("It is not installed.\n")


def test_install_says_what_it_does_does_it_and_uninstall_leaves_everything_as_it_was(system, capsys):
    before = listing(system / "config")
    out = said(capsys, "install")
    unit = system / "config" / UNIT
    assert out.index(str(unit)) < out.index("systemctl --user daemon-reload") < out.index("Done.")
    assert "systemctl --user status linktrial" in out
    assert asked(system) == [
        "--user daemon-reload",
        "--user enable linktrial.service",
        "--user restart --no-block linktrial.service",
    ]
    assert (system / "config/systemd/user/default.target.wants/linktrial.service").is_symlink()
    assert "It is installed, just so." in said(capsys, "show")
    other = ("--db", str(system / "other.db"))
    assert "but otherwise than shown" in said(capsys, "show", *other)
    answer = json.loads(said(capsys, "show", "--json", *other))
    assert (answer["installed"], answer["current"]) == (True, False)

    (system / "asked").unlink()
    out = said(capsys, "uninstall")
    assert asked(system) == [
        "--user disable --now linktrial.service", "--user daemon-reload", "--user reset-failed linktrial.service",
    ]  # fmt: skip
    assert listing(system / "config") == before
    assert "The log stays: " in out
    assert str(system / "home/data/linktrial/linktrial.db") in out


def test_twice_is_as_good_as_once(system, capsys):
    said(capsys, "install")
    once = listing(system / "config")
    said(capsys, "install")
    assert listing(system / "config") == once
    said(capsys, "uninstall")
    (system / "asked").unlink()
    assert "nothing to take away" in said(capsys, "uninstall")
    assert json.loads(said(capsys, "uninstall", "--json"))["was_installed"] is False
    assert asked(system) == []


def test_a_log_that_was_named_at_the_installation_is_not_mistaken_for_another(system, capsys):
    said(capsys, "install", "--db", str(system / "other.db"))
    assert said(capsys, "uninstall").endswith("Done.\nEvery log stays where it is.\n")


@pytest.mark.parametrize("step", ["daemon-reload", "enable linktrial.service", "restart --no-block linktrial.service"])
def test_where_systemd_refuses_the_machine_is_as_it_was(system, capsys, step):
    before = listing(system / "config")
    (system / "refuse").write_text(step)
    assert f"'systemctl --user {step}' did not work: Failed to connect to bus" in said(capsys, "install", code=1)
    assert listing(system / "config") == before
    assert asked(system)[-1] == "--user reset-failed linktrial.service"


def test_where_systemd_refuses_a_new_version_the_old_one_stays(system, capsys):
    said(capsys, "install")
    before = listing(system / "config")
    (system / "refuse").write_text("enable")
    said(capsys, "install", "--db", str(system / "other.db"), code=1)
    assert listing(system / "config") == before


def test_a_unit_that_somebody_else_wrote_is_left_alone(system, capsys):
    unit = system / "config" / UNIT
    unit.parent.mkdir(parents=True)
    unit.write_text("[Service]\nExecStart=/bin/true\n")
    for what in ("install", "uninstall"):
        assert "was written by somebody else" in said(capsys, what, code=1)
    assert unit.read_text() == "[Service]\nExecStart=/bin/true\n"
    assert asked(system) == []


def test_without_systemd_nothing_is_written(system, capsys, monkeypatch):
    monkeypatch.setenv("PATH", str(system / "home"))
    before = listing(system / "config")
    assert "there is no program systemctl here" in said(capsys, "install", code=1)
    assert listing(system / "config") == before


def test_a_daemon_that_logs_already_is_named(system, capsys):
    log = system / "pottery.db"
    with Claim.take(log):
        error = said(capsys, "install", "--db", str(log), code=1)
    assert f"process {os.getpid()} is logging into" in error
    assert asked(system) == []


def test_the_service_logs_where_the_owners_commands_look(system, capsys, monkeypatch):
    default = json.loads(said(capsys, "show", "--json"))
    assert default["runs"][-2:] == ["--db", str(system / "home/data/linktrial/linktrial.db")]
    monkeypatch.setenv("LINKTRIAL_DB", str(system / "elsewhere.db"))
    monkeypatch.setenv("LINKTRIAL_SETTINGS", str(system / "settings.toml"))
    answer = json.loads(said(capsys, "show", "--json"))
    assert answer["runs"][-2:] == ["--db", str(system / "elsewhere.db")]
    assert f"Environment=LINKTRIAL_SETTINGS={system}/settings.toml\n" in answer["files"][0]["content"]


def test_the_program_is_named_by_an_absolute_path_that_runs(system, capsys):
    import subprocess

    program = json.loads(said(capsys, "show", "--json"))["runs"][:-3]
    assert Path(program[0]).is_absolute()
    done = subprocess.run([*program, "log", "--help"], capture_output=True, text=True, check=True, cwd="/")
    assert "Take samples until stopped" in done.stdout


@pytest.mark.parametrize(
    ("words", "error"),
    [
        (["install", "--owner", "anna"], "--owner is for --system"),
        (["show", "--platform", "macos", "--system"], "leave out --system"),
        (["show", "--system", "--owner", "nobody-of-that-name"], "there is no user nobody-of-that-name here"),
    ],
)
def test_what_cannot_be_is_said_in_one_line(words, error, system, capsys):
    line = said(capsys, *words, code=1)
    assert error in line
    assert len(line.splitlines()) == 1


def test_a_service_of_the_machine_needs_root_and_an_owner_who_is_not(system, capsys, monkeypatch):
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    assert "needs the rights of root: sudo " in said(capsys, "install", "--system", "--owner", "nobody", code=1)
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    assert "root measures for nobody" in said(capsys, "install", "--system", "--owner", "root", code=1)
    monkeypatch.setenv("SUDO_USER", "nobody")
    assert "without sudo" in said(capsys, "install", code=1)
    assert asked(system) == []


def test_under_sudo_the_log_is_the_callers(system, capsys, monkeypatch):
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setenv("SUDO_USER", "nobody")
    answer = json.loads(said(capsys, "show", "--system", "--json"))
    assert "\nUser=nobody\n" in answer["files"][0]["content"]
    assert answer["log"].endswith("/.local/share/linktrial/linktrial.db")
    assert str(system) not in answer["log"]


# --- what is written ---


def words_of(unit: str, key: str) -> list[str]:
    """The words of a line of a unit, by systemd.syntax(7) for what is used here: quotes, backslashes, %%."""
    (line,) = [line for line in unit.splitlines() if line.startswith(f"{key}=")]
    value = line.partition("=")[2].removeprefix(":")
    return [word.replace("%%", "%") for word in shlex.split(value)]


def test_a_unit_holds_paths_with_whatever_is_in_them():
    unit = systemd.user_unit(JOB, 255)
    assert words_of(unit, "ExecStart") == list(JOB.words)
    assert "\nExecStart=:" in unit, "no variable is put in"
    assert words_of(unit, "Environment") == ["LINKTRIAL_SETTINGS=/etc/link trial.toml"]
    plain = Job(("/usr/bin/linktrial",), None, None, JOB.owner)
    assert "\nExecStart=/usr/bin/linktrial log\n" in systemd.user_unit(plain, 255)


def test_a_path_that_no_unit_can_hold_is_refused():
    with pytest.raises(LogError, match="give the file or folder another name"):
        systemd.quoted("a\nExecStart=/bin/sh")
    colon = Job(("/usr/bin/linktrial",), Path("/home/anna/a:b/x.db"), None, JOB.owner)
    with pytest.raises(LogError, match="colon"):
        systemd.system_unit(colon)
    for character in "'\"\\":
        with pytest.raises(LogError, match="quote or backslash"):
            systemd.user_unit(Job((f"/opt/a{character}b/linktrial",), None, None, JOB.owner))


@pytest.mark.parametrize(("version", "grows"), [(252, False), (253, False), (254, True), (None, True)])
def test_restarts_grow_farther_apart_where_systemd_can(version, grows):
    assert ("RestartSteps=" in systemd.user_unit(JOB, version)) is grows
    assert "RestartSec=20\n" in systemd.user_unit(JOB, version)


def test_the_service_of_the_machine_sees_of_the_home_only_what_it_needs(tmp_path):
    job = Job(
        ("/home/anna/.venv/bin/linktrial",), Path("/home/anna/logs/pottery.db"), None, JOB.owner,
        (Path("/home/anna/.venv"), Path("/usr")),
    )  # fmt: skip
    unit = systemd.system_unit(job)
    assert words_of(unit, "User") == ["anna"]
    assert words_of(unit, "ProtectHome") == ["tmpfs"]
    assert words_of(unit, "BindPaths") == ["/home/anna/logs"]
    assert words_of(unit, "BindReadOnlyPaths") == ["-/home/anna/.venv", "-/home/anna/.config/linktrial"]
    told = replace(job, settings=Path("/home/anna/here.toml"))
    read = words_of(systemd.system_unit(told), "BindReadOnlyPaths")
    assert read == ["-/home/anna/.venv", "-/home/anna/here.toml", "-/home/anna/far-end.json"]
    for log in ("/home/anna/pottery.db", "/home/pottery.db"):
        with pytest.raises(LogError, match="a folder of its own"):
            systemd.system_unit(replace(job, log=Path(log)))


def test_the_agent_of_macos_says_the_same():
    plan = launchd.agent_plan(JOB)
    told = plistlib.loads(plan.content)
    assert told["ProgramArguments"] == list(JOB.words)
    assert told["EnvironmentVariables"] == JOB.environment
    assert told["Comment"].startswith(DESCRIPTION)
    assert (told["RunAtLoad"], told["KeepAlive"], told["ThrottleInterval"]) == (True, {"SuccessfulExit": False}, 20)
    assert told["Umask"] == 0o077
    assert str(plan.file) == "/home/anna/Library/LaunchAgents/linktrial.plist"
    assert plan.install[-1].words == ("launchctl", "bootstrap", "gui/1000", str(plan.file))


# The elements of a task and their order, [MS-TSCH] 2.5: only triggers are ordered, the rest as Windows writes it.
TASK = {
    "Task": ["RegistrationInfo", "Triggers", "Principals", "Settings", "Actions"],
    "RegistrationInfo": ["Description"],
    "Triggers": ["LogonTrigger"],
    "LogonTrigger": ["Enabled", "Repetition", "UserId"],
    "Repetition": ["Interval", "StopAtDurationEnd"],
    "Principals": ["Principal"],
    "Principal": ["UserId", "LogonType", "RunLevel"],
    "Settings": [
        *("MultipleInstancesPolicy", "DisallowStartIfOnBatteries", "StopIfGoingOnBatteries", "StartWhenAvailable"),
        *("RestartOnFailure", "ExecutionTimeLimit", "Priority"),
    ],
    "RestartOnFailure": ["Interval", "Count"],
    "Actions": ["Exec"],
    "Exec": ["Command", "Arguments"],
}


def test_the_task_of_windows_says_the_same():
    space = "{http://schemas.microsoft.com/windows/2004/02/mit/task}"
    plan = windows.task_plan(JOB, Path("/somewhere"))
    task = ElementTree.fromstring(plan.content)
    for element in task.iter():
        name = element.tag.removeprefix(space)
        assert [child.tag.removeprefix(space) for child in element] == TASK.get(name, []), name
    text = {element.tag.removeprefix(space): element.text for element in task.iter()}
    assert text["Command"] == AWKWARD
    assert text["Arguments"] == 'log --db "/home/anna/my \\"quick\\" \\ \'logs\'/50%.db"'
    assert text["Description"].startswith(DESCRIPTION)
    assert text["UserId"] == "anna"
    assert plan.content.startswith(b"\xff\xfe<\0?\0")
    assert plan.text in plan.content.decode("utf-16").replace("\r\n", "\n")


@pytest.mark.parametrize("platform", ["macos", "windows"])
def test_other_systems_are_shown_here(platform, system, capsys):
    answer = json.loads(said(capsys, "show", "--platform", platform, "--json"))
    assert (answer["platform"], answer["scope"], answer["installed"]) == (platform, "user", False)
    assert DESCRIPTION in answer["files"][0]["content"]
    assert answer["log"] in answer["files"][0]["content"]


def test_what_linktrial_wrote_is_known_again_in_every_format(tmp_path):
    job = Job(("/usr/bin/linktrial",), tmp_path / "pottery.db", None, Owner("anna", tmp_path, 1000, None))
    for plan in (launchd.agent_plan(job), windows.task_plan(job, tmp_path), systemd.user_plan(job, tmp_path, 255)):
        file = Path(plan.file)
        assert not machine.is_written(plan)
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(plan.content)
        assert machine.is_written(plan)
        assert machine.is_current(plan)
