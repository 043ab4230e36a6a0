"""Findings as they may be shared: judged on what was measured, then told without addresses and network names.

Only what is shown is replaced, after everything was worked out: figures, verdicts, the order of rows and which BSSIDs
are one radio are those of the report that stays at home.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, is_dataclass, replace
from functools import cache
from typing import Any, TypeVar

import pandas as pd

from logger.aliases import Aliases

_OWN_WORDS = {"location", "locations", "placement", "label", "notes", "settings", "needed_rate_for"}
_RADIOS = {"bssid", "also_bssid"}
_NETWORKS = {"ssid", "ssid_text"}
_FAR_ENDS = {"far_end"}
_LEFT_OUT = {"detail"}  # of events: no page and no table shows it
_Told = TypeVar("_Told")


def as_shared(findings: _Told, aliases: Aliases) -> _Told:
    """The same, in all of its frames, tuples and dataclasses, with aliases in place of addresses and network names."""
    told: _Told = _Sharing(aliases).told(findings)
    return told


class _Sharing:
    """Goes through what was found. What it does not know it leaves as it is."""

    def __init__(self, aliases: Aliases) -> None:
        self._radio = cache(aliases.radio)
        self._network = cache(aliases.network)
        self._far_end = cache(aliases.far_end)
        self._own_words = cache(aliases.words)
        self._addresses = cache(aliases.addresses)

    def told(self, value: Any, name: str = "") -> Any:
        if isinstance(value, str):
            return self._for(name)(value)
        if isinstance(value, pd.DataFrame):
            return value.assign(**{column: self._column(value[column], column) for column in value.columns})
        if isinstance(value, tuple) and hasattr(value, "_fields"):
            inner = [self.told(one, field) for field, one in zip(value._fields, value, strict=True)]
            return value if all(map(_is, inner, value)) else value._make(inner)  # type: ignore[attr-defined]
        if isinstance(value, list | tuple):
            inner = [self.told(one, name) for one in value]
            return value if all(map(_is, inner, value)) else type(value)(inner)
        if isinstance(value, dict):
            return {key: self.told(one, name) for key, one in value.items()}
        if is_dataclass(value) and not isinstance(value, type):
            now = {field.name: getattr(value, field.name) for field in fields(value)}
            told = {key: self.told(one, key) for key, one in now.items()}
            changed = {key: one for key, one in told.items() if one is not now[key]}
            return replace(value, **changed) if changed else value
        return value

    def _column(self, column: pd.Series, name: str) -> pd.Series:
        if name in _LEFT_OUT:
            return pd.Series([{}] * len(column), index=column.index, dtype=object)
        if name in _OWN_WORDS and column.dtype == object:
            return pd.Series([self.told(one, name) for one in column], index=column.index, dtype=object)
        if not pd.api.types.is_string_dtype(column.dtype) or column.dtype == object:
            return column
        known = {text: self._for(name)(text) for text in column.dropna().unique()}
        return column.map(known).astype(column.dtype) if any(key != text for key, text in known.items()) else column

    def _for(self, name: str) -> Callable[[str], str]:
        if name in _OWN_WORDS:
            return self._own_words
        if name in _RADIOS:
            return self._radio
        if name in _NETWORKS:
            return self._network
        return self._far_end if name in _FAR_ENDS else self._addresses


def _is(one: object, other: object) -> bool:
    return one is other
