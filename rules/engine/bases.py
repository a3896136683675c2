"""Whose station a number is: the project's bases as its site file names them."""

from __future__ import annotations

from typing import Literal

from witnesspost.rules.site.model import Base, Site

Kind = Literal["own", "network", "moving"]


def kind_of(base: Base) -> Kind:
    """A crew's "own" base over a mark, a "network" service's stations, or a "moving" base."""
    kind: Kind = getattr(base, "kind", "own")
    return kind


def numbers_of(base: Base) -> frozenset[int] | None:
    """The numbers under which the base sends; None where the site file names none."""
    named: int | list[int] | None = base.station_id
    if named is None:
        return None
    return frozenset(named if isinstance(named, list) else (named,))


def bases_of(site: Site) -> tuple[Base, ...]:
    """The project's bases: `[base]`, then each `[[other_base]]`."""
    return (site.base, *getattr(site, "other_base", ()))
