"""What the link can carry, and what scans heard, as the template shows it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import pandas as pd

from dashboards.analysis.carrying import summarise_probes, summarise_sightings
from dashboards.analysis.probe_columns import TARGETS
from dashboards.frames import rows_of
from dashboards.over_time import OverTime
from dashboards.report import Findings
from dashboards.sentences import band_name, number
from logger.printable import printable

MOST_ROWS = 60  # of radios heard; the table in report --csv has all
MOST_REASONS = 5
_MEASURED = r": [0-9][0-9.,]* .*$"
_HEADS = {
    "down_mbps": "down, Mbit/s", "up_mbps": "up, Mbit/s", "down_one_mbps": "down, one stream, Mbit/s",
    "up_one_mbps": "up, one stream, Mbit/s", "idle_ms": "latency idle, ms", "loaded_ms": "latency loaded, ms",
}  # fmt: skip
_DIGITS = {"down_mbps": 0, "up_mbps": 0, "down_one_mbps": 0, "up_one_mbps": 0, "idle_ms": 1, "loaded_ms": 0}


def carrying_section(findings: Findings, over_time: OverTime, labels: Mapping[int, str]) -> dict[str, Any] | None:
    """None where nothing was probed."""
    table = summarise_probes(findings.beside.probes)
    if table.empty:
        return None
    known = [name for name in _DIGITS if table[name].notna().any()]
    return {
        "measured": known,
        "far_ends": table["far_end"].nunique() > 1,
        "latency_to": TARGETS[str(table["latency_to"].iloc[0])],
        "rows": list(_rows(table[table["n_done"] > 0], known, labels)),
        "without": list(_without(findings.beside.probes)),
        "figures": list(over_time.of_probes()),
    }


def _rows(table: pd.DataFrame, known: list[str], labels: Mapping[int, str]) -> Iterator[dict[str, Any]]:
    for row in rows_of(table):
        yield {
            "location": printable(row.location),
            "version": f"v{row.version}",
            "label": labels[row.version],
            "band": band_name(row.band or None),
            "far_end": printable(row.far_end) or "none reached",
            "numbers": [(*_with_range(row, name, _DIGITS[name]), _tail(row, name), _HEADS[name]) for name in known],
            "loss": number(row.loss_percent, 2),
            "n": f"{row.n_done}",
            "failed": f"{row.n_failed}",
        }


def _without(probes: pd.DataFrame) -> Iterator[str]:
    """How many probes there are no numbers of, with the reasons, most often met first."""
    for outcome, words in (
        ("stepped-aside", "stepped aside"),
        ("failed", "failed"),
        ("link-changed", "lost their link"),
    ):
        those = probes.loc[probes["outcome"] == outcome, "words"]
        if those.empty:
            continue
        kinds = those.str.replace(_MEASURED, "", regex=True)  # "the link is in use", whatever its rate was
        reasons = [(printable(str(reason)), n) for reason, n in kinds.value_counts().items() if reason]
        said = [f"{reason} ({n})" for reason, n in reasons[:MOST_REASONS]]
        more = sum(n for _, n in reasons[MOST_REASONS:])
        told = "; ".join([*said, *([f"other reasons ({more})"] if more else [])])
        yield f"{len(those):,} of {len(probes):,} probes {words}{f': {told}' if told else ''}."


def _tail(row: Any, name: str) -> str:
    """Of a latency the 95 % point and the jitter: "95 %: 31, jitter 22"."""
    base = name.removesuffix("_ms")
    if base not in ("idle", "loaded") or pd.isna(getattr(row, f"{base}_p95_ms")):
        return ""
    p95, jitter = (number(getattr(row, f"{base}_{one}_ms"), _DIGITS[name]) for one in ("p95", "jitter"))
    return f"95 %: {p95}, jitter {jitter}"


def _with_range(row: Any, name: str, digits: int) -> tuple[str, str]:
    """The median, and the 10 and 90 % points."""
    base, unit = name.rsplit("_", 1)
    value, low, high = (getattr(row, one) for one in (name, f"{base}_low_{unit}", f"{base}_high_{unit}"))
    return number(value, digits), "" if pd.isna(value) else f"{number(low, digits)} to {number(high, digits)}"


def heard_section(findings: Findings, over_time: OverTime, labels: Mapping[int, str]) -> dict[str, Any] | None:
    """None where no scan heard a radio that counts."""
    table = summarise_sightings(findings.beside.sightings)
    if table.empty:
        return None
    return {
        "left_out": max(0, len(table) - MOST_ROWS),
        "rows": [
            {
                "location": printable(row.location),
                "radio": printable(row.bssid),
                "network": printable(row.ssid) if isinstance(row.ssid, str) else "hidden",
                "band": band_name(row.band if isinstance(row.band, str) else None),
                "version": f"v{row.version}",
                "label": labels[row.version],
                "rssi": number(row.rssi_median_dbm, 1),
                "range": f"{number(row.rssi_low_dbm, 0)} to {number(row.rssi_high_dbm, 0)}",
                "n": f"{row.n_hours:,}",
            }
            for row in rows_of(table.sort_values(["location", "band", "bssid", "version"]).head(MOST_ROWS))
        ],
        "figures": list(over_time.of_sightings()),
    }
