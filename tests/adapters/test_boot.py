"""One boot told from another."""

from __future__ import annotations

import psutil
import pytest

from adapters.boot import boot_identity, same_boot


def told(tmp_path, boot_id: str) -> str | None:
    path = tmp_path / "boot_id"
    path.write_text(boot_id + "\n")
    return boot_identity(path)


def test_one_boot_is_itself_and_no_other(tmp_path):
    one, other = "3f0a2c1e-0000-4000-8000-000000000001", "3f0a2c1e-0000-4000-8000-000000000002"
    assert same_boot(told(tmp_path, one), told(tmp_path, one)) is True
    assert same_boot(told(tmp_path, one), told(tmp_path, other)) is False


def test_the_kernels_own_number_stays_on_the_machine(tmp_path):
    number = "3f0a2c1e-0000-4000-8000-000000000001"
    assert number[:8] not in (told(tmp_path, number) or "")


@pytest.mark.parametrize(("moved_s", "same"), [(0, True), (100, True), (-100, True), (3600, False)])
def test_elsewhere_the_time_of_the_boot_may_move_a_little(tmp_path, monkeypatch, moved_s, same):
    monkeypatch.setattr(psutil, "boot_time", lambda: 1_790_000_000.4)
    before = boot_identity(tmp_path / "no such file")
    monkeypatch.setattr(psutil, "boot_time", lambda: 1_790_000_000.4 + moved_s)
    assert same_boot(before, boot_identity(tmp_path / "no such file")) is same


@pytest.mark.parametrize("pair", [(None, "id 1"), ("id 1", None), ("id 1", "at 5"), ("at x", "at 5"), ("", "id 1")])
def test_what_cannot_be_compared_is_neither_the_same_nor_another(pair):
    assert same_boot(*pair) is None


def test_a_system_that_tells_nothing_has_no_identity(tmp_path, monkeypatch):
    def refuse():
        raise OSError("not here")

    monkeypatch.setattr(psutil, "boot_time", refuse)
    assert boot_identity(tmp_path / "no such file") is None
