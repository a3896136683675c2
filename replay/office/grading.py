"""Verdicts and repaired coordinates against the truth that an invented world wrote beside its field file (FIELD.truth.csv)."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from msgspec import Struct
from witnesspost.replay.office.field_points import FieldError
from witnesspost.replay.office.judge import Judged, Judgement
from witnesspost.replay.office.verdict import NAMES
from witnesspost.rules.site.file import NotReadable, bytes_of

LEAST_WITHIN = 0.92
MOST_RATIO = 3.0
_COLUMNS = ("point", "start_utc", "allowed", "first", "second", "height", "why")


class Grade(Struct, kw_only=True):
    """What came out. `confusion` counts points by (what the truth allows, what was said); `ratios` are repaired minus true over
    U95, in plan and in height."""

    confusion: dict[tuple[str, str], int] = {}
    wrong: list[str] = []
    wrong_keeps: int = 0
    ratios: list[tuple[float, float]] = []
    kept: list[tuple[float, float]] = []

    @property
    def within(self) -> float:
        """The share of repaired points that lie within their U95, in plan and in height."""
        return sum(max(pair) <= 1.0 for pair in self.ratios) / len(self.ratios) if self.ratios else 1.0

    @property
    def worst(self) -> float:
        """The largest ratio of a repaired point."""
        return max((max(pair) for pair in self.ratios), default=0.0)

    @property
    def passed(self) -> bool:
        """True where every verdict is allowed, no keep is wrong, and the repaired points are as near as they say."""
        return not self.wrong and not self.wrong_keeps and self.within >= LEAST_WITHIN and self.worst <= MOST_RATIO

    def in_words(self) -> str:
        """The confusion table and the distribution, as lines."""
        lines = [f"{'allowed by the truth':34}" + "".join(f"{name:>16}" for name in NAMES)]
        for allowed in sorted({key[0] for key in self.confusion}):
            counts = [self.confusion.get((allowed, name), 0) for name in NAMES]
            lines.append(f"{allowed:34}" + "".join(f"{count or '·':>16}" for count in counts))
        for what, ratios in (("repaired", self.ratios), ("kept", self.kept)):
            if ratios:
                plan, up = (sorted(column) for column in zip(*ratios, strict=True))
                within = sum(max(pair) <= 1.0 for pair in ratios) / len(ratios)
                lines.append(
                    f"{what}: {len(ratios)} points, {within:.1%} within U95; over U95 in plan median {plan[len(plan) // 2]:.2f}"
                    f", worst {plan[-1]:.2f}; in height median {up[len(up) // 2]:.2f}, worst {up[-1]:.2f}"
                )
        lines += self.wrong[:20]
        if len(self.wrong) > 20:
            lines.append(f"and {len(self.wrong) - 20} more")
        lines.append(
            f"{'passed' if self.passed else 'FAILED'}: {len(self.wrong)} wrong verdicts, {self.wrong_keeps} of them keep"
        )
        return "\n".join(lines)


def truth_path(field: str | Path) -> Path:
    """Where the truth of a field file stands."""
    path = Path(field)
    return path.with_name(path.stem + ".truth.csv")


def grade(judgement: Judgement, path: Path) -> Grade:
    """Grade against the truth at `path`. Raises FieldError where it is none, or of another file."""
    try:
        rows = list(csv.DictReader(bytes_of(path).decode(errors="replace").splitlines()))
    except NotReadable as error:
        raise FieldError(f"{path}: cannot be read ({error}); --grade needs the truth that invent wrote beside") from None
    if not rows or set(rows[0]) != set(_COLUMNS):
        raise FieldError(f"{path}: is no truth of a field file; expected the columns {', '.join(_COLUMNS)}")
    if len(rows) != len(judgement.points):
        raise FieldError(
            f"{path}: {len(rows)} points, and {judgement.field.path} has {len(judgement.points)}; not of one invention"
        )
    found = Grade()
    for row, judged in zip(rows, judgement.points, strict=True):
        allowed = row["allowed"].split("|")
        key = (row["allowed"], judged.name)
        found.confusion[key] = found.confusion.get(key, 0) + 1
        if judged.name not in allowed:
            found.wrong.append(
                f"{row['point']} at {row['start_utc']}: {judged.name}, and {row['why']}: {judged.decided.reason}"
            )
            found.wrong_keeps += judged.name == "keep"
        true = [float(row[column]) for column in ("first", "second", "height")]
        if judged.new_first is not None:
            found.ratios.append(_ratio(judgement, judged, true))
        elif judged.name == "keep":
            found.kept.append(_ratio(judgement, judged, true))
    return found


def _ratio(judgement: Judgement, judged: Judged, true: Sequence[float]) -> tuple[float, float]:
    """How far the point is from the truth, over its U95: in plan and in height. `true` has the file's three numbers."""
    point, frame, uncertainty = judged.point, judgement.frame, judgement.uncertainty(judged)
    first = point.first if judged.new_first is None else judged.new_first
    second = point.second if judged.new_second is None else judged.new_second
    height = point.height if judged.new_height is None else judged.new_height
    east, north = frame.plane(np.array([first, true[0]]), np.array([second, true[1]]))
    assert uncertainty is not None
    before, after = uncertainty
    u95 = before if judged.new_first is None else after
    plan = math.hypot(float(east[0] - east[1]), float(north[0] - north[1])) / u95.plan_m
    up = abs((height or 0.0) - true[2]) * frame.height_unit_m / u95.height_m
    return plan, up
