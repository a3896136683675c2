"""The grid files that a site is judged by, and their digests: a geoid of the same name may be another edition."""

from __future__ import annotations

import hashlib
from pathlib import Path

from msgspec import Struct
from witnesspost.rules.datum.opening import open_frame
from witnesspost.rules.site.model import Site

SUFFIXES = (".gtx", ".tif", ".tiff", ".gsb", ".gvb", ".ct2", ".lla")
"""What PROJ's grid files are called (proj.org, "Transformation grids" and `+grids`)."""


class Grid(Struct, frozen=True):
    """A grid file: its name as the site file has it (after its folder's, where it is in the folder of grids), and its
    BLAKE2b-256 (as `b2sum -l 256` prints it), None where it could not be read."""

    name: str
    digest: str | None


def grids_of(site: Site) -> list[Grid]:
    """The grid files that the site is judged by: its geoid, but for the bundled one, which is a part of the program, those in
    its folder of grids, and those that PROJ found elsewhere for an old datum (their whole path is their name)."""
    if site.project is None:
        return []
    names = [] if site.project.geoid == "bundled" else [site.project.geoid]
    grids = [Grid(name, digest_of(site.file(name))) for name in names]
    if site.project.grids is not None:
        folder = site.file(site.project.grids)
        files = sorted(path for path in folder.glob("*") if path.suffix.lower() in SUFFIXES)
        grids += [Grid(f"{site.project.grids}/{path.name}", digest_of(path)) for path in files]
    return grids + [Grid(path, digest_of(Path(path))) for path in _found_elsewhere(site)]


def _found_elsewhere(site: Site) -> list[str]:
    project = site.project
    if project is None or not project.control or project.is_local:
        return []
    try:
        way = open_frame(site).way
    except ValueError:  # a frame or a geoid that cannot be opened is reported where it is judged
        return []
    folder = site.file(project.grids) if project.grids is not None else None
    return [path for path in (way.grids if way is not None else ()) if folder is None or Path(path).parent != folder]


def digest_of(path: Path) -> str | None:
    """A file's BLAKE2b-256; None where it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=32)).hexdigest()
    except OSError:
        return None
