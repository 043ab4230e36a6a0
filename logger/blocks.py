"""Blocks: what the report is drawn from. Pure arithmetic; logger/block_table.py keeps them in the log.

A block sums up the samples of one period, one stretch of time and one radio. Stretches are ten minutes of the
clock in the middle of a period and grow finer towards both of its ends, where most of the evidence about a step
lies: at distance d from the nearer end a stretch is d/6 long, at least 10 s.
"""

from __future__ import annotations

import struct
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Mapping
from math import log2
from typing import NamedTuple

STRETCH_MS = 600_000
FINEST_MS = 10_000
FINE_ZONE_MS = 3_600_000  # from here on d/6 is more than a stretch
GAP_INTERVALS = 3  # samples further apart than this many intervals have a gap between them
RATE_STEPS_PER_OCTAVE = 8
# What the flags of a sample are the sum of.
DURING_PROBE = 1  # a probe's traffic ran since the sample before: what it did to the link is not the link's own
TX_RATE_STALE = 2  # the driver tells a transmit rate, and no frame has gone out since the sample before
RX_RATE_STALE = 4
ALL_FLAGS = DURING_PROBE | TX_RATE_STALE | RX_RATE_STALE
_BREAKS_MATTER_MS = 4 * 3_600_000  # no two samples further apart than that have no gap between


