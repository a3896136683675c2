"""What a GeoJSON file has to say of its coordinates."""

from __future__ import annotations


def frame_note(frame: str | None) -> str:
    """In which frame GeoJSON's coordinates are. RFC 7946, section 4, has WGS 84; the way there from a regional frame hangs on
    the epoch, and EPSG's own null operation hides it, so that nothing is converted and it is said."""
    told = f"the project's frame ({frame})" if frame is not None else "the frame that the base's coordinate was in"
    return f"coordinates are in {told}; RFC 7946 has WGS 84, from which a regional frame differs by up to two metres"
