"""Judged points written: a CSV with stored and repaired numbers side by side under an audit head, or GeoJSON (RFC 7946)."""

from __future__ import annotations

import csv
import datetime as dt
import functools
import io
import math
from collections.abc import Iterable
from typing import Any, BinaryIO

import msgspec
import numpy as np
from witnesspost.replay.export.cell import cell
from witnesspost.replay.export.geojson_frame import frame_note
from witnesspost.replay.office.check_ins import Check
from witnesspost.replay.office.field_frame import FieldFrame
from witnesspost.replay.office.judge import Judged, Judgement


def columns(frame: FieldFrame) -> list[str]:
    """The CSV's columns, in order."""
    first, second = ("northing", "easting") if frame.grid else ("latitude", "longitude")
    return [
        "point", "code", f"stored_{first}", f"stored_{second}", "stored_height", f"repaired_{first}", f"repaired_{second}",
        "repaired_height", "vector_east_m", "vector_north_m", "vector_up_m", "verdict", "reason", "proposed", "decided_by",
        "u95_plan_m", "u95_height_m", "u95_plan_repaired_m", "u95_height_repaired_m", "u95_parts", "first_time", "last_time",
        "epochs", "visits", "fixed_share", "age_s", "station", "distance_m", "base", "base_x_m", "base_y_m", "base_z_m",
        "lean_deg", "file_less_log_plan_m", "file_less_log_up_m", "check_before", "check_after", "alerts", "log", "log_digest",
        "log_rows",
    ]  # fmt: skip


def row(judgement: Judgement, judged: Judged) -> dict[str, Any]:
    """One point by column; None where it is not known."""
    point, seen, frame = judged.point, judged.seen, judgement.frame
    uncertainty = judgement.uncertainty(judged)
    first, second = ("northing", "easting") if frame.grid else ("latitude", "longitude")
    digits = 4 if frame.grid else 10
    segment = seen.segment if seen is not None else None
    said: dict[str, Any] = {
        "point": point.name,
        "code": point.code,
        f"stored_{first}": point.first,
        f"stored_{second}": point.second,
        "stored_height": point.height,
        f"repaired_{first}": _rounded(judged.new_first, digits),
        f"repaired_{second}": _rounded(judged.new_second, digits),
        "repaired_height": _rounded(judged.new_height, 4),
        "verdict": judged.decided.name,
        "reason": judged.decided.reason,
        "proposed": judged.proposed or judged.decided.name,
        "decided_by": judged.by,
        "visits": judged.visits,
        "check_before": _check(judged.decided.before, judgement.post.zone),
        "check_after": _check(judged.decided.after, judgement.post.zone),
    }
    source = judgement.source(judged)
    if source is not None:
        rows = f"{source.rows[0]}-{source.rows[1]}" if source.rows is not None else ""
        said |= {"log": source.log, "log_digest": source.digest, "log_rows": rows}
    if judged.vector_m is not None:
        for axis, metres in zip(("east", "north", "up"), judged.vector_m, strict=True):
            said[f"vector_{axis}_m"] = _rounded(metres, 4)
    if uncertainty is not None:
        before, after = uncertainty
        said |= {"u95_plan_m": _rounded(before.plan_m, 4), "u95_height_m": _rounded(before.height_m, 4)}
        if judged.new_first is not None:
            said |= {"u95_plan_repaired_m": _rounded(after.plan_m, 4), "u95_height_repaired_m": _rounded(after.height_m, 4)}
        parts = after if judged.new_first is not None else before
        said["u95_parts"] = "; ".join(
            f"{part.name} {part.plan_m:.4f}/{part.height_m:.4f} {part.origin}" for part in parts.parts
        )
    if seen is not None:
        said |= {
            "first_time": _local(seen.first_utc, seen.zone),
            "last_time": _local(seen.last_utc, seen.zone),
            "epochs": seen.epochs,
            "fixed_share": _rounded(seen.fixed_share, 3),
            "age_s": _rounded(seen.age_s, 1),
            "station": seen.station,
            "distance_m": _rounded(seen.distance_m, 1),
            "lean_deg": _rounded(seen.lean_deg, 2),
            "file_less_log_plan_m": _rounded(seen.plan_left_m, 4),
            "file_less_log_up_m": _rounded(seen.up_left_m, 4),
            "alerts": " ".join(dict.fromkeys(seen.alerts)),
        }
    if segment is not None:
        said["base"] = segment.in_words
        for axis, metres in zip("xyz", segment.arp, strict=True):
            said[f"base_{axis}_m"] = _rounded(metres, 4)  # a 1005 says tenths of a millimetre
    return said


def write_csv(judgement: Judgement, head: Iterable[str], file: BinaryIO) -> None:
    """The audit head (lines that begin with #), a header, a row a point. UTF-8, RFC 4180."""
    text = io.TextIOWrapper(file, "utf-8", newline="")
    for line in head:
        text.write(f"# {line}\r\n")
    writer, names = csv.writer(text), columns(judgement.frame)
    writer.writerow(names)
    for judged in judgement.points:
        said = row(judgement, judged)
        writer.writerow([cell(said.get(name)) for name in names])
    text.detach()


def write_geojson(judgement: Judgement, head: Iterable[str], file: BinaryIO) -> None:
    """Points as they stand (repaired where they are repaired), all else as properties; the audit head is a foreign member."""
    frame = judgement.frame
    audit = [*head, frame_note(str(frame.project_frame.code))]
    file.write(b'{"type":"FeatureCollection","audit":' + msgspec.json.encode(audit) + b',"features":[')
    for number, judged in enumerate(judgement.points):
        point = judged.point
        first = point.first if judged.new_first is None else judged.new_first
        second = point.second if judged.new_second is None else judged.new_second
        height = point.height if judged.new_height is None else judged.new_height
        plane = judgement.difference.to_log(*frame.plane(np.array([first]), np.array([second])))
        latitude, longitude = frame.degrees_of(*plane)
        place = [round(float(longitude[0]), 9), round(float(latitude[0]), 9)]
        if height is not None:
            own = float(frame.separation(latitude, longitude)[0])
            if math.isfinite(own):
                place.append(round(height * frame.height_unit_m + own, 4))
        feature = {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": place},
            "properties": {name: value for name, value in row(judgement, judged).items() if value not in (None, "")},
        }
        file.write((b",\n" if number else b"\n") + msgspec.json.encode(feature))
    file.write(b"\n]}\n")


@functools.lru_cache(maxsize=256)
def _check(check: Check | None, zone: dt.tzinfo) -> str:
    if check is None:
        return ""
    east, north, up = (1000.0 * metres for metres in check.offset)
    passed = "passed" if check.passed else "failed"
    return f"{check.point} {_local(check.utc, zone)} {passed} dE {east:+z.0f} dN {north:+z.0f} dU {up:+z.0f} mm"


def _local(utc: float, zone: dt.tzinfo) -> str:
    """The post's time with its offset, as the field file, the reasons and the report have it."""
    return dt.datetime.fromtimestamp(utc, zone).isoformat(timespec="milliseconds")


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None or not math.isfinite(value) else round(value, digits) + 0.0
