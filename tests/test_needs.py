"""A test that lacks a program says so, and under CI it fails."""

from __future__ import annotations

import needs
import pytest


def test_programs_that_are_there_are_no_reason_to_skip():
    needs.require_programs("python3", "/bin/sh")


def test_a_missing_program_skips_and_names_the_package_to_install(monkeypatch):
    monkeypatch.delenv("CI", raising=False)
    monkeypatch.setattr(needs, "find_program", lambda name: None)
    with pytest.raises(pytest.skip.Exception, match="needs hostapd: apt-get install hostapd"):
        needs.require_programs("hostapd")


def test_a_missing_program_is_a_failure_under_ci(monkeypatch):
    monkeypatch.setenv("CI", "true")
    monkeypatch.setattr(needs, "find_program", lambda name: None)
    with pytest.raises(pytest.fail.Exception, match="needs chromedriver: apt-get install chromium-driver"):
        needs.require_programs("chromedriver")


def test_every_listed_package_gives_something_that_tests_ask_for():
    assert all(needs.system_packages().values())
