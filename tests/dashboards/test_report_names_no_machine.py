"""A report, shared or not, holds no path, no user, no host, and no number of a log or of a boot."""

from __future__ import annotations

import os
import platform
import socket
from pathlib import Path

import pytest

from logger.console import main
from logger.exchange.importing import import_recording
from logger.log import Log
from logger.recorder import Recorder
from logger.sample import Event
from tests.dashboards.kiln_log import END_MS, START_MS, make_kiln_log

TELL_TALES = ("telltale-folder", "telltale-user", "telltale-host", "telltale-log", "telltale-file", "telltale-boot")
ROWS = "time,location,placement,version,band,rssi_dbm\n" + "".join(
    f"{START_MS // 1000 + 60 * n},shelf,1,v{1 + n // 30},5,{-60 - n % 3}\n" for n in range(60)
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A log in a place that tells of its owner, with an import and with events that hold what a machine is called."""
    folder = tmp_path_factory.mktemp("names") / "telltale-folder"
    folder.mkdir()
    path = make_kiln_log(folder / "telltale-log.db")
    (folder / "telltale-file.csv").write_text(ROWS)
    with Log.open(path) as log:
        import_recording(log, folder / "telltale-file.csv", now_utc_ms=END_MS, zone="UTC")
        told = {"boot": "id telltale-boot", "log": "telltale-file", "message": f"{path} is full"}
        kinds = (
            "logger-lost",
            "logger-started",
            "adapter-failed",
            "adapter-recovered",
            "interface-gone",
            "samples-dropped",
        )
        Recorder(log).record([], [Event(START_MS + n, kind, told) for n, kind in enumerate(kinds, 3_600_000)])
    return folder  # fmt: skip


@pytest.fixture
def _told(folder, monkeypatch):
    """The machine calls itself by names that nothing else has."""
    monkeypatch.chdir(folder)
    for name, value in (("HOME", str(folder)), ("USER", "telltale-user"), ("LOGNAME", "telltale-user")):
        monkeypatch.setenv(name, value)
    monkeypatch.setenv("HOSTNAME", "telltale-host")
    monkeypatch.setattr(socket, "gethostname", lambda: "telltale-host")
    monkeypatch.setattr(platform, "node", lambda: "telltale-host")


def numbers_of(path: Path) -> list[str]:
    """What tells this log and this boot from all others."""
    with Log.open(path) as log:
        told = [
            row[0] for row in log.db.execute("SELECT log_id FROM identity UNION ALL SELECT hex(secret) FROM alias_key")
        ]
    boot = Path("/proc/sys/kernel/random/boot_id")
    return [*told, *([boot.read_text().strip()] if boot.exists() else [])]  # fmt: skip


@pytest.mark.usefixtures("_told")
@pytest.mark.parametrize("share", [[], ["--share"]], ids=["plain", "shared"])
@pytest.mark.parametrize("named", ["relative", "absolute"])
def test_the_page_and_its_tables_tell_of_no_machine(folder, share, named, tmp_path):
    db = "telltale-log.db" if named == "relative" else str(folder / "telltale-log.db")
    out = tmp_path / "out"
    assert main(["report", "--db", db, "--output", str(tmp_path / "x.html"), "--csv", str(out), *share]) == 0
    for path in (tmp_path / "x.html", *out.iterdir()):
        text = path.read_text("utf-8").lower()
        secrets = (*TELL_TALES, *numbers_of(folder / "telltale-log.db"), str(tmp_path), "telltale", os.getcwd())
        assert not [secret for secret in secrets if secret.lower() in text], path.name


@pytest.mark.usefixtures("_told")
def test_shared_tables_of_an_export_tell_of_no_machine(folder, tmp_path, capsys):
    assert main(["export", "--db", "telltale-log.db", "--share", "--tables", str(tmp_path / "tables")]) == 0
    assert main(["export", "--db", "telltale-log.db", "--share", "--output", str(tmp_path / "samples.csv")]) == 0
    for path in (tmp_path / "samples.csv", *(tmp_path / "tables").iterdir()):
        text = path.read_text("utf-8")
        assert not [name for name in TELL_TALES if name in text], path.name
