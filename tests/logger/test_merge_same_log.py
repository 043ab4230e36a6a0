"""Two states of one log are not merged: what is said tells which knows more, and how to go on from it."""

from __future__ import annotations

from logger.backup import back_up
from tests.logger.test_merge import machines, two  # noqa: F401
from tests.logger.test_merge_refused import refusal


def test_a_newer_state_of_this_log_is_to_be_copied_not_merged(two, tmp_path, capsys, monkeypatch):  # noqa: F811
    """An older backup was restored, and the log that it was made of has gone on."""
    here, _ = two
    back_up(here.log, tmp_path / "old.db")
    here.logs(60)
    back_up(here.log, tmp_path / "new.db")
    here.log.close()
    here.path.write_bytes((tmp_path / "old.db").read_bytes())
    said = refusal(here, tmp_path / "new.db", capsys, monkeypatch)
    assert "new.db is another state of this very log, and it knows more" in said
    assert "(newest sample there: Mon 21 Sep 16:13, here: Mon 21 Sep 15:13)" in said.replace(" 2026", "")
    assert "copy it over this one" in said
    assert "nothing to merge" not in said


def test_an_older_state_of_this_log_has_nothing_that_is_newer(two, tmp_path, capsys, monkeypatch):  # noqa: F811
    here, _ = two
    back_up(here.log, tmp_path / "old.db")
    here.logs(60)
    said = refusal(here, tmp_path / "old.db", capsys, monkeypatch)
    assert "old.db is another state of this very log, and this log knows more" in said


def test_of_two_states_with_the_same_samples_the_one_edited_last_knows_more(two, tmp_path, capsys, monkeypatch):  # noqa: F811
    here, _ = two
    back_up(here.log, tmp_path / "old.db")
    here.timeline.changed("shorter antennas")
    back_up(here.log, tmp_path / "new.db")
    assert "this log knows more" in refusal(here, tmp_path / "old.db", capsys, monkeypatch)
    here.log.close()
    here.path.write_bytes((tmp_path / "old.db").read_bytes())
    assert "and it knows more" in refusal(here, tmp_path / "new.db", capsys, monkeypatch)
