"""What a post says to the broker: one JSON object each, on topics of its own.

    TOPIC/POST/state    retained; the last will is {"state": "gone"}
    TOPIC/POST/change   QoS 1; an alert's change, as --json prints it
    TOPIC/POST/check    QoS 1; a check on a control point
    TOPIC/POST/minute   QoS 0; a minute's figures

Places leave the post to 0.01° (about a kilometre); what is finer stands in no message, unless the site file says `precise`.
Differences, tolerances and the names of marks are no places.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import msgspec
from witnesspost.daemon.log.rows import AlertRow, EventRow
from witnesspost.daemon.status.snapshot import Status

STATE, CHANGE, CHECK, MINUTE = "state", "change", "check", "minute"
GONE = b'{"state":"gone"}'
COARSE_DEGREES = 2  # decimals
LEFT_OUT = "…"

_PLACE_KEYS = re.compile(r"(^|_)([xyz]_m|latitude|longitude|easting|northing|ellipsoidal_height_m)$")
"""Keys of evidence that hold a place."""
_FIGURES = re.compile(r"\d+")
_PLACES_IN_WORDS = re.compile(
    r"""[−-]?(?<![\d.])(?:
    \d{1,3}[ -]\d{1,2}[ -]\d{1,2}\.\d+                                  # 39 07 24.4441
    |\d{1,3}\s?°\s?\d{1,2}\s?['′]\s?(?:\d{1,2}(?:\.\d+)?\s?["″])?       # 39°07′24.4441″
    |\d{1,3}\.\d{5,}                                                    # 39.1234567
    |\d{2,3}[, ]\d{3}\.\d+|\d{1,3}(?:[, ]\d{3}){2,}(?:\.\d+)?           # 4,312,345.678
    |\d{5,}\.\d+                                                        # 512345.678
    )|(?<=height\ as\ )[−-]?[\d.]+                                        # 1874.322""",
    re.VERBOSE,
)

_HEIGHT = "fix.height_m"
_OWN_HEIGHT = re.compile(
    r"(antenna height above the receiver's geoid: )\S+( m, (?:below|above|equals) )\S+(?= m\b)", re.IGNORECASE
)
"""The words that a rule of the crew's own has ready for the only one of its measurements that is a place."""


def change_message(row: AlertRow, post: str, run: str, *, precise: bool) -> bytes:
    """A row of `alert` as `--json` prints it. Raises msgspec's errors where the row holds no JSON."""
    causes, evidence, steps = (msgspec.json.decode(text) for text in (row.causes, row.evidence, row.steps))
    table = {
        "post": post,
        "run": run,
        "alert": row.alert,
        "seq": row.n,
        "t": row.t,
        "utc": row.utc,
        "change": row.change,
        "rule": row.rule,
        "cause": row.cause,
        "causes": [{key: value for key, value in cause.items() if value is not None} for cause in causes],
        "severity": row.severity,
        "stream": row.stream,
        "because_of": row.because_of,
        "evidence": evidence if precise else without_places(evidence),
        "say": row.say if precise else without_places_in_words(row.say),
        "steps": steps if precise else [without_places_in_words(step) for step in steps],
        "shelved": bool(row.shelved),
    }
    return msgspec.json.encode(table)


def check_message(row: EventRow, post: str, run: str, utc: str | None, *, precise: bool) -> bytes:
    """A row of `event` that tells a check on a control point: observed minus known, and the limits, metres."""
    detail = msgspec.json.decode(row.detail, type=dict[str, Any])
    told = detail if precise else without_places(detail)
    return msgspec.json.encode({"post": post, "run": run, "seq": row.n, "t": row.t, "utc": utc, **told})


def state_message(status: Status, boot: str, version: str, *, precise: bool) -> dict[str, Any]:
    """How a post is, `boot` telling it from another of its name."""
    roots = [alert for alert in status.alerts if alert.because_of is None]
    first = roots[0] if roots else None
    say = first.say if first is not None else ""
    check = status.check
    return {
        "post": status.post,
        "role": status.role,
        "boot": boot,
        "version": version,
        "state": status.state,
        "since_utc": first.since_utc if first is not None else None,
        "for_s": first.for_s if first is not None and first.of_run is None else None,
        "rule": first.rule if first is not None else None,
        "cause": first.cause if first is not None else None,
        "say": say if precise else without_places_in_words(say),
        "alerts": len(roots),
        "ready": not status.missing,
        "holds": [one if precise else without_places_in_words(one) for one in status.ready],
        "missing": [one if precise else without_places_in_words(one) for one in status.missing],
        "check": check and {"point": check.point, "passed": check.passed, "utc": check.utc, "offset": check.millimetres},
        **place(status.latitude, status.longitude, precise=precise),
        "log": {"file": status.log.path and status.log.path.rpartition("/")[2], "failed": status.log.failed},
        "problems": status.problems,
    }


def what_matters(state: Mapping[str, Any]) -> dict[str, Any]:
    """A state without the figures of its moment: while this is the same, it need not be said again."""
    told = {key: value for key, value in state.items() if key not in ("for_s", "say", "holds", "latitude", "longitude")}
    return {**told, "missing": [_FIGURES.sub("", one) for one in state["missing"]]}


def place(latitude: float | None, longitude: float | None, *, precise: bool) -> dict[str, float | None]:
    """Where the post is, to 0.01° or as it knows it."""

    def said(value: float | None) -> float | None:
        return value if precise or value is None else round(value, COARSE_DEGREES)

    return {"latitude": said(latitude), "longitude": said(longitude)}


def without_places(table: Mapping[str, Any]) -> dict[str, Any]:
    """Evidence without what is a place: by its key, or as it stands in words."""
    figures = ("value", "limit") if table.get("measure") == _HEIGHT else ()
    return {key: _without(value) for key, value in table.items() if key not in figures and not _is_place(key, value)}


def without_places_in_words(text: str) -> str:
    """A sentence without the coordinates that stand in it."""
    return _PLACES_IN_WORDS.sub(LEFT_OUT, _OWN_HEIGHT.sub(rf"\1{LEFT_OUT}\2{LEFT_OUT}", text))


def _is_place(key: str, value: Any) -> bool:
    return isinstance(value, int | float | str) and _PLACE_KEYS.search(key) is not None


def _without(value: Any) -> Any:
    if isinstance(value, Mapping):
        return without_places(value)
    if isinstance(value, list):
        return [_without(one) for one in value]
    return without_places_in_words(value) if isinstance(value, str) else value
