"""Settings as an owner would say them."""

from __future__ import annotations

from logger.router_settings import BANDS

_UNITS = ("_dbi", "_dbm", "_db", "_deg", "_mhz")


def spoken(phrase: str) -> str:
    """A phrase of router_settings.difference with its key in words: "antenna.5.cable_loss_db 0 -> 1 dB" is
    "5 GHz antenna: cable loss 0 → 1 dB"."""
    key, _, values = phrase.partition(" ")
    part, _, rest = key.partition(".")
    band, _, name = rest.rpartition(".")
    for unit in _UNITS:
        name = name.removesuffix(unit)
    whose = f"{band} GHz {part}:" if band in BANDS else part
    return f"{whose} {name.replace('_', ' ')} {values}".replace(" -> ", "\N{NO-BREAK SPACE}→\N{NO-BREAK SPACE}")
