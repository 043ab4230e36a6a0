"""How probes stand, for ``linktrial status`` and ``check``, and what one found, in words."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from typing import Any, NamedTuple

from logger.errors import LogError
from logger.log import OWN_SOURCE
from logger.printable import printable
from logger.probe_table import Latency, Probe, Transfer, newest_probe
from logger.probing.plan import phase_ms, turn_before
from logger.settings import load_settings
from logger.times import format_duration

PURPOSE = "probe"  # of the claim: one turn at a time per log
_LOADS = {"idle": "link idle", "down": "while receiving", "up": "while sending"}
_METHODS = {"icmp": "by ICMP echo", "tcp-connect": "by TCP connect"}


class ProbeStanding(NamedTuple):
    """The last probe, the last that was done, and the next. ``none``: why there will be none; ``whom``: whom they speak
    to, None where it is the gateway alone."""

    last: Probe | None
    done: Probe | None
    next_utc_ms: int | None
    whom: str | None
    none: str | None


def log_number(db: sqlite3.Connection) -> str:
    """What tells this log from others."""
    return str(db.execute("SELECT log_id FROM identity").fetchone()[0])


def probe_standing(db: sqlite3.Connection, now_ms: int, *, logging: bool) -> ProbeStanding:
    """As the settings and the pairing stand now."""
    from logger.probing.pairing import target_of

    last, done, whom = newest_probe(db), newest_probe(db, "done"), None
    try:
        settings = load_settings()
        target = target_of(settings)
        whom = target.label if target else None
    except LogError as error:
        return ProbeStanding(last, done, None, None, str(error))
    every_ms = round(settings.probe_every_s * 1000)
    if not every_ms:
        return ProbeStanding(last, done, None, whom, "'probe_every_s' is 0 in the settings")
    if not logging:
        return ProbeStanding(last, done, None, whom, "nothing is logging")
    if _is_simulated(db) and not settings.probe_far_end:
        return ProbeStanding(last, done, None, whom, "a simulated radio carries nothing")
    turn_ms = turn_before(now_ms, every_ms, phase_ms(log_number(db), every_ms))
    return ProbeStanding(last, done, turn_ms + every_ms, whom, None)


def _is_simulated(db: sqlite3.Connection) -> bool:
    """Whether the logger reads a radio that is not there."""
    started = "SELECT json_extract(detail, '$.adapter') FROM event WHERE kind = 'logger-started' AND source_id = ?"
    row = db.execute(f"{started} ORDER BY id DESC LIMIT 1", (OWN_SOURCE,)).fetchone()
    return row is not None and row[0] == "simulated"


def probe_standing_lines(standing: ProbeStanding, now_ms: int) -> list[str]:
    """For a terminal. A turn that stepped aside hides no probe that was done before it."""
    last, done, next_ms, whom, none = standing
    told = {"last probe": done, "since then": last} if done and done != last else {"last probe": last}
    lines = [
        f"{name}: {format_duration(max(0, now_ms - probe.started_at_utc_ms) // 1000)} ago, {summary(probe)}"
        for name, probe in told.items()
        if probe
    ]
    if next_ms is None:
        lines.append(f"no probe will come: {printable(none or '')}")
    else:
        ahead = format_duration(max(0, next_ms - now_ms) // 1000)
        to = f"to {printable(whom)}" if whom else "latency to the gateway only; 'linktrial probe --pair' adds transfers"
        lines.append(f"next probe: in {ahead}, {to}")
    return lines


def probe_standing_json(standing: ProbeStanding) -> dict[str, Any]:
    """The same for machines."""
    return {
        "last": standing.last and probe_json(standing.last),
        "done": standing.done and probe_json(standing.done),
        "next_utc_ms": standing.next_utc_ms,
        "far_end": standing.whom,
        "none": standing.none,
    }


def probe_json(probe: Probe) -> dict[str, Any]:
    """A probe as it stands in the log, without the log's own numbers."""
    known = probe._asdict() | {
        "transfers": [each._asdict() for each in probe.transfers],
        "latencies": [each._asdict() for each in probe.latencies],
    }
    return {name: value for name, value in known.items() if name not in ("id", "link_id")}


def summary(probe: Probe) -> str:
    """One line: what came of it."""
    if probe.outcome == "running":
        return "it runs, or ended without a word"
    why = f": {printable(probe.words)}" if probe.words else ""
    if probe.outcome == "stepped-aside":
        return f"stepped aside{why}"
    if probe.outcome in ("failed", "link-changed"):
        return f"failed{why}" if probe.outcome == "failed" else f"the link changed{why}"
    found = [f"{best.goodput_mbps:.3g} Mbit/s {best.direction}" for best in _best(probe)]
    found += [
        f"{each.median_ms:.3g} ms to the {_target(each)}" + _tail(each)
        for each in probe.latencies
        if each.load == "idle" and each.median_ms is not None
    ]
    return ", ".join(found) or f"nothing was measured{why}"


def _tail(latency: Latency) -> str:
    return "" if latency.p95_ms is None else f" (95 % within {latency.p95_ms:.3g} ms)"


def probe_lines(probe: Probe) -> list[str]:
    """All that it found, for a terminal."""
    lines = [f"{'far end':<10} {printable(probe.far_end)}"] if probe.far_end else []
    lines += [f"{each.direction:<10} {_transfer_words(each)}" for each in probe.transfers]
    ordered = sorted(probe.latencies, key=lambda each: (list(_LOADS).index(each.load), each.target))
    lines += [f"{'latency':<10} {_latency_words(each)}" for each in ordered]
    if probe.outcome == "done" and probe.words:
        lines.append(f"{'note':<10} {printable(probe.words)}")
    return lines


def _best(probe: Probe) -> Iterator[Transfer]:
    """Of each direction the transfer with most streams that got beyond slow start."""
    for direction in ("down", "up"):
        told = [each for each in probe.transfers if each.direction == direction and each.goodput_mbps is not None]
        if told:
            yield max(told, key=lambda each: each.streams)


def _transfer_words(transfer: Transfer) -> str:
    streams = "1 stream" if transfer.streams == 1 else f"{transfer.streams} streams"
    moved = f"{transfer.n_bytes / 1e6:,.1f} MB in {transfer.duration_ms / 1000:.1f} s"
    if transfer.goodput_mbps is None:
        return f"no rate can be told with {streams} ({moved})"
    more = [moved]
    if transfer.tcp_rtt_ms is not None:
        more.append(f"round trip {transfer.tcp_rtt_ms:.3g} ms")
    if transfer.tcp_retransmits is not None:
        n = transfer.tcp_retransmits
        more.append(f"{n:,} segment{'' if n == 1 else 's'} sent again")
    return f"{transfer.goodput_mbps:,.4g} Mbit/s with {streams} ({', '.join(more)})"


def _latency_words(latency: Latency) -> str:
    about = f"{_target(latency)}, {_LOADS[latency.load]}"
    lost = f"{latency.n_lost} of {latency.n_sent} lost; {_METHODS[latency.method]}"
    if latency.median_ms is None:
        return f"{about}: no answer; {lost}"
    parts = [f"median {latency.median_ms:.3g} ms"]
    if latency.p95_ms is not None:
        parts.append(f"95 % within {latency.p95_ms:.3g}")
    if latency.jitter_ms is not None:
        parts.append(f"varies by {latency.jitter_ms:.3g}")
    return f"{about}: {', '.join([*parts, lost])}"


def _target(latency: Latency) -> str:
    return "gateway" if latency.target == "gateway" else "far end"
