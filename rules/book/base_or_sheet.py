"""The base's coordinate and the site file's differ: which of the two is wrong, as far as anything else tells.

Two numbers that differ do not say which of them is wrong: a slip may have been made at the base or in the office. What tells:

- a check-in on another mark that passes agrees with the base; two do so beyond doubt, or one where the list has no more;
- one that is off as the base is off says that the base is wrong;
- so does a base that has agreed with the site file before, by the same set-up;
- a base that says no place on the earth is wrong by itself.

A check counts for this very position of the base (`Scene.checks`), and only where it can tell the two apart: a base that is
3 cm high may pass on a mark that is judged to 5 cm. Source: common practice (an independent check decides), no source.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Literal, NamedTuple

from witnesspost.rules.advice import Advice
from witnesspost.rules.book.coordinate_words import NAMES, REPAIR
from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum.explanation import Verdict
from witnesspost.rules.datum.geodesy import ExpectedArp
from witnesspost.rules.datum.verdict import Datum, Repair
from witnesspost.rules.engine.checked import Checked
from witnesspost.rules.language.names import called
from witnesspost.rules.site.model import Role

EITHER, SHEET = "base-or-sheet", "sheet-in-doubt"
ENOUGH = 2  # marks that agree with the base prove it against the site file: common practice, no source


class Doubt(NamedTuple):
    """Which is wrong: `open`, the `base`, `either` (one mark agrees with the base) or the `sheet`; `by` are the marks that say
    it.

    `next` is a mark of the list that has not said anything yet, None where there is none.
    """

    which: Literal["open", "base", "either", "sheet"]
    by: tuple[str, ...] = ()
    next: str | None = None


def doubt_of(
    datum: Datum, expected: ExpectedArp, error: Enu, checks: Iterable[Checked], marks: Collection[str], *, agreed: bool
) -> Doubt:
    """Who is wrong about a base that is `error` off where the site file expects it, by the `checks` on its position.

    `agreed`: it has agreed before. `marks` are the names of the control list.
    """
    with_base: list[str] = []
    against_base: list[str] = []
    for check in checks:
        if check.point == expected.point:
            continue
        seen = datum.turned(check.offset, datum.point(check.point), expected)
        as_far_off = seen.less(error).within(*check.limits_m)
        if check.passed and not as_far_off:
            with_base.append(check.point)
        elif as_far_off and not check.passed:
            against_base.append(check.point)
    left = next((name for name in marks if name not in (expected.point, *with_base)), None)
    if with_base and not against_base:
        enough = len(with_base) >= ENOUGH or left is None
        return Doubt("sheet" if enough else "either", tuple(with_base), left)
    if against_base and not with_base:
        return Doubt("base", tuple(against_base), left)
    return Doubt("base" if agreed and not with_base else "open", (), left)


_IF_THE_BASE: dict[Repair, str] = {
    "undecided": REPAIR["undecided"],
    "one-vector": (
        "Points from this base coordinate: keep them; if the base was wrong, the office can repair them by one vector."
    ),
    "within": (
        "Points from this base coordinate: keep them; if the base was wrong, the office can repair those within {reach} "
        "of it by one vector. Farther out the baselines must be computed again."
    ),
    "again": (
        "Points from this base coordinate: keep the raw data; if the base was wrong, the office must compute the "
        "baselines again, one vector is not enough."
    ),
}
_CORRECT = {  # while it is open which of the two is wrong, and once that is the base; at the rover, and at the base
    (True, "rover"): "Correct the one that is wrong, and check in on {check_in}.",
    (True, "base"): "Correct the one that is wrong, and let a rover check in on {check_in}.",
    (False, "rover"): "Then correct it, and check in on {check_in}.",
    (False, "base"): "Then let a rover check in on {check_in}.",
}
_MAY_BE = (
    "The base or the site file may be wrong: compare them with the control sheet on paper.",
    "The base, the site file or today's set-up may be wrong: compare them with the control sheet on paper.",
)
_TELL = "Was the tripod set up at another height today? Then tell it: page Today, or `witnesspost setup --antenna-height`."
_IS_IT_OURS = (
    "Is it our base at all? Another one may have our number: switch ours off for a moment, and see if this one still comes in."
)
_COMPARE = "Compare what the site file has of {base_point} with the control sheet on paper, digit by digit."
_OFFICE = "Tell the office: the site file's {base_point} does not agree with the other marks."
_DOUBTFUL = (  # where the plan differs, and where the height alone does
    "the site file's {point} is in doubt",
    "the site file's height of {point} or of the base's antenna is in doubt",
)
_ELSEWHERE = (
    "Does the base stand on another mark than {point} today? Then tell it: page Today, or `witnesspost setup`.",
    "Is the base's antenna height another today? Then tell it: page Today, or `witnesspost setup`.",
)

SHEET_CAUSES = {
    EITHER: Advice(
        "{head} The check-in on {passed} agrees with the base: {doubtful}.{hint}",
        (
            "Store no points until another mark has told: check in on {next}.",
            "Leave the base as it is until then.",
            "{elsewhere}",
            _COMPARE,
            "Points stored so far: keep them, nothing is known to be wrong with them.",
        ),
    ),
    SHEET: Advice(
        "{head} Check-ins on {passed} agree with the base: {doubtful}.{hint}",
        ("Leave the base as it is: points stored so far stay as they are.", "{elsewhere}", _COMPARE, _OFFICE),
    ),
}
"""The words where marks have spoken for the base."""


def doubt_words(
    doubt: Doubt,
    head: str | None,
    verdict: Verdict,
    repair: Repair,
    words: dict[str, str],
    role: Role,
    *,
    told: bool,
    plan: bool,
    far: bool = False,
) -> dict[str, str]:
    """What the sentences of `base-datum` say of it, in place of `words` or beside them. `head` is said whatever the doubt;
    `told`: somebody has told today's set-up; `plan`: it differs in plan, not in height alone; `far`: as far off as somebody
    else's base is."""
    is_open, offset = doubt.which == "open", words["offset"]
    untold = verdict.causes[0].cause == "other-antenna-height"
    stranger = far and role == "rover" and verdict.causes[0].cause == "unexplained"
    asked = (_TELL if untold else _IS_IT_OURS if stranger else None) if is_open else None
    by_sheet = f"Compared with the site file, the base's position is {offset}."
    said = {
        "head": head or (f"The base's position is {offset}." if doubt.which == "base" else by_sheet),
        "compare": asked or _compared(doubt, told=told, nowhere=head is not None),
        "correct": _CORRECT[is_open, role].format(check_in=words["check_in"]),
        "passed": " and ".join(called(name) for name in doubt.by),
        "next": called(doubt.next) if doubt.next else words["check_in"],
        "doubtful": _DOUBTFUL[not plan].format(point=words["base_point"]),
        "elsewhere": _ELSEWHERE[not plan].format(point=words["base_point"]),
        "hint": _hint(verdict),
    }
    return said | {"repair": _IF_THE_BASE[repair].format(reach=words["reach"])} if is_open else said


def _compared(doubt: Doubt, *, told: bool, nowhere: bool) -> str:
    if doubt.which != "base":
        return _MAY_BE[told]
    if doubt.by:
        return f"The check-in on {called(doubt.by[0])} is off by the same: the base's coordinate is wrong."
    if nowhere:
        return "No base is there: its coordinate is wrong."
    return "It agreed with the site file before: the base's coordinate has been changed."


def _hint(verdict: Verdict) -> str:
    """The slip that would explain it, wherever it was made."""
    first = verdict.causes[0]
    names = [NAMES[part] for part in first.cause.split("+") if part in NAMES]
    return f" It may be {' and '.join(names)}{f' ({first.which})' if first.which else ''}." if names else ""
