"""The bench of stability's intervals in its short form: nothing has gone badly wrong with any of them."""

from __future__ import annotations

import pytest

from tests.bench.stability_coverage import NOISES, PARTS, main


@pytest.mark.slow
@pytest.mark.parametrize("part", ["day", "outages", "rate"])
def test_intervals_hold_over_the_simulated_families(part, capsys):
    assert main(["--quick", part]) == 0
    assert PARTS[part].title in capsys.readouterr().out


def test_the_families_hold_noise_of_every_memory():
    assert {"white", "OU", "flicker", "walk"} <= {name.split()[0] for name in NOISES}
