"""The clock on the wall where something was logged: what the cycle of the day goes by."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd


def ahead_of_utc_s(utc_ms: np.ndarray, zones: np.ndarray) -> np.ndarray:
    """Seconds that the wall clock of each moment's zone (IANA name) was ahead of UTC; both arrays of shape (n,)."""
    ahead_s = np.zeros(len(zones))
    for zone in set(zones):
        here = zones == zone
        times = pd.to_datetime(utc_ms[here].astype("int64"), unit="ms", utc=True)
        ahead_s[here] = (times.tz_convert(ZoneInfo(zone)).tz_localize(None) - times.tz_localize(None)).total_seconds()
    return ahead_s
