"""Who else is on the air around the pottery, and the rules that its laptop's system tells of. All of it is made up.

The rules are an example in the shape of European ones, for a country code that ISO 3166 leaves to users, "XP"; they are
no law. What is lawful where you are, your national regulator says.
"""

from __future__ import annotations

from adapters.contract import FrequencyRule, RegulatoryDomain
from adapters.simulated.scene import Neighbour

RULES = RegulatoryDomain(
    "XP",
    "ETSI",
    (
        FrequencyRule(2400.0, 2483.5, 40.0, 20.0),
        FrequencyRule(5150.0, 5250.0, 80.0, 23.0, indoor_only=True),
        FrequencyRule(5250.0, 5350.0, 80.0, 20.0, radar_detection=True, indoor_only=True, check_before_use_s=60.0),
        FrequencyRule(5470.0, 5725.0, 160.0, 26.0, radar_detection=True, check_before_use_s=60.0),
    ),
)


def neighbours(wheel: str, kiln: str) -> tuple[Neighbour, ...]:
    """With their levels in dBm at the two places where the laptop stands."""
    return (
        Neighbour("02:00:5e:01:24:01", "2.4", 1, 20, b"bookbinder", {wheel: -71.0, kiln: -80.0}, 0.12, 4),
        Neighbour("02:00:5e:01:50:01", "5", 44, 80, b"bookbinder", {wheel: -79.0, kiln: -89.0}, 0.05, 3),
        Neighbour("02:00:5e:02:24:01", "2.4", 6, 20, b"Cello lessons 2nd floor", {wheel: -77.0, kiln: -69.0}, 0.08, 2),
        Neighbour("02:00:5e:03:24:01", "2.4", 4, 40, None, {wheel: -84.0, kiln: -82.0}, 0.05, 1, tells_load=False),
        Neighbour("02:00:5e:04:24:01", "2.4", 11, 20, "Bäckerei".encode(), {wheel: -82.0}, 0.10, 7),
        Neighbour("02:00:5e:04:50:01", "5", 100, 80, "Bäckerei".encode(), {wheel: -87.0}, 0.03, 5, tells_load=False),
    )
