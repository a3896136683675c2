"""Each way in which a base's coordinate comes out wrong, worked out from the site as the blunder itself would.

Nothing here asks the rules' own explanations: a blunder makes the wrong coordinate, and theirs is to find out which.
"""

from __future__ import annotations

import random

from replay.events import Broadcast
from replay.scenario import Scenario
from replay.sky import Vector
from replay.world import World, minus, shifted


def broadcast_error(event: Broadcast, scenario: Scenario, world: World, rng: random.Random) -> Vector:
    """Broadcast less true ARP, ECEF metres, of one `broadcast` event."""
    return minus(shifted(world.arp, world.axes, (event.east_m, event.north_m, event.up_m)), world.arp)
