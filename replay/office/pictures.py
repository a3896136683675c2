"""A report's pictures that can be zoomed: the strip of the day, the base's steps, the map. By Bokeh, its script inlined.

Bokeh rather than Plotly: 2.2 MB against 5.7 MB a page with 36,000 points, and 0.3 s against 18 s until it is loaded in a
Chromium without a graphics card (measured).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from witnesspost.daemon.strip.drawing import Titles, picture
from witnesspost.daemon.strip.reading import StripReader
from witnesspost.daemon.strip.strip import Strip
from witnesspost.replay.office.epochs import Epochs
from witnesspost.replay.office.evidence import age_limit_s
from witnesspost.replay.office.facts_of_day import DayFacts
from witnesspost.replay.office.judge import Judgement
from witnesspost.rules.gnss import FixQuality

# Told apart by lightness and by form too: a report is printed in grey.
_FIX = (("fixed", "#1b6e45"), ("float", "#c28a00"), ("not fixed", "#a3001b"))
VERDICTS = {
    "keep": ("circle", "#1b6e45"), "repair": ("square", "#1f4e9c"), "undecided": ("diamond", "#8a5a00"),
    "observe-again": ("x", "#a3001b"), "not-witnessed": ("cross", "#555555"),
}  # fmt: skip
_MOST_GAPS = 500
_MOST = 12_000  # epochs drawn: each second of a day is more than a screen has
_MOST_AGE_S = 30.0


def pictures(
    facts: DayFacts, epochs: Epochs | None, judgement: Judgement | None, plane: Any, strip: Strip
) -> tuple[str, dict[str, str]]:
    """The script (Bokeh's own and the pictures' data) and a place for each picture, by its name."""
    from bokeh.embed import components
    from bokeh.resources import Resources

    figures: dict[str, Any] = {}
    if epochs is not None and len(epochs):
        shown = _thinned(epochs)
        figures["strip"] = _strip(facts, epochs, shown, strip)
        figures["map"] = _map(epochs, shown, judgement, plane)
    if not figures:
        return "", {}
    script, places = components(figures)
    own = Resources(mode="inline", components=["bokeh"])  # without its widgets, tables and formulas
    return f"<script>{''.join(own.js_raw)}</script>\n{script}", dict(places)


def strip_of(facts: DayFacts) -> Strip:
    """The day as the phone's page shows it, from its first full hour on. Raises a LogError."""
    known = facts.first_utc is not None and facts.last_utc is not None
    hours = int(((facts.last_utc or 0.0) - (facts.first_utc or 0.0)) / 3600.0) + 2 if known else 24
    return StripReader().read([log.path for log in facts.post.files], hours=max(1, min(25, hours)))


def on_paper(strip: Strip) -> str:
    """The strip as SVG, time downwards: what is printed."""
    return picture(strip, _TITLES, newest_first=False)


_TITLES = Titles("The day", "fix", "corr.", "age", "off", {"stop": "stop", "check": "check", "note": "note"})


def _thinned(epochs: Epochs) -> Any:
    """Which epochs are drawn: a day's evenly, and each where the fix changes."""
    n = len(epochs)
    step = max(1, math.ceil(n / _MOST))
    changes = np.flatnonzero(np.diff(epochs.quality)) + 1
    return np.unique(np.concatenate([np.arange(0, n, step), changes[:_MOST], [n - 1]]).astype(int)).clip(0, n - 1)


def _kind(quality: Any) -> Any:
    return np.where(quality == FixQuality.RTK_FIXED, 0, np.where(quality == FixQuality.RTK_FLOAT, 1, 2))


_LANES = {"fix": 6.0, "age of corrections": 5.0, "base": 4.0, "check-ins": 3.0, "alerts": 2.0, "power": 1.0}
_POWER = {"off": (0.8, "#222222"), "low": (0.4, "#8a5a00")}


