"""The grid files that a site is judged by, and which they are: a geoid of the same name may be another edition."""

from __future__ import annotations

import hashlib
from pathlib import Path

from msgspec import Struct
from witnesspost.rules.site.model import Site


class Grid(Struct, frozen=True):
    """A grid file: its name as the site file has it, and its BLAKE2b-256 (as `b2sum -l 256` prints it), None where it
    could not be read."""

    name: str
    digest: str | None


def grids_of(site: Site) -> list[Grid]:
    """The grid files that the site names; none with the bundled geoid, which is a part of the program."""
    return [Grid(name, digest_of(site.file(name))) for name in names_of(site)]


def names_of(site: Site) -> list[str]:
    """Their names, as the site file has them."""
    return [site.project.geoid] if site.project is not None and site.project.geoid != "bundled" else []


def digest_of(path: Path) -> str | None:
    """A file's BLAKE2b-256; None where it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=32)).hexdigest()
    except OSError:
        return None