def _fine_offsets_ms() -> tuple[int, ...]:
    offsets = [0]
    while (reach := offsets[-1]) < FINE_ZONE_MS:
        offsets.append(min(FINE_ZONE_MS, reach + max(FINEST_MS, reach // 6000 * 1000)))
    return tuple(offsets)


FINE_OFFSETS_MS = _fine_offsets_ms()


class Stretch(NamedTuple):
    """A half-open stretch of time, in milliseconds since 1970 UTC."""

    started_at_utc_ms: int
    ended_at_utc_ms: int


def stretch_at(time_ms: int, started_ms: int, ended_ms: int | None) -> Stretch:
    """The stretch of a period (``started_ms`` to ``ended_ms``, None while open) that holds ``time_ms``.

    Stretches tile the period. A time before the period began (a clock set back) gets a stretch that ends there.
    """
    if time_ms < started_ms:
        begin = time_ms // STRETCH_MS * STRETCH_MS
        return Stretch(begin, min(begin + STRETCH_MS, started_ms))
    head_end = started_ms + FINE_ZONE_MS
    tail_begin = None
    if ended_ms is not None:
        middle = (started_ms + ended_ms) // 2
        head_end, tail_begin = min(head_end, middle), max(ended_ms - FINE_ZONE_MS, middle)
    if time_ms < head_end:
        i = bisect_right(FINE_OFFSETS_MS, time_ms - started_ms) - 1
        return Stretch(started_ms + FINE_OFFSETS_MS[i], min(started_ms + FINE_OFFSETS_MS[i + 1], head_end))
    if ended_ms is not None and tail_begin is not None and time_ms >= tail_begin:
        if time_ms >= ended_ms:
            begin = time_ms // STRETCH_MS * STRETCH_MS
            return Stretch(max(begin, ended_ms), begin + STRETCH_MS)
        i = bisect_left(FINE_OFFSETS_MS, ended_ms - time_ms)
        return Stretch(max(ended_ms - FINE_OFFSETS_MS[i], tail_begin), ended_ms - FINE_OFFSETS_MS[i - 1])
    begin = time_ms // STRETCH_MS * STRETCH_MS
    end = begin + STRETCH_MS
    return Stretch(max(begin, head_end), end if tail_begin is None else min(end, tail_begin))


def rate_step(mbps: float) -> int:
    """A rate's place in the rate histogram: eighths of an octave above 1 Mbit/s."""
    return max(-127, min(127, round(RATE_STEPS_PER_OCTAVE * log2(mbps))))


def encode_histogram(counts: Mapping[int, int]) -> bytes:
    """Pairs of (signed byte value, little-endian uint16 count), by value; numpy reads them as
    ``[('value', 'i1'), ('count', '<u2')]``. Counts stop at 65,535 (a block holds 6,000 at 0.1 s)."""
    return b"".join(struct.pack("<bH", value, min(counts[value], 0xFFFF)) for value in sorted(counts))


def decode_histogram(blob: bytes) -> dict[int, int]:
    """The inverse of encode_histogram."""
    return dict(struct.iter_unpack("<bH", blob))


class FoldSample(NamedTuple):
    """What blocks need of a sample."""

    time_utc_ms: int
    link_id: int
    rssi_dbm: float | None
    noise_dbm: float | None
    tx_rate_mbps: float | None
    rx_rate_mbps: float | None
    tx_packets: int | None
    tx_retries: int | None
    tx_failed: int | None
    beacon_losses: int | None
    busy_permille: int | None
    rx_bytes: int | None
    tx_bytes: int | None
    nth: int = 0  # the last bits of its id
    flags: int = 0


class LinkFacts(NamedTuple):
    """What blocks need of a link."""

    connected: bool
    band: str | None


class Block:
    """The running summary of one stretch and one radio; ``row()`` is a row of the table ``block``."""

    __slots__ = (
        "beacon_losses", "busy_n", "busy_sum", "covered_ms", "first_ms", "last_ms", "link_id", "n_dropouts",
        "n_samples", "noise_n", "noise_sum", "offset_sum", "probing_n", "rssi", "rssi_n", "rssi_sum", "rx_bytes",
        "rx_rate", "rx_rate_log2", "rx_rate_n", "rx_rate_stale_n", "rx_rate_sum", "stretch", "tx_bytes", "tx_failed",
        "tx_packets", "tx_rate", "tx_rate_log2", "tx_rate_n", "tx_rate_stale_n", "tx_rate_sum", "tx_retries",
    )  # fmt: skip

    def __init__(self, stretch: Stretch, link_id: int, first_ms: int) -> None:
        self.stretch, self.link_id, self.first_ms = stretch, link_id, first_ms
        self.last_ms = first_ms
        self.n_samples = self.offset_sum = self.covered_ms = self.n_dropouts = 0
        self.rssi_n = self.noise_n = self.tx_rate_n = self.rx_rate_n = self.busy_n = self.busy_sum = 0
        self.rssi_sum = self.noise_sum = 0.0
        self.tx_rate_sum = self.tx_rate_log2 = self.rx_rate_sum = self.rx_rate_log2 = 0.0
        self.tx_packets = self.tx_retries = self.tx_failed = self.beacon_losses = self.rx_bytes = self.tx_bytes = 0
        self.probing_n = self.tx_rate_stale_n = self.rx_rate_stale_n = 0
        self.rssi: dict[int, int] = {}
        self.tx_rate: dict[int, int] = {}
        self.rx_rate: dict[int, int] = {}

    def add(self, sample: FoldSample, covered_ms: int, dropped: bool) -> None:
        self.n_samples += 1
        self.last_ms = sample.time_utc_ms
        self.offset_sum += sample.time_utc_ms - self.stretch.started_at_utc_ms
        self.covered_ms += covered_ms
        self.n_dropouts += dropped
        if sample.flags & DURING_PROBE:
            self.probing_n += 1
            return
        self.tx_rate_stale_n += bool(sample.flags & TX_RATE_STALE)
        self.rx_rate_stale_n += bool(sample.flags & RX_RATE_STALE)
        if (rssi := sample.rssi_dbm) is not None:
            self.rssi_n += 1
            self.rssi_sum += rssi
            whole = max(-127, min(127, round(rssi)))
            self.rssi[whole] = self.rssi.get(whole, 0) + 1
        if (noise := sample.noise_dbm) is not None:
            self.noise_n += 1
            self.noise_sum += noise
        if rate := sample.tx_rate_mbps:
            self.tx_rate_n += 1
            self.tx_rate_sum += rate
            self.tx_rate_log2 += log2(rate)
            step = rate_step(rate)
            self.tx_rate[step] = self.tx_rate.get(step, 0) + 1
        if rate := sample.rx_rate_mbps:
            self.rx_rate_n += 1
            self.rx_rate_sum += rate
            self.rx_rate_log2 += log2(rate)
            step = rate_step(rate)
            self.rx_rate[step] = self.rx_rate.get(step, 0) + 1
        if (busy := sample.busy_permille) is not None:
            self.busy_n += 1
            self.busy_sum += busy
        self.tx_packets += sample.tx_packets or 0
        self.tx_retries += sample.tx_retries or 0
        self.tx_failed += sample.tx_failed or 0
        self.beacon_losses += sample.beacon_losses or 0
        self.rx_bytes += sample.rx_bytes or 0
        self.tx_bytes += sample.tx_bytes or 0

    def row(self, period_id: int) -> tuple[object, ...]:
        """In the order of the table's columns."""
        return (
            period_id, self.stretch.started_at_utc_ms, self.link_id, self.stretch.ended_at_utc_ms,
            self.first_ms, self.last_ms, self.n_samples, self.offset_sum, self.covered_ms, self.n_dropouts,
            self.rssi_n, self.rssi_sum, encode_histogram(self.rssi), self.noise_n, self.noise_sum,
            self.tx_rate_n, self.tx_rate_sum, self.tx_rate_log2, encode_histogram(self.tx_rate),
            self.rx_rate_n, self.rx_rate_sum, self.rx_rate_log2, encode_histogram(self.rx_rate),
            self.busy_n, self.busy_sum, self.tx_packets, self.tx_retries, self.tx_failed, self.beacon_losses,
            self.rx_bytes, self.tx_bytes, self.probing_n, self.tx_rate_stale_n, self.rx_rate_stale_n,
        )  # fmt: skip


class Fold:
    """Folds the samples of one period, in order of time, into blocks.

    A sample stands for the time since the one before it, or for one interval where there was a gap: where the two lie
    far apart, or one of ``breaks`` (times at which a spell without samples ended) lies between. A drop-out is a sample
    without a link, with a link in the sample before and no gap between. A logger reads one radio at a time, and where
    its clock was set back the sample before is that of the same pass; an imported recording may hold several bands at
    once (``by_band``), each with a sample before of its own.
    """

    def __init__(
        self,
        started_ms: int,
        ended_ms: int | None,
        links: dict[int, LinkFacts],
        *,
        by_band: bool = False,
        breaks: Iterable[int] = (),
    ) -> None:
        self.started_ms, self.ended_ms, self.links, self.by_band = started_ms, ended_ms, links, by_band
        self.stretch = Stretch(0, 0)
        self.open: dict[int, Block] = {}
        self._breaks = sorted(breaks)
        self._last: dict[str | int | None, tuple[int, bool]] = {}  # time and whether connected, by band or pass

    def add(self, sample: FoldSample, interval_ms: int) -> Iterator[Block]:
        """Take one sample in; yields the blocks that it closes."""
        time_ms = sample.time_utc_ms
        if not self.stretch.started_at_utc_ms <= time_ms < self.stretch.ended_at_utc_ms:
            yield from self.open.values()
            self.open = {}
            self.stretch = stretch_at(time_ms, self.started_ms, self.ended_ms)
        covered_ms, dropped = self._since_last(sample, interval_ms)
        block = self.open.get(sample.link_id)
        if block is None:
            block = self.open[sample.link_id] = Block(self.stretch, sample.link_id, time_ms)
        block.add(sample, covered_ms, dropped)

    def warm_up(self, samples: Iterable[FoldSample], interval_ms: int) -> None:
        """Let the fold know samples that are in blocks already."""
        for sample in samples:
            self._since_last(sample, interval_ms)

    def break_at(self, times_ms: Iterable[int]) -> None:
        """Spells without samples ended then, after all samples taken in so far of their pass."""
        recent_ms = self.stretch.started_at_utc_ms - _BREAKS_MATTER_MS
        self._breaks = sorted([*(time_ms for time_ms in self._breaks if time_ms > recent_ms), *times_ms])

    def _since_last(self, sample: FoldSample, interval_ms: int) -> tuple[int, bool]:
        connected, band = self.links[sample.link_id]
        track = band if self.by_band else sample.nth
        last_ms, was_connected = self._last.get(track, (None, False))
        self._last[track] = (sample.time_utc_ms, connected)
        if last_ms is None:
            return interval_ms, False
        step_ms = sample.time_utc_ms - last_ms
        no_gap = 0 <= step_ms <= GAP_INTERVALS * interval_ms
        if no_gap and self._breaks:
            no_gap = bisect_right(self._breaks, last_ms) == bisect_right(self._breaks, sample.time_utc_ms)
        return (step_ms if no_gap else interval_ms), no_gap and was_connected and not connected
