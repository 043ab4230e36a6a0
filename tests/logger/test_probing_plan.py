"""When probes take their turns, and how the day's budget is shared."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from logger.probing.plan import TRANSFERS, day_of, least_bytes, phase_ms, share_of, turn_before

HALF_HOUR_MS = 1_800_000
DAY_MS = 86_400_000
MB = 1_000_000


def ms(text: str, zone: str = "UTC") -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone)).astimezone(UTC).timestamp() * 1000)


class Month:
    """The turns of so many days, each moving what its share lets it."""

    def __init__(
        self, *, budget: int, least: int, wants: int, days: int = 30, every_ms: int = HALF_HOUR_MS, zone="UTC"
    ):
        self.moved: dict[int, int] = {}
        self.words: Counter[str] = Counter()
        now = ms("2026-10-01")
        for turn_ms in range(now + 123_000, now + days * DAY_MS, every_ms):
            day = day_of(turn_ms, zone)
            used = sum(n for at, n in self.moved.items() if day.started_at_utc_ms <= at < day.ended_at_utc_ms)
            share = share_of(turn_ms, every_ms=every_ms, day=day, budget=budget, used=used, least=least)
            if share.words:
                self.words[share.words] += 1
                assert share.n_bytes == 0
            else:
                self.moved[turn_ms] = wants if share.n_bytes is None else min(wants, share.n_bytes)

    def by_day(self) -> Counter[int]:
        return sum((Counter({at // DAY_MS: n}) for at, n in self.moved.items()), Counter())

    def by_time_of_day(self) -> Counter[int]:
        return Counter(at % DAY_MS // HALF_HOUR_MS for at in self.moved)


@given(st.integers(0, 4_102_444_800_000), st.integers(1000, 604_800_000), st.text(max_size=40))
def test_turns_lie_on_a_grid_of_the_clock(now, every_ms, identity):
    phase = phase_ms(identity, every_ms)
    turn = turn_before(now, every_ms, phase)
    assert 0 <= phase < every_ms
    assert 0 <= now - turn < every_ms
    assert turn_before(turn, every_ms, phase) == turn
    assert turn_before(turn + every_ms, every_ms, phase) == turn + every_ms


def test_two_logs_seldom_meet():
    """A turn takes well under a minute of thirty."""
    phases = sorted(phase_ms(f"{n:032x}", HALF_HOUR_MS) for n in range(300))
    tenths = Counter(10 * phase // HALF_HOUR_MS for phase in phases)
    assert len(tenths) == 10
    assert max(tenths.values()) < 60


def test_without_a_budget_every_turn_runs_without_a_limit():
    month = Month(budget=0, least=16 * MB, wants=500 * MB)
    assert len(month.moved) == 30 * 48
    assert set(month.moved.values()) == {500 * MB}


def test_the_day_s_budget_is_kept_and_shared_by_its_turns_alike():
    month = Month(budget=9_600 * MB, least=16 * MB, wants=500 * MB)
    assert set(month.moved.values()) == {200 * MB}
    assert set(month.by_day().values()) == {9_600 * MB}


def test_what_a_turn_leaves_the_rest_of_the_day_shares():
    day = day_of(ms("2026-10-01"), "UTC")
    at = day.started_at_utc_ms + 24 * HALF_HOUR_MS
    half = share_of(at, every_ms=HALF_HOUR_MS, day=day, budget=4_800 * MB, used=2_400 * MB, least=16 * MB)
    assert half.n_bytes == 100 * MB
    less = share_of(at, every_ms=HALF_HOUR_MS, day=day, budget=4_800 * MB, used=0, least=16 * MB)
    assert less.n_bytes == 200 * MB


def test_a_budget_too_small_for_all_turns_thins_them_out_and_favours_no_time_of_day():
    """A share of 10 MB gets nobody beyond slow start; were such turns left out until the share has grown, only the
    last of each day would run."""
    month = Month(budget=480 * MB, least=30 * MB, wants=500 * MB)
    assert month.words == {"one turn in 3 runs, for the day's budget of 480 MB": 30 * 32}
    assert min(month.moved.values()) >= 30 * MB
    assert max(month.by_day().values()) <= 480 * MB
    assert set(month.by_time_of_day().values()) == {10}
    assert len(month.by_time_of_day()) == 48


@given(
    budget=st.integers(20, 2000), least=st.integers(16, 400), every=st.sampled_from([900_000, HALF_HOUR_MS, 5_400_000])
)
def test_whatever_the_budget_no_day_exceeds_it_and_no_turn_is_too_short(budget, least, every):
    month = Month(budget=budget * MB, least=least * MB, wants=10_000 * MB, days=3, every_ms=every)
    assert all(n <= budget * MB for n in month.by_day().values())
    assert all(n >= least * MB for n in month.moved.values())
    if budget < least:
        assert not month.moved
        assert all("is less than the" in words for words in month.words)
    else:
        assert not any("this turn's share" in words for words in month.words)


def test_a_budget_that_was_spent_by_hand_is_spent():
    day = day_of(ms("2026-10-01"), "UTC")
    ask = {"every_ms": HALF_HOUR_MS, "day": day, "budget": 4_800 * MB, "least": 16 * MB}
    share = share_of(day.started_at_utc_ms, used=4_799 * MB, **ask)
    assert share.n_bytes == 0
    assert share.words == "of the day's budget of 4,800 MB this turn's share is 0 MB, less than the 16 MB of one probe"


def test_a_little_that_was_spent_by_hand_leaves_no_turn_out():
    """12 turns of 400 MB are to run, and would need every byte."""
    day = day_of(ms("2026-10-01"), "UTC")
    first = day.started_at_utc_ms + -day.ordinal % 4 * HALF_HOUR_MS
    share = share_of(first, every_ms=HALF_HOUR_MS, day=day, budget=4_800 * MB, used=600 * MB, least=400 * MB)
    assert share.n_bytes == 350 * MB


def test_a_day_is_the_owner_s_own_and_may_have_25_hours():
    day = day_of(ms("2026-10-25T12:00", "Europe/Berlin"), "Europe/Berlin")
    assert day.started_at_utc_ms == ms("2026-10-25", "Europe/Berlin")
    assert day.ended_at_utc_ms == ms("2026-10-26", "Europe/Berlin")
    assert day.ended_at_utc_ms - day.started_at_utc_ms == 25 * 3_600_000
    assert day_of(day.ended_at_utc_ms, "Europe/Berlin").ordinal == day.ordinal + 1
    assert day_of(day.ended_at_utc_ms - 1, "Europe/Berlin") == day


def test_what_a_probe_must_move_grows_with_the_link():
    assert least_bytes(None) == least_bytes(10) == TRANSFERS * 4 * MB
    assert least_bytes(800) == TRANSFERS * 200 * MB  # two seconds at 100 MB/s
