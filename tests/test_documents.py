"""README, DEVELOPERS and CHANGELOG say what is true."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
from pathlib import Path

import pytest

from logger.console import COMMANDS
from logger.settings import settings_text

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")


def block_after(marker: str) -> str:
    found = re.search(rf"<!-- {marker} -->\n```\w*\n(.*?)```", README, re.S)
    assert found, f"README.md has no block after <!-- {marker} -->"
    return found.group(1)


def test_every_command_is_in_the_readme():
    assert not [verb for verb in COMMANDS if f"`linktrial {verb}" not in README]


def test_every_command_line_of_the_readme_is_one_that_the_program_takes():
    from importlib import import_module

    from logger.console import Parser

    for line in re.findall(r"^linktrial .*$", README, re.M):
        verb, *words = shlex.split(line.partition("  #")[0].strip())[1:]
        command = import_module(COMMANDS[verb][0])
        parser = Parser(prog=verb)
        command.configure(parser)
        parser.parse_args(words)


def test_the_network_that_the_readme_watches_is_that_of_the_demo():
    from adapters.simulated.pottery import scene

    watched = re.findall(r'`linktrial watch "(.*?)"', README)
    assert watched == [scene(0).ssid.decode()]


def test_the_settings_in_the_readme_are_the_settings():
    assert block_after("settings") == settings_text(), "put the output of settings_text() into README.md"


def test_ci_runs_the_test_command_of_the_readme_word_for_word():
    script = (ROOT / ".ci/run").read_text("utf-8")
    extract = re.search(r"^command=\$\((awk '.*' README\.md)\)$", script, re.M)
    assert extract, ".ci/run no longer takes its command from README.md"
    got = subprocess.run(["bash", "-c", extract.group(1)], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    assert got == block_after("test command")


def test_the_public_columns_of_tagged_sample_are_there(tmp_path):
    from logger.log import Log

    promised = re.search(r"It has at least (.*?)\. NULL", README, re.S)
    assert promised
    with Log.open(tmp_path / "pottery.db") as log:
        columns = {column[0] for column in log.db.execute("SELECT * FROM tagged_sample").description}
    assert set(re.findall(r"`(\w+)`", promised.group(1))) <= columns


def test_the_json_of_compare_in_the_readme_has_the_keys_of_the_real_one():
    from dashboards.analysis.effect import Effect

    shown = json.loads(re.search(r"```json\n(.*?)```", README, re.S).group(1))["effects"][0]
    for key in ("metric", "unit", "estimate", "low", "high", "confidence", "verdict", "margin", "scope", "warnings"):
        assert key in shown
        assert key in Effect.__dataclass_fields__


@pytest.mark.parametrize(
    "path", sorted(re.findall(r"`((?:adapters|logger|dashboards|tests|systemd)/[\w/.-]*)`", DEVELOPERS))
)
def test_what_the_map_of_the_house_names_is_there(path):
    assert (ROOT / path).exists(), f"DEVELOPERS.md names {path}"


def test_the_documents_name_no_machine():
    for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md"):
        assert not re.search(r"/(home|root|work|tmp)/", (ROOT / name).read_text("utf-8")), name
