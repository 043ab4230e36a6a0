"""The logger's units in systemd/ are those that the program writes, systemd takes them and the far end's, and those of
the machine are well shut in."""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path

import pytest
from needs import require_programs

from adapters.far_end.peers import PRIVATE
from logger.service.plan import WRITTEN_BY, Job, Owner
from logger.service.systemd import system_unit, user_unit

ROOT = Path(__file__).parent.parent
USER, SYSTEM = ROOT / "systemd/user/linktrial.service", ROOT / "systemd/system/linktrial@.service"
USER_FAR_END = ROOT / "systemd/user/linktrial-far-end.service"
SYSTEM_FAR_END = ROOT / "systemd/system/linktrial-far-end@.service"
MOST_EXPOSED = 1.5
HOME = Path("/home/OWNER")
BY_HAND = {
    USER: "By hand: copy this to ~/.config/systemd/user/, then systemctl --user enable --now linktrial",
    SYSTEM: "By hand: copy this to /etc/systemd/system/, then systemctl enable --now linktrial@anna",
}


def written(path: Path, version: int | None = None) -> str:
    """As the program writes it for pipx' and uv's places, with systemd's own words for the owner."""
    owner = Owner("OWNER", HOME, 1000, 1000)
    program = (f"{HOME}/.local/bin/linktrial",)
    if path == USER:
        text = user_unit(Job(program, None, None, owner), version).replace(str(HOME), "%h")
    else:
        read = tuple(HOME / part for part in (".local/bin", ".local/share/pipx", ".local/share/uv"))
        log = HOME / ".local/share/linktrial/linktrial.db"
        text = system_unit(Job(program, log, None, owner, read), version).replace("OWNER", "%i")
    return text.replace(WRITTEN_BY, BY_HAND[path])


def analyze(*words: str, home: Path, **environ: str) -> subprocess.CompletedProcess[str]:
    require_programs("systemd-analyze")
    return subprocess.run(
        ["systemd-analyze", *words], capture_output=True, text=True, env={**os.environ, "HOME": str(home), **environ}
    )


@pytest.mark.parametrize("path", [USER, SYSTEM], ids=["user", "system"])
def test_the_units_to_copy_are_those_that_the_program_writes(path):
    """To mend them: print written(USER) and written(SYSTEM) into the files."""
    assert path.read_text("utf-8") == written(path)


@pytest.mark.parametrize("path", [SYSTEM, SYSTEM_FAR_END], ids=["logger", "far end"])
def test_a_unit_of_the_machine_is_well_shut_in(path, tmp_path):
    done = analyze("security", "--offline=true", str(path), home=tmp_path)
    exposed = re.search(r"Overall exposure level for \S+: ([\d.]+)", done.stdout)
    assert exposed, done.stderr
    assert float(exposed.group(1)) <= MOST_EXPOSED


def test_the_right_to_scan_costs_what_the_readme_says(tmp_path):
    """A drop-in's lines come after the unit's own, and add to them."""
    readme = (ROOT / "README.md").read_text("utf-8")
    added = re.search(r"<!-- scan drop-in -->\n```ini\n\[Service\]\n(.*?)```", readme, re.S)
    said = re.search(r"`systemd-analyze security` says ([\d.]+) instead of ([\d.]+)", readme)
    assert added
    assert said
    plain, unit = SYSTEM.read_text("utf-8"), tmp_path / SYSTEM.name
    found = []
    for text in (plain.replace("[Install]", f"{added.group(1)}[Install]"), plain):
        unit.write_text(text, "utf-8")
        done = analyze("security", "--offline=true", str(unit), home=tmp_path)
        exposed = re.search(r"Overall exposure level for \S+: ([\d.]+)", done.stdout)
        assert exposed, done.stderr
        found.append(exposed.group(1))
    assert found == list(said.groups())


@pytest.mark.parametrize("path", [USER, SYSTEM], ids=["user", "system"])
@pytest.mark.parametrize("version", [252, None], ids=["older", "newer"])
def test_systemd_finds_nothing_wrong_with_them(path, version, tmp_path):
    """Lines that an older systemd is said to pass over are taken for granted."""
    said = complaints(path, written(path, version), tmp_path)
    if version is None:
        said = [
            line for line in said if not re.search(r"Unknown key(?: name)? '(RestartSteps|RestartMaxDelaySec)'", line)
        ]
    assert not said


@pytest.mark.parametrize("path", [USER_FAR_END, SYSTEM_FAR_END], ids=["user", "system"])
def test_systemd_finds_nothing_wrong_with_those_of_the_far_end(path, tmp_path):
    assert not complaints(path, path.read_text("utf-8"), tmp_path)


def test_the_unit_of_the_far_end_lets_those_in_that_the_far_end_lets_in():
    line = re.search(r"(?m)^IPAddressAllow=(.*)$", SYSTEM_FAR_END.read_text("utf-8"))[1].split()
    loopback = {"127.0.0.0/8", "::1/128"}
    assert set(line) - {"localhost", "224.0.0.251", "ff02::fb"} == {str(network) for network in PRIVATE} - loopback
    assert "localhost" in line


def complaints(path: Path, text: str, folder: Path) -> list[str]:
    """What systemd says of it, with a program that this machine has."""
    unit = folder / path.name.replace("@", "@anna")
    unit.write_text(re.sub(r"(?m)^(ExecStart=)\S+", r"\1/bin/sh", text), "utf-8")
    manager = "--user" if path.parent.name == "user" else "--system"
    done = analyze("verify", "--man=no", manager, str(unit), home=folder, XDG_RUNTIME_DIR=str(folder))
    return [line for line in done.stderr.splitlines() if unit.name in line or "linktrial" in line]
