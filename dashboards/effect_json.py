"""Effects as machines are told them: the stable JSON of ``compare``, and the columns of effects.csv."""

from __future__ import annotations

from math import isfinite

from dashboards.comparison import LocatedEffect

# What machines are told of an effect, as JSON and as CSV.
EFFECT_FIELDS = (
    "metric", "unit", "estimate", "low", "high", "anytime_low", "anytime_high", "open", "confidence", "verdict",
    "margin", "n_placements_a", "n_placements_b", "hours_a", "hours_b", "scope", "needed", "warnings", "measured",
)  # fmt: skip


def comparison_json(a: int, b: int, effects: list[LocatedEffect]) -> dict[str, object]:
    """The stable answer for machines. Unknown and infinite numbers are null."""
    from dashboards.direction_words import located_directions

    return {
        "a": f"v{a}",
        "b": f"v{b}",
        "effects": [_effect_json(located) for located in effects],
        "directions": [
            {
                "location": place.location,
                "band": place.band,
                "downlink": place.found.downlink.change,
                "uplink": place.found.uplink.change,
                "words": place.words,
            }
            for place in located_directions(effects)
        ],
    }


def _effect_json(located: LocatedEffect) -> dict[str, object]:
    told = {name: _plain(getattr(located.effect, name)) for name in EFFECT_FIELDS}
    heard = {"radio": located.radio or None, "laptop_on": list(located.laptop_on)}
    return {"location": located.location, "band": located.band, **told, **heard}


def _plain(value: object) -> object:
    if isinstance(value, tuple):
        return list(value)
    return _number(value) if isinstance(value, float) else value


def _number(value: float | None) -> float | None:
    """Six significant digits are more than any estimate carries, and keep the JSON short."""
    return float(f"{value:.6g}") if value is not None and isfinite(value) else None
