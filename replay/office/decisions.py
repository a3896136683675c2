"""What a person decided over what the program proposes: a CSV with the columns point, verdict, by, reason.

The program's own verdict stays beside it. A name that the field file has twice is decided for both, and a note says so.
"""

from __future__ import annotations

import csv
from pathlib import Path

from msgspec import structs
from witnesspost.replay.export.cell import cell
from witnesspost.replay.office.field_points import FieldError
from witnesspost.replay.office.judge import Judgement
from witnesspost.replay.office.verdict import NAMES, Decided
from witnesspost.rules.site.file import NotReadable, bytes_of

_COLUMNS = ("point", "verdict", "by", "reason")


def apply_decisions(judgement: Judgement, path: str | Path) -> None:
    """Put the decisions of the file at `path` over the verdicts. Raises FieldError."""
    try:
        text = bytes_of(path).decode("utf-8-sig")
    except (NotReadable, UnicodeDecodeError) as error:
        raise FieldError(f"{path}: cannot be read ({error}); expected a CSV with the columns {', '.join(_COLUMNS)}") from None
    try:
        rows = list(csv.DictReader(text.splitlines(), restval=""))
    except csv.Error:
        raise FieldError(f"{path}: a cell of over {csv.field_size_limit():,} characters; expected a decision a line") from None
    if not rows or not set(_COLUMNS) <= set(rows[0]):
        raise FieldError(f"{path}: expected a CSV with a header and the columns {', '.join(_COLUMNS)}")
    by_name: dict[str, list[int]] = {}
    for number, judged in enumerate(judgement.points):
        for name in {judged.point.name, cell(judged.point.name)}:  # as the field file has it, and as its judged CSV does
            by_name.setdefault(name, []).append(number)
    for line, row in enumerate(rows, 2):
        where = f"{path}: line {line}"
        name = next((one for one in NAMES if one == row["verdict"].strip()), None)
        if name is None:
            raise FieldError(f"{where}: verdict: read {row['verdict']!r}; expected one of {', '.join(NAMES)}")
        if not row["by"].strip() or not row["reason"].strip():
            raise FieldError(f"{where}: a decision needs who made it and why; expected both in the columns by and reason")
        point, by = row["point"].strip(), row["by"].strip()
        if point not in by_name:
            raise FieldError(f"{where}: point: read {row['point']!r}, which the field file does not have")
        numbers = by_name[point]
        if len(numbers) > 1:
            judgement.notes.append(f"{by}'s decision on {point} is for all {len(numbers)} points of that name.")
        for number in numbers:
            judged = judgement.points[number]
            if name == "repair" and judged.new_first is None:
                raise FieldError(f"{where}: {row['point']} has no vector to be repaired by; expected another verdict")
            decided = Decided(name=name, reason=row["reason"].strip(), before=judged.decided.before, after=judged.decided.after)
            proposed = judged.proposed or judged.decided.name
            judgement.points[number] = structs.replace(judged, decided=decided, proposed=proposed, by=by)
