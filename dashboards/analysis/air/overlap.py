"""How much of what is sent on one channel falls into another, and what that means for both.

Two ways. In 5 and 6 GHz channels lie side by side, so a flat spectrum over the width is exact enough: the share is a
ratio of megahertz. In 2.4 GHz channels stand 5 MHz apart and lie across one another, and there what matters is how a
spectrum falls off: the standard's transmit spectral masks say how much it may reach at most. A good transmitter stays
below its mask, so a share of the masks is the most that the standard lets fall in.

Sources: IEEE Std 802.11-2020, 15.4.5.5 (DSSS, and 16.3.7.4 alike), 17.3.9.3 (OFDM), 19.3.18.1 (HT), 21.3.17.1 (VHT).
Left out: the masks of HE and EHT (clause 27.3.19.1 of 802.11ax-2021), whose flat part is up to 0.75 MHz wider on either
side; and the second half of an 80+80 MHz channel, for a radio is logged with one centre.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import exp, log
from typing import Literal

Kind = Literal["same channel", "shares a primary", "overlaps", "apart"]

LEAST_OVERLAP = 0.01  # of the power, -20 dB: less is no overlap, as channels 1 and 5 of 2.4 GHz have none
_ONE_DECADE_DB = 10 / log(10)

# A mask as corners: MHz from the centre, dB below the flat part (dBr). Between corners it is straight, in dB. Beyond
# the last it goes on at 1/10,000 of the flat part or less; that is left out, so that channels far apart share nothing.
Mask = tuple[tuple[float, float], ...]
DSSS: Mask = ((0.0, 0.0), (11.0, 0.0), (11.0, -30.0), (22.0, -30.0))
OFDM: Mask = ((0.0, 0.0), (9.0, 0.0), (11.0, -20.0), (20.0, -28.0), (30.0, -40.0))
HT_20: Mask = ((0.0, 0.0), (9.0, 0.0), (11.0, -20.0), (20.0, -28.0), (30.0, -45.0))  # in 2.4 GHz
HT_40: Mask = ((0.0, 0.0), (19.0, 0.0), (21.0, -20.0), (40.0, -28.0), (60.0, -45.0))  # in 2.4 GHz
VHT: dict[int, Mask] = {
    width: ((0.0, 0.0), (width / 2 - 1, 0.0), (width / 2 + 1, -20.0), (width, -28.0), (1.5 * width, -40.0))
    for width in (20, 40, 80, 160)
}


@dataclass(frozen=True, slots=True)
class Channel:
    """A channel as it is sent on: MHz throughout. ``primary_mhz`` is the centre of its primary 20 MHz channel."""

    primary_mhz: float
    center_mhz: float
    width_mhz: float

    @classmethod
    def known(cls, primary_mhz: float, center_mhz: float | None, width_mhz: float | None) -> Channel:
        """With what the log may not know: a channel of unknown width counts as 20 MHz round its primary, one of unknown
        centre in 5 and 6 GHz as the channel of that width that holds its primary."""
        width = float(width_mhz or 20.0)
        return cls(primary_mhz, _center_mhz(primary_mhz, width) if center_mhz is None else center_mhz, width)

    @property
    def low_mhz(self) -> float:
        return self.center_mhz - self.width_mhz / 2

    @property
    def high_mhz(self) -> float:
        return self.center_mhz + self.width_mhz / 2


def overlap_mhz(one: Channel, other: Channel) -> float:
    """The megahertz that both take."""
    return max(0.0, min(one.high_mhz, other.high_mhz) - max(one.low_mhz, other.low_mhz))


def flat_share(sent: Channel, heard: Channel) -> float:
    """The share (0 to 1) of what is sent on one channel that falls into the other, for flat spectra."""
    return overlap_mhz(sent, heard) / sent.width_mhz


def mask_share(sent: Channel, heard: Channel, mask: Mask) -> float:
    """The most that ``mask`` lets fall from one channel into the other, as a share (0 to 1) of what falls into its own:
    1 on the same channel, 0 where the mask ends before the other begins."""
    own = _below(mask, sent.width_mhz / 2) - _below(mask, -sent.width_mhz / 2)
    into = _below(mask, heard.high_mhz - sent.center_mhz) - _below(mask, heard.low_mhz - sent.center_mhz)
    return min(max(into / own, 0.0), 1.0)


@lru_cache(maxsize=4096)
def share(sent: Channel, heard: Channel) -> float:
    """The share (0 to 1) of what is sent on one channel that falls into the other: of flat spectra in 5 and 6 GHz; in
    2.4 GHz the most that the masks allow, DSSS or OFDM, since a log does not tell which of them a radio sends."""
    if not sent.center_mhz < 2500:
        return flat_share(sent, heard)
    if sent.width_mhz > 20:
        return mask_share(sent, heard, HT_40)
    return max(mask_share(sent, heard, OFDM), mask_share(sent, heard, DSSS))


def relation(one: Channel, other: Channel) -> Kind:
    """What two channels are to each other; where they overlap enough for it (see LEAST_OVERLAP) in either direction."""
    if max(share(one, other), share(other, one)) < LEAST_OVERLAP:
        return "apart"
    if one.primary_mhz != other.primary_mhz:
        return "overlaps"
    return (
        "same channel" if (one.center_mhz, one.width_mhz) == (other.center_mhz, other.width_mhz) else "shares a primary"
    )


MEANING: dict[Kind, str] = {
    "same channel": "they take turns: each waits while it hears the other send (contention)",
    "shares a primary": "they take turns on the primary 20 MHz, and there the wider takes all of its channel",
    "overlaps": "another primary: neither can read the other's frames, and each waits only for strong ones; so what one"
    " sends spoils frames of the other (interference)",
    "apart": "they do not meet",
}  # fmt: skip


def _below(mask: Mask, offset_mhz: float) -> float:
    """The mask's power from its centre to an offset (negative to the left), in MHz of its flat part."""
    end = abs(offset_mhz)
    total = 0.0
    for (from_mhz, from_db), (to_mhz, to_db) in pairwise(mask):
        if to_mhz <= from_mhz or from_mhz >= end:
            continue
        span = min(to_mhz, end) - from_mhz
        slope = (to_db - from_db) / (to_mhz - from_mhz) / _ONE_DECADE_DB  # of the power's logarithm, per MHz
        level = exp(from_db / _ONE_DECADE_DB)
        total += level * (span if slope == 0 else (exp(slope * span) - 1) / slope)
    return total if offset_mhz >= 0 else -total


def _center_mhz(primary_mhz: float, width_mhz: float) -> float:
    """The centre of the channel of that width in which a primary lies: in 5 GHz they begin at 5170, 5490 and 5735 MHz,
    in 6 GHz at 5945 (annex E); in 2.4 GHz a 40 MHz channel may lie to either side, so its primary stands for it."""
    if width_mhz <= 20 or primary_mhz < 2500:
        return primary_mhz
    if primary_mhz >= 5945:
        begin = 5945.0
    else:
        begin = 5735.0 if primary_mhz >= 5735 else 5490.0 if primary_mhz >= 5490 else 5170.0
    return begin + (primary_mhz - begin) // width_mhz * width_mhz + width_mhz / 2