def _strip(facts: DayFacts, epochs: Epochs, shown: Any, strip: Strip) -> Any:
    from bokeh.models import DatetimeTickFormatter
    from bokeh.models.annotations import BoxAnnotation
    from bokeh.models.ranges import Range1d
    from bokeh.plotting import figure

    offset = _offset_s(facts, float(epochs.utc[0]))
    plot = figure(
        x_axis_type="datetime", y_range=Range1d(start=0.4, end=6.6), height=370, sizing_mode="stretch_width",
        tools="xpan,xwheel_zoom,xbox_zoom,reset", toolbar_location="above",
    )  # fmt: skip
    plot.toolbar.logo = None
    plot.yaxis.ticker = [*_LANES.values()]
    plot.yaxis.major_label_overrides = {at: name for name, at in _LANES.items()}
    plot.ygrid.visible = False
    for number, (name, colour) in enumerate(_FIX):
        begins, ends = _runs(epochs, number)
        height = (0.2, 0.5, 0.8)[number]
        if len(begins):
            y = np.full(len(begins), _LANES["fix"])
            left, right = (begins + offset) * 1000.0, (ends + offset) * 1000.0
            plot.hbar(y=y, left=left, right=right, height=height, color=colour, legend_label=name)
    ages = np.nan_to_num(epochs.age_s[shown], nan=0.0).clip(0, _MOST_AGE_S) / _MOST_AGE_S
    ms = (epochs.utc[shown] + offset) * 1000.0
    lane = _LANES["age of corrections"] - 0.4
    plot.varea(x=ms, y1=np.full(len(ms), lane), y2=lane + 0.8 * ages, color="#444444")
    for segment in facts.bases.segments:
        begins_s, ends_s = segment.from_utc + offset, facts.until(segment) + offset
        right_base = segment.right or not segment.judged
        plot.hbar(
            y=[_LANES["base"]], left=[begins_s * 1000], right=[ends_s * 1000], height=0.3 if right_base else 0.8,
            color="#1b6e45" if right_base else "#a3001b", fill_alpha=0.6, hatch_pattern=" " if right_base else "/",
        )  # fmt: skip
    for check in facts.checks:
        plot.scatter(
            x=[(check.utc + offset) * 1000], y=[_LANES["check-ins"]], size=11, marker="circle" if check.passed else "x",
            color="#1b6e45" if check.passed else "#a3001b", line_width=3,
        )  # fmt: skip
    begin_s = strip.begin.timestamp() + offset if strip.begin is not None else 0.0
    for band in strip.alerts:
        if band.severity != "note" and strip.begin is not None:
            plot.hbar(
                y=[_LANES["alerts"]], left=[(begin_s + band.from_s) * 1000], right=[(begin_s + band.to_s) * 1000],
                height=0.8 if band.severity == "stop" else 0.4, color="#a3001b" if band.severity == "stop" else "#8a5a00",
            )  # fmt: skip
    for begins_s, ends_s, how in facts.power:
        height, colour = _POWER[how]
        left, right = (begins_s + offset) * 1000, (ends_s + offset) * 1000
        plot.hbar(y=[_LANES["power"]], left=[left], right=[right], height=height, color=colour, legend_label=f"power {how}")
    for _, utc, seconds, _ in facts.gaps[:_MOST_GAPS]:
        left_ms, right_ms = (utc + offset) * 1000, (utc + seconds + offset) * 1000
        plot.add_layout(BoxAnnotation(left=left_ms, right=right_ms, fill_color="#999999", fill_alpha=0.35))
    plot.xaxis.formatter = DatetimeTickFormatter(hours="%H:%M", minutes="%H:%M", seconds="%H:%M:%S", days="%d %b")
    plot.legend.orientation = "horizontal"
    plot.add_layout(plot.legend[0], "below")
    return plot


def _runs(epochs: Epochs, number: int) -> tuple[Any, Any]:
    """The stretches of one kind of fix, UTC seconds from and to; a pause of three seconds ends one."""
    kind = _kind(epochs.quality)
    breaks = np.flatnonzero((np.diff(kind) != 0) | (np.diff(epochs.utc) > 3.0)) + 1
    first = np.concatenate([[0], breaks]).astype(int)
    last = np.concatenate([breaks - 1, [len(kind) - 1]]).astype(int)
    mine = kind[first] == number
    return epochs.utc[first[mine]], epochs.utc[last[mine]] + 1.0


def _map(epochs: Epochs, shown: Any, judgement: Judgement | None, plane: Any) -> Any:
    from bokeh.models import NumeralTickFormatter
    from bokeh.plotting import figure

    plot = figure(match_aspect=True, height=520, sizing_mode="stretch_width", tools="pan,wheel_zoom,box_zoom,reset",
                  x_axis_label="east, m", y_axis_label="north, m", toolbar_location="above")  # fmt: skip
    plot.toolbar.logo = None
    plot.xaxis.formatter = plot.yaxis.formatter = NumeralTickFormatter(format="0")
    framed: list[Any] = []
    east, north = plane(epochs.latitude[shown], epochs.longitude[shown])
    kind = _kind(epochs.quality[shown])
    for number, (name, colour) in enumerate(_FIX):
        part = kind == number
        if part.any():
            drawn = plot.scatter(
                x=east[part], y=north[part], size=(2, 4, 5)[number], color=colour, alpha=0.5, legend_label=f"track, {name}"
            )
            if number == 0:
                framed.append(drawn)
    without = np.flatnonzero(_without_corrections(epochs, shown))
    if len(without):
        plot.scatter(x=east[without], y=north[without], marker="inverted_triangle", size=9, color="#222222", fill_alpha=0.0,
                     legend_label="no corrections arrived")  # fmt: skip
    if judgement is not None:
        first = np.array([judged.point.first for judged in judgement.points])
        second = np.array([judged.point.second for judged in judgement.points])
        x, y = judgement.difference.to_log(*judgement.frame.plane(first, second))
        for name, (marker, colour) in VERDICTS.items():
            at = [number for number, judged in enumerate(judgement.points) if judged.name == name]
            if at:
                drawn = plot.scatter(x=x[at], y=y[at], marker=marker, size=9, color=colour, fill_alpha=0.4, line_width=2,
                                     legend_label=f"{name} ({len(at)})")  # fmt: skip
                if name != "not-witnessed":
                    framed.append(drawn)
    if framed:  # a stray position without a fix, or a point of another day, would make all the rest small
        plot.x_range.update(renderers=framed)
        plot.y_range.update(renderers=framed)
    plot.add_layout(plot.legend[0], "right")
    return plot


def _without_corrections(epochs: Epochs, shown: Any) -> Any:
    """Of the epochs that are drawn: where the corrections were too old, or the receiver used none."""
    age_s, quality = epochs.age_s[shown], epochs.quality[shown]
    none = np.isnan(age_s) & (quality != FixQuality.RTK_FIXED) & (quality != FixQuality.RTK_FLOAT)
    return none | (age_s > age_limit_s(epochs))


def _offset_s(facts: DayFacts, utc: float) -> float:
    """What the post's zone is ahead of UTC: the axis has local time."""
    import datetime as dt

    offset = dt.datetime.fromtimestamp(utc, dt.UTC).astimezone(facts.zone).utcoffset()
    return offset.total_seconds() if offset is not None else 0.0
