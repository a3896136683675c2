"""Today's set-up: the site as the crew has built it up this morning, in place of the site file's plan."""

from __future__ import annotations

import msgspec
from witnesspost.rules.facts import SetUp
from witnesspost.rules.site.model import Site


def set_up(site: Site, today: SetUp) -> Site:
    """The site that holds from `today.t` on. The base's kind, its numbers and the project's marks stay the site file's.

    A point that the site file does not list counts as none: nothing can be judged there.
    """
    listed = today.point is not None and site.control_point(today.point) is not None
    base = msgspec.structs.replace(site.base, occupies=today.point if listed else None, antenna_height_m=today.antenna_height_m)
    rover = msgspec.structs.replace(site.rover, pole_height_m=today.pole_height_m)
    return msgspec.structs.replace(site, base=base, rover=rover)
