"""The report's first screen: every change with what it did, a line per location and band."""

from __future__ import annotations

from typing import Any

from dashboards.comparison import METRICS, LocatedEffect
from dashboards.sentences import METRIC_NAMES, VERDICTS, amount, band_name, has_interval
from logger.printable import printable


def by_place(effects: list[LocatedEffect]) -> dict[tuple[str, str], dict[str, LocatedEffect]]:
    """Effects by location and band, then by metric."""
    found: dict[tuple[str, str], dict[str, LocatedEffect]] = {}
    for located in effects:
        found.setdefault((located.location, located.band), {})[located.effect.metric] = located
    return found


def overview_lines(effects: list[LocatedEffect]) -> list[dict[str, Any]]:
    """What one change did, a line per location and band: RSSI, and the first other metric that has a verdict
    of better or worse. Bands that the laptop seldom chose come last."""
    lines = []
    for (place, band), found in by_place(effects).items():
        rest = (found[metric] for metric in METRICS[1:] if metric in found)
        telling = next((one for one in rest if one.effect.verdict in ("better", "worse")), None)
        seldom = any(one.seldom_used for one in found.values())
        lines.append(
            {
                "location": printable(place),
                "band": band_name(band),
                "seldom": seldom,
                "rssi": effect_cell(found.get("rssi")),
                "telling": telling and effect_cell(telling),
            }
        )
    return sorted(lines, key=lambda line: line["seldom"])


def effect_cell(located: LocatedEffect | None, *, unit: bool = True) -> dict[str, str]:
    """One effect for the template: its metric, its amount, its verdict and that verdict in words."""
    if located is None or not has_interval(located.effect):
        return {"metric": "RSSI", "amount": "too little data", "verdict": "", "words": ""}
    effect = located.effect
    return {
        "metric": METRIC_NAMES[effect.metric],
        "amount": amount(effect, unit=unit),
        "verdict": effect.verdict,
        "words": VERDICTS[effect.verdict],
    }
