"""Keeps the user's own log, settings and clock zone out of every test."""

from __future__ import annotations

import pytest

import dashboards  # noqa: F401  first of all: it keeps linear algebra to one thread


@pytest.fixture(autouse=True)
def _own_world(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "home/data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "home/config"))
    monkeypatch.delenv("LINKTRIAL_DB", raising=False)
    monkeypatch.delenv("LINKTRIAL_SETTINGS", raising=False)
