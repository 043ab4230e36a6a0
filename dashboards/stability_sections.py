"""The part of the report that answers "does it last?".

    for section in sections_of(stability(blocks, needed_rate_mbps=5.0), labels, needed_rate_for="a video call"):
        section["location"]    text, fit to be shown (as all text here is; a template must still escape it)
        section["band"]        "5 GHz"
        section["versions"]    a list, by number: {"version": "v2", "label": "longer antennas", "sentences": [...]}
        section["figures"]     a list: {"name": "Allan deviation", "figure": plotly Figure, "caption": text}

One section per location and band, in this order; ``notes`` are sentences to be said once for all of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any

from dashboards.analysis.lasting.stability import Stability
from dashboards.sentences import band_name
from dashboards.stability_figures import allan_figure, hours_figure
from dashboards.stability_words import CEILING, EXPECTED, stability_sentences
from logger.printable import printable

ALLAN_CAPTION = (
    "How much the level of one stretch of time differs from that of the next, by their length. Where a line stops "
    "falling, averaging for longer buys no precision. Shaded and as "
    "whiskers: 95 % intervals."
)
HOURS_CAPTION = (
    "Lines: median of each hour; shaded: 10 to 90 % of its samples. Placements are shifted to the level of one of them."
)


def sections_of(
    found: Sequence[Stability], labels: Mapping[int, str], *, needed_rate_for: str = ""
) -> list[dict[str, Any]]:
    """See above. ``labels``: of the config versions, by number."""
    return [
        {
            "location": printable(location),
            "band": band_name(band),
            "versions": [
                {
                    "version": f"v{one.version}",
                    "label": printable(labels.get(one.version, "")),
                    "sentences": stability_sentences(one, needed_rate_for),
                }
                for one in versions
            ],
            "figures": list(_figures(versions)),
        }
        for (location, band), versions in (
            (key, list(mine)) for key, mine in groupby(found, key=lambda one: (one.location, one.band))
        )
    ]


def notes(found: Sequence[Stability]) -> list[str]:
    """What is to be said once."""
    return [EXPECTED] * any(one.outages for one in found) + [CEILING] * any(one.under_rate for one in found)


def _figures(versions: Sequence[Stability]) -> Iterator[dict[str, Any]]:
    for name, draw, caption in (
        ("Allan deviation", allan_figure, ALLAN_CAPTION),
        ("Hour of the day", hours_figure, HOURS_CAPTION),
    ):
        figure = draw(versions)
        if figure is not None:
            yield {"name": name, "figure": figure, "caption": caption}
