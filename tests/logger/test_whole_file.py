"""A file appears whole or not at all, and its owner alone can read it."""

from __future__ import annotations

import os

import pytest

from logger.errors import LogError
from logger.whole_file import whole_file


def write(path, text: str) -> None:
    with whole_file(path) as out:
        out.write(text)


def names(folder) -> set[str]:
    return {entry.name for entry in folder.iterdir()} - {"home"}


def test_a_file_appears_when_it_is_complete(tmp_path):
    path = tmp_path / "samples.csv"
    path.write_text("old")

    def stop_half_way():
        with whole_file(path) as out:
            out.write("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stop_half_way()
    assert names(tmp_path) == {"samples.csv"}
    assert path.read_text() == "old"


def test_only_the_owner_can_read_it_whatever_was_there_before(tmp_path):
    path = tmp_path / "samples.csv"
    path.write_text("old")
    path.chmod(0o644)
    write(path, "new")
    assert path.read_text() == "new"
    assert path.stat().st_mode & 0o777 == 0o600


def test_no_neighbour_is_touched(tmp_path):
    (tmp_path / "samples.csv.part").write_text("mine")
    write(tmp_path / "samples.csv", "new")
    assert (tmp_path / "samples.csv.part").read_text() == "mine"
    assert names(tmp_path) == {"samples.csv", "samples.csv.part"}


def test_a_link_stays_a_link(tmp_path):
    (tmp_path / "latest.csv").symlink_to("samples.csv")
    write(tmp_path / "latest.csv", "new")
    assert (tmp_path / "latest.csv").is_symlink()
    assert (tmp_path / "samples.csv").read_text() == "new"


def test_what_is_no_plain_file_is_written_and_not_replaced(tmp_path):
    write(tmp_path / ".." / ".." / os.devnull, "gone")
    assert not os.path.isfile(os.devnull)


@pytest.mark.parametrize("name", ["missing/samples.csv", ".", "/", "file/samples.csv"])
def test_a_file_that_cannot_be_written_is_refused(tmp_path, name):
    (tmp_path / "file").write_text("")
    with pytest.raises(LogError, match=r"cannot be written: .*; say another file"):
        write(tmp_path / name, "")
