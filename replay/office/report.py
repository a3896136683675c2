"""The report of a day: one page of HTML that stands by itself, is read on a screen and printed in grey on A4."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from witnesspost.daemon.strip.drawing import STYLE as STRIP_STYLE
from witnesspost.replay.office.base import Segment
from witnesspost.replay.office.facts_of_day import (
    AlertLine,
    DayFacts,
    advice_of,
    at_post,
    explained_by_base,
    misses_of_day,
    span_in_words,
    verdict_of,
    why_nothing,
)
from witnesspost.replay.office.judge import Judged, Judgement
from witnesspost.replay.office.reasons import kind, spanned
from witnesspost.replay.office.verdict import Name
from witnesspost.rules.language.units import kept_together

CANNOT_KNOW = (
    "The log holds what passed on the lines, and nothing else. It cannot see a tripod that was kicked, a mark that was"
    " mistaken, or an antenna that was measured and typed wrongly the same way; a check-in on a known mark can.",
    "It cannot know who stored a point, which mark the crew believed they stood on, or what the controller did to a coordinate"
    " before it was exported.",
    "Where no receiver said the time, times are the computer's own, and may be wrong.",
    "Uncertainties are 95 %, from figures that are marked measured, stated or assumed in the list of points. Local"
    " regulations take precedence.",
)

_STYLE = """
:root { --ink: #14171a; --soft: #43484d; --rule: #8a9096; }
* { box-sizing: border-box; }
body { font: 16px/1.45 system-ui, "Segoe UI", Roboto, "Noto Sans", "DejaVu Sans", sans-serif; color: var(--ink);
  background: #fff; margin: 0 auto; padding: 1rem; max-width: 62rem; }
h1 { font-size: 1.35rem; margin: 0 0 .3rem; } h2 { font-size: 1.1rem; margin: 1.4rem 0 .4rem; }
.verdict { font-size: 1.25rem; font-weight: 600; border-left: .4rem solid var(--ink); padding-left: .7rem; }
.none { font-size: 2rem; font-weight: 700; margin: .3rem 0; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
caption { text-align: left; color: var(--soft); padding-bottom: .2rem; }
th, td { text-align: left; vertical-align: top; padding: .15rem .5rem .15rem 0; border-bottom: 1px solid var(--rule); }
td.n, th.n { text-align: right; } .bad { font-weight: 700; } .under { color: var(--soft); margin: 0; }
.sign { margin-top: 2rem; border-top: 1px solid var(--ink); padding-top: .4rem; min-height: 4rem; }
.scroll { overflow-x: auto; } .screen { overflow-x: clip; } code { overflow-wrap: anywhere; }
.paper, .cut { display: none; } tr.total td { font-weight: 700; }
.narrow { display: none; }
@media screen and (max-width: 40rem) { .wordy thead { display: none; } .wordy tr { display: grid;
  grid-template-columns: 1fr auto; padding: .4rem 0; border-bottom: 1px solid var(--rule); } .wordy td { border: 0;
  padding: 0; text-align: left; overflow-wrap: anywhere; } .wordy td:nth-child(1) { font-weight: 700; }
  .wordy td:nth-child(n+3) { grid-column: 1 / -1; } .wordy td:nth-child(5) { color: var(--soft); }
  .wordy tr.cut, .figures tr.cut { display: none; } .narrow { display: inline; } .figures thead { display: none; }
  .figures tr { display: flex; flex-wrap: wrap; column-gap: .8rem; padding: .4rem 0; border-bottom: 1px solid var(--rule); }
  .figures td { border: 0; padding: 0; text-align: left; } .figures td:empty { display: none; }
  .figures td::before { content: attr(data-head) " "; color: var(--soft); font-weight: 400; } }
@media print { @page { size: A4; margin: 10mm; } body { font-size: 7.5px; line-height: 1.15; padding: 0; max-width: none; }
  h1 { font-size: 13px; } h2 { font-size: 9px; margin: .3rem 0 .1rem; break-after: avoid; } .verdict { font-size: 10px; }
  .none { font-size: 16px; } .screen, .on-screen { display: none; } .paper { display: block; float: left; width: 6.4cm;
  margin: 0 .5cm .2cm 0; } .scroll { overflow: hidden; } td:first-child { white-space: nowrap; }
  tr { break-inside: avoid; } .more { display: none; } tr.cut { display: table-row; }
  span.cut { display: inline; }
  th, td { padding: 0 .2rem 0 0; } ul { margin: .1rem 0; padding-left: 1rem; } p { margin: .15rem 0; }
  .sign { clear: both; margin-top: .5rem; min-height: 1.5cm; } }
"""


def page(
    facts: DayFacts,
    judgement: Judgement | None,
    *,
    name: str,
    script: str,
    places: dict[str, str],
    strip: str,
    audit: Iterable[str],
) -> str:
    """The whole page. `script` and `places` are the pictures', `strip` the day's strip as SVG, `audit` the head's lines."""
    parts = [
        f"<h1>{_t(name)}, {facts.span}</h1>",
        f'<p class="verdict">{_said(verdict_of(facts, judgement))}</p>',
        _figure(
            "The day",
            places.get("strip"),
            "Times are the post's. Drag or turn the wheel to zoom. The taller a bar, the worse.",
            strip,
        ),
        _bases(facts),
        _checks(facts),
        _figure(
            "The map", places.get("map"), "The track by its fix, where no corrections arrived, the points by their verdict."
        ),
        _points(judgement) if judgement is not None else "",
        _radio(facts),
        _alerts(facts),
        "<h2>What this page cannot know</h2>",
        f"<ul>{''.join(f'<li>{_said(line)}</li>' for line in CANNOT_KNOW)}</ul>",
        "<h2>What it was made with</h2>",
        f"<ul>{''.join(_made_with(line) for line in audit)}</ul>",
        '<div class="sign">Decision of the licensed surveyor, name, date and signature:</div>',
    ]
    title = f"{_t(name)}: report of the day"
    head = f'<meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>{title}</title>'
    style = f"<style>{STRIP_STYLE}{_STYLE}</style>"
    body = "\n".join(parts)
    return f'<!doctype html>\n<html lang="en"><head>{head}{style}</head><body><main>\n{body}\n</main>{script}</body></html>\n'


def _made_with(line: str) -> str:
    """On paper only what says which files they were."""
    on_paper = line.startswith(("log ", "field file", "witnesspost", "PROJ"))
    return f"<li{'' if on_paper else ' class=more'}><code>{_t(line)}</code></li>"


def _t(text: object) -> str:
    """A name, an attribute's value or code: as it is."""
    return html.escape(str(text))


def _said(text: str) -> str:
    """A sentence, or a figure with its unit, that lines may break where words part."""
    return html.escape(kept_together(text))


def _figure(title: str, place: str | None, caption: str, paper: str = "") -> str:
    if place is None and not paper:
        return ""
    screen = f'<div class="screen" role="group" aria-label="{_t(title)}">{place}<p class="under">{_said(caption)}</p></div>'
    shown = screen if place is not None else ""
    return f"<h2{'' if paper else ' class=on-screen'}>{_t(title)}</h2>{shown}" + (
        f'<div class="paper">{paper}</div>' if paper else ""
    )


class _Row(NamedTuple):
    """Cells, HTML already; `kind`: "more" is on the screen only, "cut" on paper only."""

    cells: Sequence[str]
    kind: str = ""


def _table(caption: str, heads: Sequence[str], rows: Iterable[Sequence[str]], numbers: Sequence[int] = ()) -> str:
    """Of a long one paper has the beginning, and says how many rows are left out."""
    all_rows = [_Row(cells, "more" if number >= _ON_PAPER else "") for number, cells in enumerate(rows)]
    if len(all_rows) > _ON_PAPER:
        all_rows.append(_Row([f"and {len(all_rows) - _ON_PAPER} more on the screen"], "cut"))
    return _table_of(caption, heads, all_rows, numbers)


def _table_of(caption: str, heads: Sequence[str], rows: Iterable[_Row], numbers: Sequence[int]) -> str:
    """`numbers` are columns that stand to the right. A last cell goes on to the table's edge."""
    head = "".join(f'<th scope="col"{" class=n" if at in numbers else ""}>{_t(one)}</th>' for at, one in enumerate(heads))
    body = "".join(
        f"<tr{f' class={row.kind}' if row.kind else ''}>"
        + "".join(
            f"<td data-head='{_t(heads[at])}'{' class=n' if at in numbers else ''}"
            f"{f' colspan={len(heads) - at}' if at == len(row.cells) - 1 < len(heads) - 1 else ''}>{cell}</td>"
            for at, cell in enumerate(row.cells)
        )
        + "</tr>"
        for row in rows
    )
    return (
        f'<div class="scroll" tabindex="0" role="region" aria-label="{_t(caption)}"><table><caption>{_said(caption)}</caption>'
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def _bases(facts: DayFacts) -> str:
    if not facts.bases.segments:
        return "<h2>The base</h2><p>No base said where it stood.</p>"
    rows = [_base(facts, segment) for segment in facts.bases.segments]
    heads = ("from", "to", "station", "dE", "dN", "dU", "cause", "antenna height sent", "planned or told", "confirmed by")
    caption = "Each coordinate on the air, minus the site file's (mm)"
    return f"<h2>The base</h2><div class=figures>{_table(caption, heads, rows, (2, 3, 4, 5))}</div>"


def _base(facts: DayFacts, segment: Segment) -> list[str]:
    whose = "" if segment.ours else "not the project's"
    cause = "as the site file has it" if segment.right else segment.why or whose or "only check-ins can judge it"
    if segment.standing == "disputed":
        cause = f"not as the site file has it; {segment.agreement} with the base"
    offsets = [_mm(metres) for metres in segment.offset] if segment.judged else ["", "", ""]
    return [
        facts.clock(segment.from_utc), facts.clock(facts.until(segment)), str(segment.station_id), *offsets,
        f"<span class='{'' if segment.right else 'bad'}'>{_said(cause)}</span>",
        _height(segment.said_m), _height(segment.typed_m), _t(", ".join(segment.confirmed_by)),
    ]  # fmt: skip


def _checks(facts: DayFacts) -> str:
    asked = "".join(f"<li>{_at(facts, one.utc)} {_t(one.point)}: {_said(why_nothing(facts, one))}</li>" for one in facts.asked)
    nothing = f"<p>Asked for, and came to nothing:</p><ul>{asked}</ul>" if asked else ""
    if not facts.checks:
        none = "None completed." if asked else "None made."
        proven = "<p>No point of this day is proven by a known mark.</p>"
        return f'<h2>Check-ins</h2><p class="none">{none}</p>{nothing}{proven}'
    by_base = [check for segment in facts.bases.segments for check in explained_by_base(segment)]
    rows = [
        [
            facts.clock(check.utc), _t(check.point), *(_mm(metres) for metres in check.offset),
            f"{check.horizontal_m * 1000:.0f} / {check.vertical_m * 1000:.0f}",
            "passed" if check.passed else f"<span class='bad'>failed{', by the base' if check in by_base else ''}</span>",
        ]
        for check in facts.checks
    ]  # fmt: skip
    heads = ("at", "mark", "dE", "dN", "dU", "limits", "result")
    caption = "Observed minus known (mm); limits in plan and height"
    said = "".join(f"<p>{_said(one)}</p>" for one in dict.fromkeys(map(advice_of, misses_of_day(facts))) if one)
    return f"<h2>Check-ins</h2><div class=figures>{_table(caption, heads, rows, (2, 3, 4, 5))}</div>{said}{nothing}"


_ON_PAPER = 12  # rows of a table that fit on one A4
_REASONS_ON_SCREEN, _REASONS_ON_PAPER = 40, 5  # of each verdict
_NAMES_ON_SCREEN, _NAMES_ON_PAPER = 12, 3
_VERDICTS: tuple[Name, ...] = ("observe-again", "repair", "undecided", "not-witnessed", "keep")


def _points(judgement: Judgement) -> str:
    """Points by verdict and kind of reason: a page is no list of 400 points, the CSV is."""
    rows = [row for name in _VERDICTS for row in _verdict_rows(judgement, name)]
    differs = "".join(f"<li>{_t(name)}: {_said(words)}</li>" for name, words in judgement.difference.names.items())
    found = judgement.difference
    where = "at all points" if found.inliers == found.of else f"at {found.inliers} of {found.of} points"
    shared = f"<p>The file differs from the log, {where}, by:</p><ul>{differs}</ul>" if differs else ""
    heads = ("verdict", "points", "why", "U95, mm", "which")
    table = _table_of("Verdicts by reason; U95 in plan and height, the largest", heads, rows, (1, 3))
    return f"<h2>The points</h2>{shared}<div class=wordy>{table}</div>"


def _verdict_rows(judgement: Judgement, name: Name) -> list[_Row]:
    """A verdict's total, and its reasons from the most frequent on; what is left out is counted."""
    groups: dict[str, list[Judged]] = {}
    for judged in judgement.points:
        if judged.name == name:
            # A person's own words stand as they are.
            groups.setdefault(judged.decided.reason if judged.by else kind(judged.decided.reason), []).append(judged)
    ordered = sorted(groups.values(), key=len, reverse=True)
    rows = [_Row([_t(name), _counted(judgement.count(name)), "in all"], "total")] if len(ordered) > 1 else []
    for number, points in enumerate(ordered[:_REASONS_ON_SCREEN]):
        reasons = [judged.decided.reason for judged in points]
        why = reasons[0] if points[0].by else spanned(reasons)
        cells = [_t(name), _counted(len(points)), _said(why), _largest(judgement, points), _which(points)]
        rows.append(_Row(cells, "more" if number >= _REASONS_ON_PAPER else ""))
    if len(ordered) > _REASONS_ON_PAPER:
        rows.append(_Row([_t(name), "", f"and {_reasons(len(ordered) - _REASONS_ON_PAPER)} on the screen"], "cut"))
    if len(ordered) > _REASONS_ON_SCREEN:
        left = _reasons(len(ordered) - _REASONS_ON_SCREEN)
        rows.append(_Row([_t(name), "", f"and {left} in the list of points"], "more"))
    return rows


def _counted(count: int) -> str:
    return f"{count}<span class=narrow> {'point' if count == 1 else 'points'}</span>"


def _which(points: Sequence[Judged]) -> str:
    """Their names: a line of them on paper, three on the screen."""
    names = [_t(judged.point.name) for judged in points]
    shown, more, rest = names[:_NAMES_ON_PAPER], names[_NAMES_ON_PAPER:_NAMES_ON_SCREEN], names[_NAMES_ON_SCREEN:]
    said = ", ".join(shown)
    if more:
        said += f"<span class=more>, {', '.join(more)}</span>{' …' if rest else '<span class=cut> …</span>'}"
    return said


def _reasons(count: int) -> str:
    return f"{count} more reason{'s' if count > 1 else ''}"


def _largest(judgement: Judgement, points: Sequence[Judged]) -> str:
    """The largest U95 in plan and height of points that can be used."""
    if points[0].name not in ("keep", "repair"):
        return ""
    after = [found[1] for judged in points if (found := judgement.uncertainty(judged)) is not None]
    if not after:
        return ""
    plan, height = (max(metres) * 1000 for metres in zip(*((one.plan_m, one.height_m) for one in after), strict=True))
    return f"<span class=narrow>U95 </span>{plan:.0f} / {height:.0f}<span class=narrow>\N{NO-BREAK SPACE}mm</span>"


def _radio(facts: DayFacts) -> str:
    if facts.unmatched:
        return f"<h2>The radio</h2><p>{_said(facts.unmatched)}</p>"
    rows = [
        [
            facts.clock(part.utc),
            str(part.sent),
            f"{part.arrived:.0%}",
            "" if part.delay_s is None else _said(f"{part.delay_s:.2f} s"),
        ]
        for part in facts.link
        if part.arrived < 0.995 or part is facts.link[0]
    ]
    whole = sum(part.sent * part.arrived for part in facts.link) / sum(part.sent for part in facts.link)
    said = f"<p>Of all frames {whole:.1%} arrived. Ten minutes in which some were lost:</p>"
    return f"<h2>The radio</h2>{said}{_table('Frames by their content', ('from', 'sent', 'arrived', 'delay'), rows, (1, 2, 3))}"


def _alerts(facts: DayFacts) -> str:
    if not facts.alerts:
        return "<h2>Alerts</h2><p>None was raised.</p>"
    rows = [
        [
            _at(facts, line.utc) + _t(at_post(facts, line).removeprefix(" at")), _t(line.severity), _said(line.say),
            f"<span class=narrow>lasted </span>{_said(_lasted(line))}",
            f"<span class=narrow>seen </span>{_said(_what_was_done(line))}",
        ]
        for line in facts.alerts
    ]  # fmt: skip
    heads = ("at", "severity", "what", "lasted", "seen")
    return f"<h2>Alerts</h2><div class=wordy>{_table('Without those that another one explains', heads, rows)}</div>"


def _at(facts: DayFacts, utc: float | None) -> str:
    return facts.clock(utc) if utc is not None else ""


def _lasted(line: AlertLine) -> str:
    return "to the end" if line.lasted_s is None else span_in_words(line.lasted_s)


def _what_was_done(line: AlertLine) -> str:
    seen = "by\N{NO-BREAK SPACE}nobody" if line.seen_after_s is None else f"after {span_in_words(line.seen_after_s)}"
    return "; ".join([seen, *line.done])


def _height(metres: float | None) -> str:
    return "" if metres is None else _said(f"{metres:.3f} m")


def _mm(metres: float) -> str:
    if abs(metres) >= 1.0:
        return _said(f"{metres:+.3f} m".replace("-", "−"))
    millimetres = round(metres * 1000)
    return f"{millimetres:+d}".replace("-", "−") if millimetres else "0"
