"""``--days``, wherever it can be said: what is no number of days is wrong usage, in words of the one who asks."""

from __future__ import annotations

import pytest

from logger.console import main


@pytest.mark.parametrize(
    ("verb", "span"), [("channels", "0.01 to 3660"), ("demo", "0.05 to 366"), ("plan", "1 to 366")]
)
@pytest.mark.parametrize("text", ["x", "", "0", "-1", "nan", "inf", "1e9"])
def test_what_is_no_number_of_days_is_refused_with_those_that_can_be(verb, span, text, capsys):
    assert main([verb, f"--days={text}"]) == 2
    said = capsys.readouterr().err
    assert f"'{text}' is no number of days from {span}" in said
    assert said.count("\n") == 1
