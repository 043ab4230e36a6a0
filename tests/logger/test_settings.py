"""The settings file: what it may say, and how it is refused."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import fields

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import SettingsError
from logger.settings import DEFAULTS, Settings, load_settings, settings_path, settings_text


@pytest.fixture
def file(tmp_path):
    return tmp_path / "settings.toml"


def test_without_a_file_the_defaults_hold(file):
    assert load_settings(file) == DEFAULTS == Settings()
    assert load_settings() == DEFAULTS


def test_the_file_beats_the_defaults_key_by_key(file):
    file.write_text('interval_s = 1\ninterface = "wlan1"\n')
    settings = load_settings(file)
    assert (settings.interval_s, settings.interface, settings.washout_s) == (1.0, "wlan1", 120.0)


def test_the_file_lies_where_the_platform_keeps_such_files_or_where_the_environment_says(tmp_path):
    assert settings_path().parts[-2:] == ("linktrial", "settings.toml")
    assert settings_path({"LINKTRIAL_SETTINGS": "/elsewhere/s.toml"}).as_posix() == "/elsewhere/s.toml"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("intervall_s = 5", "there is no setting 'intervall_s'; did you mean 'interval_s'?"),
        ("washout = 5", "there is no setting 'washout'; did you mean 'washout_s'?"),
        ("margin_db = 5", "there is no setting 'margin_db'; did you mean 'margin_rssi_db'?"),
        ("'\x7f' = 5", None),
        ("interval_s = 0", "'interval_s' must be a number from 0.1 to 3600, not 0"),
        ("interval_s = nan", "'interval_s' must be a number from 0.1 to 3600, not nan"),
        ("interval_s = '5'", "'interval_s' must be a number from 0.1 to 3600, not '5'"),
        ("interval_s = true", "'interval_s' must be a number from 0.1 to 3600, not True"),
        ("interface = 5", "'interface' must be a text in quotes, not 5"),
        ("[interval_s]\na = 'aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa'", "3600, not a dict"),
        ("interval_s", "is no TOML"),
        ("interface = '\N{BELL}'", None),
    ],
)
def test_what_cannot_be_is_refused_in_one_line_naming_the_key_and_its_range(file, text, words):
    file.write_text(text)
    if words is None:
        load_or_refuse(file)
        return
    with pytest.raises(SettingsError) as refused:
        load_settings(file)
    assert words in str(refused.value)
    assert str(file) in str(refused.value)
    assert len(str(refused.value).splitlines()) == 1


def load_or_refuse(file) -> None:
    refusal = ""
    try:
        load_settings(file)
    except SettingsError as error:
        refusal = str(error)
    assert refusal.isprintable()


@given(data=st.binary(max_size=80))
def test_no_bytes_in_the_file_bring_anything_but_settings_or_one_line(tmp_path_factory, data):
    file = tmp_path_factory.mktemp("any") / "settings.toml"
    file.write_bytes(data)
    load_or_refuse(file)


def test_a_file_that_cannot_be_read_is_refused(tmp_path):
    with pytest.raises(SettingsError, match="cannot be read"):
        load_settings(tmp_path)


def values(key):
    return st.text() if isinstance(key.default, str) else st.floats(key.metadata["low"], key.metadata["high"])


every_setting = st.builds(Settings, **{key.name: values(key) for key in fields(Settings)})


@given(settings=every_setting)
def test_the_printed_file_reads_back_exactly(tmp_path_factory, settings):
    file = tmp_path_factory.mktemp("printed") / "settings.toml"
    file.write_text(settings_text(settings), encoding="utf-8")
    assert load_settings(file) == settings


def test_the_printed_file_documents_every_key():
    lines = settings_text().splitlines()
    for key in fields(Settings):
        place = next(n for n, line in enumerate(lines) if line.startswith(f"{key.name} = "))
        assert lines[place - 1].startswith("# ")


def test_no_file_means_no_parser_of_toml():
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "import sys, logger.settings as s; s.load_settings(); sys.exit('tomllib' in sys.modules)",
        ],
        check=False,
    )
    assert done.returncode == 0
