"""RFC 7946 (The GeoJSON Format, August 2016) as far as collections of points go: each rule with its section.

Sections and rules are from memory; they were not taken from what the program writes.
"""

import json

_TYPES = ("Point", "MultiPoint", "LineString", "MultiLineString", "Polygon", "MultiPolygon", "GeometryCollection", "Feature",
          "FeatureCollection")  # fmt: skip
_DEFINE = {"coordinates": "Geometry", "geometries": "Geometry", "geometry": "Feature", "properties": "Feature",
           "features": "FeatureCollection"}  # fmt: skip


def complaints(data):
    """What the RFC has against these bytes as a FeatureCollection of Points, a line each; none: it is one."""
    try:
        read = json.loads(data.decode("utf-8"), parse_constant=_no_number, object_pairs_hook=_once)
    except ValueError as error:
        return [f"2: no JSON text in UTF-8 (RFC 8259): {error}"]
    if not isinstance(read, dict) or read.get("type") != "FeatureCollection":
        return ["3.3: the type is not FeatureCollection"]
    found = _members("the collection", read, "FeatureCollection")
    if not isinstance(read.get("features"), list):
        return [*found, "3.3: features is no array"]
    for number, feature in enumerate(read["features"]):
        found += [f"{line} (feature {number})" for line in _feature(feature)]
    return found


def _feature(feature):
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        return ["3.3: an element of features is no Feature"]
    found = _members("a Feature", feature, "Feature")
    if "geometry" not in feature or not isinstance(feature["geometry"], dict | None):
        found.append("3.2: geometry is neither a Geometry nor null")
    if "properties" not in feature or not isinstance(feature["properties"], dict | None):
        found.append("3.2: properties is neither an object nor null")
    if "id" in feature and (isinstance(feature["id"], bool) or not isinstance(feature["id"], str | int | float)):
        found.append("3.2: id is neither a string nor a number")
    if isinstance(feature.get("geometry"), dict):
        found += _point(feature["geometry"])
    return found


def _point(geometry):
    if geometry.get("type") not in _TYPES[:7]:
        return ["3.1: a geometry whose type is none of the seven"]
    if geometry["type"] != "Point":
        return ["expected a Point"]
    found, place = _members("a Geometry", geometry, "Geometry"), geometry.get("coordinates")
    if not isinstance(place, list) or any(isinstance(one, bool) or not isinstance(one, int | float) for one in place):
        return [*found, "3.1.1: a position is no array of numbers"]
    if not 2 <= len(place) <= 3:
        return [*found, f"3.1.1: a position of {len(place)} elements"]
    if not (-180 <= place[0] <= 180 and -90 <= place[1] <= 90):
        found.append(f"4: {place[:2]} are no longitude and latitude in degrees")
    return found


def _members(what, found, kind):
    lines = [f"7.1: {what} has {name}, which is a {of}'s" for name, of in _DEFINE.items() if name in found and of != kind]
    if "crs" in found:
        lines.append(f"4: {what} names a crs, which was taken out of GeoJSON")
    if "bbox" in found and (not isinstance(found["bbox"], list) or len(found["bbox"]) not in (4, 6)):
        lines.append(f"5: {what} has a bbox that is no array of 2n numbers")
    return lines


def _no_number(text):
    raise ValueError(f"{text} is no JSON number")


def _once(pairs):
    if len({name for name, _ in pairs}) != len(pairs):
        raise ValueError("an object with a name twice")
    return dict(pairs)
