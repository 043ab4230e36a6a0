"""The house rules that a machine can hold: three wings and one direction, light imports, files of a readable size."""

from __future__ import annotations

import ast
from fnmatch import fnmatch
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
WINGS = ("adapters", "logger", "dashboards")
FORBIDDEN = {
    "adapters": {"logger", "dashboards", "sqlite3", "sqlite_utils", "pandas", "plotly", "numpy"},
    "logger": {"dashboards", "plotly"},
    "dashboards": set(),
    "dashboards/analysis": {"sqlite3", "sqlite_utils", "plotly", "adapters"},
}

TOP_LEVEL = {
    *("README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml"),
    *("adapters", "logger", "dashboards", "tests", "systemd"),
}


def imports(path):
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module.split(".")[0]


def sources(folder):
    return sorted((ROOT / folder).rglob("*.py"))


@pytest.mark.parametrize("folder", FORBIDDEN)
def test_nothing_imports_leftwards(folder):
    astray = {
        str(path.relative_to(ROOT)): wrong
        for path in sources(folder)
        if (wrong := FORBIDDEN[folder] & set(imports(path)))
    }
    assert not astray


@pytest.mark.parametrize(
    "path", [path for wing in WINGS for path in sources(wing)], ids=lambda path: str(path.relative_to(ROOT))
)
def test_a_file_is_one_thing_and_says_what(path):
    text = path.read_text("utf-8")
    assert text.count("\n") <= 420
    assert not text.strip() or ast.get_docstring(ast.parse(text)), "a module begins with what it is for"


def test_the_top_level_holds_what_a_reader_expects_and_nothing_else():
    """What a demo, a build or a virtual environment leaves there is named in .gitignore."""
    left = [line.rstrip("/") for line in (ROOT / ".gitignore").read_text("utf-8").splitlines()]
    here = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert {name for name in here if not any(fnmatch(name, pattern) for pattern in left)} == TOP_LEVEL
