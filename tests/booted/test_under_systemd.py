"""The units under a real systemd: what story.sh saw. It takes root and a kernel that gives namespaces; about half a
minute. The card is simulated, for the namespaces have none; tests/lab reads a real one, as nobody."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import pytest
from needs import require_programs

from logger.service.plan import program_folders, running_program

HERE = Path(__file__).parent
OWN_NAMESPACES = ("unshare", "--pid", "--mount", "--fork", "--uts", "--ipc", "--net", "--cgroup")

pytestmark = pytest.mark.slow


def why_not() -> str | None:
    """Why no systemd can be booted here, which no package mends; None if one can."""
    if sys.platform != "linux" or os.geteuid():
        return "boots a systemd of its own: only root may, on Linux"
    probe = "mount --make-rprivate / && mount -t tmpfs x /mnt && mkdir /mnt/c && mount -t cgroup2 cgroup2 /mnt/c"
    done = subprocess.run([*OWN_NAMESPACES, "sh", "-c", probe], capture_output=True, text=True)
    return (
        f"boots a systemd of its own, and this kernel lets nobody: {done.stderr.strip()}" if done.returncode else None
    )


def remove_left_group() -> None:
    """The empty control group that a systemd leaves behind, below the one that it was started in."""
    mounts = [line.split() for line in Path("/proc/self/mounts").read_text().splitlines()]
    own = Path("/proc/self/cgroup").read_text().rpartition("0::/")[2].strip()
    for root in (mount[1] for mount in mounts if mount[2] == "cgroup2"):
        with suppress(OSError):  # one with a process in it stays
            Path(root, own, "init.scope").rmdir()


class Seen:
    """What story.sh carried out."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def text(self, name: str) -> str:
        return (self._folder / f"{name}.txt").read_text("utf-8", "replace")

    def code(self, name: str) -> int:
        return int((self._folder / f"{name}.code").read_text())

    def shown(self, name: str) -> dict[str, str]:
        """What ``systemctl show`` tells."""
        return dict(line.split("=", 1) for line in self.text(name).splitlines() if "=" in line)


@pytest.fixture(scope="module")
def seen(tmp_path_factory):
    require_programs("unshare", "nsenter", "su", "useradd", "systemd-analyze", "ip", "curl")
    if reason := why_not():
        pytest.skip(reason)
    results = tmp_path_factory.mktemp("booted")
    program = running_program()
    environ = {"PATH": os.environ["PATH"], "LINKTRIAL": " ".join(program), "PYTHON": sys.executable}
    folders = [str(folder) for folder in program_folders() if str(folder) not in ("/", "/usr")]
    command = [*OWN_NAMESPACES, "bash", str(HERE / "boot.sh"), str(results), *folders]
    done = subprocess.run(command, env=environ, capture_output=True, text=True, timeout=240)
    remove_left_group()
    assert (results / "done").exists(), done.stderr + "".join(
        f"\n--- {path.name}\n{path.read_text('utf-8', 'replace')[-600:]}" for path in sorted(results.glob("*.txt"))
    )
    return Seen(results)


def test_the_service_of_the_machine_is_ready_and_logs(seen):
    assert seen.code("install") == 0
    unit = seen.shown("show")
    assert (unit["ActiveState"], unit["NRestarts"], unit["User"]) == ("active", "0", "anna")
    assert unit["StatusText"].startswith("so far ")
    status = json.loads(seen.text("status"))
    assert status["logging"] is True
    assert status["pid"] == int(unit["MainPID"])
    assert status["n_samples"] >= 10


def test_the_owners_tags_reach_the_log_of_the_service(seen):
    assert (seen.code("at"), seen.code("changed")) == (0, 0)
    status = json.loads(seen.text("status"))
    assert (status["location"], status["config_version"]) == ("kiln room", "v2")
    assert all(line.split()[1:] == ["anna", "600"] for line in seen.text("folder").splitlines())
    assert "linktrial.db-wal" in seen.text("folder")


def test_the_review_works_in_its_box(seen):
    """pandas, scipy and all, without memory that can be written and run."""
    assert json.loads(seen.text("status"))["trial"]["judged_at_utc_ms"]
    assert "judged 2 [1, 2]" in seen.text("judges"), seen.text("judges")


