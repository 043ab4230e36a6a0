"""The dependency audit of .ci/run: what it fails for, and what it only says."""

from __future__ import annotations

from pathlib import Path

import pytest
from audit import ask, verdict

ROOT = Path(__file__).parent.parent


def package(name: str, *vulns: dict[str, object]) -> dict[str, object]:
    return {"name": name, "version": "1.0", "vulns": list(vulns)}


HOLE = {"id": "PYSEC-2026-1", "fix_versions": ["1.1"], "aliases": [], "description": "a hole"}
OPEN_HOLE = {**HOLE, "id": "PYSEC-2026-2", "fix_versions": []}
UNKNOWN = {"name": "linktrial", "skip_reason": "Dependency not found on PyPI"}


def test_a_known_hole_that_a_release_mends_is_a_failure_and_says_which():
    code, lines = verdict({"dependencies": [package("glaze", HOLE), package("clay")]}, "")
    assert code == 1
    assert lines == [
        "dependency audit: glaze 1.0 has PYSEC-2026-1; mended in 1.1",
        "dependency audit: 2 packages asked about",
    ]


def test_a_hole_that_nobody_has_mended_is_said_and_is_no_failure():
    code, lines = verdict({"dependencies": [package("glaze", OPEN_HOLE), UNKNOWN]}, "")
    assert code == 0
    assert lines == [
        "dependency audit: glaze 1.0 has PYSEC-2026-2; no release mends it yet",
        "dependency audit: 1 package asked about, 1 unknown to the registry",
    ]


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (None, "none, the registry could not be asked (no route)"),
        ({"dependencies": [UNKNOWN]}, "none, this registry knows none of the releases installed here (1 package)"),
    ],
)
def test_no_answer_is_said_plainly_and_never_taken_for_a_clean_one(answer, said):
    code, (line,) = verdict(answer, "no route")
    assert code == 0
    assert said in line


def test_a_registry_that_cannot_be_reached_gives_no_answer(tmp_path, monkeypatch):
    for name in ("HTTPS_PROXY", "https_proxy", "ALL_PROXY"):
        monkeypatch.setenv(name, "http://127.0.0.1:9")
    answer, said = ask(tmp_path)
    assert answer is None, said
    assert said


def test_ci_runs_it_in_the_environment_of_the_tests():
    lines = (ROOT / ".ci/run").read_text("utf-8").splitlines()
    assert ".venv/bin/python tests/audit.py" in lines
