"""A simulated radio behind the adapters' contract: a real adapter, seeded, on a clock of your own.

:mod:`adapters.simulated.pottery` has a whole scenario with known effects.
"""

from adapters.simulated.clock import SimulatedClock
from adapters.simulated.radio import SimulatedRadio
from adapters.simulated.scene import (
    Band,
    BandState,
    Fading,
    Neighbour,
    Obstacle,
    Path,
    RouterChange,
    RouterState,
    Scene,
    Stay,
)

__all__ = [
    "Band",
    "BandState",
    "Fading",
    "Neighbour",
    "Obstacle",
    "Path",
    "RouterChange",
    "RouterState",
    "Scene",
    "SimulatedClock",
    "SimulatedRadio",
    "Stay",
]