def test_probes_work_in_its_box(seen):
    """By a child, with the token that the owner's home holds, over the networks that the unit allows."""
    assert seen.code("pair") == 0, seen.text("pair")
    assert "('done', 4, '127.0.0.1'" in seen.text("probes"), seen.text("probes")


def test_the_process_has_no_rights_and_sees_of_the_home_what_it_needs(seen):
    status = dict(line.split(":\t", 1) for line in seen.text("process").splitlines() if ":\t" in line)
    assert int(status["CapBnd"], 16) == int(status["CapEff"], 16) == 0
    assert status["NoNewPrivs"] == "1"
    assert int(status["Seccomp_filters"]) > 5
    home = set(seen.text("home").split())
    assert {"/home/anna/.local/share/linktrial/linktrial.db", "/home/anna/.config/linktrial/settings.toml"} <= home
    assert "/home/anna/letter" not in home


def test_the_far_end_serves_in_its_box(seen):
    assert seen.code("far_end_start") == 0, seen.text("far_end_said")
    assert seen.text("far_end_served") == "200 5000000", seen.text("far_end_said")
    unit = seen.shown("far_end")
    assert (unit["ActiveState"], unit["NRestarts"], unit["User"]) == ("active", "0", "anna")
    home = set(seen.text("far_end_home").split())
    assert "/home/anna/.config/linktrial/far-end-token" in home
    assert not {"/home/anna/letter", "/home/anna/.local/share/linktrial/linktrial.db"} & home
    said = seen.text("far_end_said")
    assert "127.0.0.1: 5.0 MB down in" in said
    token = "-".join(["[0-9a-z]{6}"] * 4)
    assert not re.search(token, said), "no secret goes to the journal"


def test_it_may_be_woken_late_by_a_twentieth_of_its_interval(seen):
    assert int(seen.text("slack")) == 25_000_000


def test_a_reading_that_hangs_is_ended_by_the_watchdog_tried_again_and_told(seen):
    unit = seen.shown("hangs")
    assert int(unit["NRestarts"]) >= 2
    said = seen.text("hangs_said")
    assert "in hangs" in said, "where it hung"
    assert "Watchdog timeout" in said


def test_a_long_interval_trips_no_watchdog(seen):
    assert seen.code("slow_start") == 0
    unit = seen.shown("slow")
    assert (unit["ActiveState"], unit["NRestarts"]) == ("active", "0")
    lived_us = int(unit["WatchdogTimestampMonotonic"]) - int(unit["ActiveEnterTimestampMonotonic"])
    assert lived_us > 9e6, "a sign of life between two samples"


def test_it_ends_in_order_and_the_journal_has_the_fields(seen):
    assert (seen.shown("stopped")["Result"], seen.shown("stopped")["ExecMainStatus"]) == ("success", "0")
    (entry,) = [json.loads(line) for line in seen.text("journal").splitlines()]
    assert entry["LINKTRIAL_LOCATION"] == "kiln room"
    assert entry["LINKTRIAL_CONFIG_VERSION"] == "v2"
    assert json.loads(entry["LINKTRIAL_DETAIL"])["n_samples"] >= 10
    assert entry["MESSAGE"].startswith("stopped after ")


def test_a_service_of_ones_own_is_ready_too(seen):
    assert seen.code("own_start") == 0, seen.text("own_start")
    assert seen.code("own_install") == 0, seen.text("own_install")
    assert "Active: active (running)" in seen.text("own_status")
    assert 'Status: "so far ' in seen.text("own_status")


def test_uninstalled_they_are_gone_and_the_logs_stay(seen):
    assert (seen.code("uninstall"), seen.code("own_uninstall")) == (0, 0)
    assert "could not be found" in seen.text("gone")
    assert "could not be found" in seen.text("own_gone")
    new = set(seen.text("after").split()) - set(seen.text("before").split())
    assert {path.rpartition("/")[2].split("-")[0] for path in new} <= {
        ".local", "share", "linktrial", "linktrial.db", "linktrial.db.daemon", "linktrial.db.probe", "own.db", "own.db.daemon",
        "own.db.probe",
    }  # fmt: skip
    assert not set(seen.text("before").split()) - set(seen.text("after").split())
