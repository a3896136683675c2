"""A report's pictures that can be zoomed: the strip of the day, the base's steps, the map. By Bokeh, its script inlined.

Bokeh rather than Plotly: 2.2 MB against 5.7 MB a page with 36,000 points, and 0.3 s against 18 s until it is loaded in a
Chromium without a graphics card (measured).
"""

from __future__ import annotations

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
_BINS = 3_000  # of a day's width, and of the map's: two or three to a screen's pixel, so that there is something to zoom into
_MOST_AGE_S, _AGE_STEP_S = 30.0, 0.5  # a step is a pixel of its lane


def pictures(
    facts: DayFacts, epochs: Epochs | None, judgement: Judgement | None, plane: Any, strip: Strip
) -> tuple[str, dict[str, str]]:
    """The script (Bokeh's own and the pictures' data) and a place for each picture, by its name."""
    from bokeh.embed import components
    from bokeh.resources import Resources

    figures: dict[str, Any] = {}
    if epochs is not None and len(epochs):
        figures["strip"] = _strip(facts, epochs, strip)
        figures["map"] = _map(epochs, judgement, plane)
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


def _kind(quality: Any) -> Any:
    return np.where(quality == FixQuality.RTK_FIXED, 0, np.where(quality == FixQuality.RTK_FLOAT, 1, 2))


_LANES = {"fix": 6.0, "age of corrections": 5.0, "base": 4.0, "check-ins": 3.0, "alerts": 2.0, "power": 1.0}
_FROM, _TO = 0.4, 6.6
_BASE = {"right": (0.3, "#1b6e45", " "), "not judged": (0.3, "#555555", " "), "disputed": (0.5, "#8a5a00", "-"),
         "wrong": (0.8, "#a3001b", "/")}  # fmt: skip
_POWER = {"off": (0.8, "#222222"), "low": (0.4, "#8a5a00")}


def _strip(facts: DayFacts, epochs: Epochs, strip: Strip) -> Any:
    from bokeh.models import DatetimeTickFormatter
    from bokeh.models.ranges import Range1d
    from bokeh.plotting import figure

    offset = _offset_s(facts, float(epochs.utc[0]))
    plot = figure(
        x_axis_type="datetime", y_range=Range1d(start=_FROM, end=_TO), height=370, sizing_mode="stretch_width",
        tools="xpan,xwheel_zoom,xbox_zoom,reset", toolbar_location="above",
    )  # fmt: skip
    plot.toolbar.logo = None
    plot.yaxis.ticker = [*_LANES.values()]
    plot.yaxis.major_label_overrides = {at: name for name, at in _LANES.items()}
    plot.ygrid.visible = False

    def bars(lane: str, spans: Any, height: float, colour: str, **look: Any) -> None:
        """UTC from and to of each: one glyph for all, since each glyph of its own costs the browser milliseconds."""
        if len(spans):
            left, right = (np.asarray(spans, float).T + offset) * 1000.0
            y = np.full(len(left), _LANES[lane])
            plot.hbar(y=y, left=left, right=right, height=height, color=colour, **look)

    for number, (name, colour) in enumerate(_FIX):
        bars("fix", _runs(epochs, number), (0.2, 0.5, 0.8)[number], colour, legend_label=name)
    utc, age_s = _ages(epochs)
    lane = _LANES["age of corrections"] - 0.4
    ms = (utc + offset) * 1000.0
    plot.varea(x=ms, y1=np.full(len(ms), lane), y2=lane + 0.8 * age_s / _MOST_AGE_S, color="#444444")
    for standing, (height, colour, hatch) in _BASE.items():
        spans = [(one.from_utc, facts.until(one)) for one in facts.bases.segments if one.standing == standing]
        bars("base", spans, height, colour, fill_alpha=0.6, hatch_pattern=hatch)
    for passed, marker, colour in ((True, "circle", "#1b6e45"), (False, "x", "#a3001b")):
        at = np.array([check.utc + offset for check in facts.checks if check.passed == passed])
        if len(at):
            y = np.full(len(at), _LANES["check-ins"])
            plot.scatter(x=at * 1000.0, y=y, size=11, marker=marker, color=colour, line_width=3)
    begin_s = strip.begin.timestamp() if strip.begin is not None else None
    for severity, height, colour in (("stop", 0.8, "#a3001b"), ("check", 0.4, "#8a5a00")):
        bands = [band for band in strip.alerts if band.severity == severity]
        if begin_s is not None:
            bars("alerts", [(begin_s + band.from_s, begin_s + band.to_s) for band in bands], height, colour)
    for how, (height, colour) in _POWER.items():
        spans = [(begins, ends) for begins, ends, said in facts.power if said == how]
        bars("power", spans, height, colour, legend_label=f"power {how}")
    if facts.gaps:
        left, right = ((np.array([(utc, utc + seconds) for _, utc, seconds, _ in facts.gaps]).T) + offset) * 1000.0
        plot.quad(left=left, right=right, bottom=_FROM, top=_TO, fill_color="#999999", fill_alpha=0.35, line_color=None)
    plot.xaxis.formatter = DatetimeTickFormatter(hours="%H:%M", minutes="%H:%M", seconds="%H:%M:%S", days="%d %b")
    plot.legend.orientation = "horizontal"
    plot.add_layout(plot.legend[0], "below")
    return plot


def _ages(epochs: Epochs) -> tuple[Any, Any]:
    """The age of corrections as the corners of steps, UTC seconds and seconds: of each bin the oldest, so that no peak is lost;
    none for what stays the same."""
    first, last = float(epochs.utc[0]), float(epochs.utc[-1])
    width_s = max(1.0, (last - first) / _BINS)
    bins = ((epochs.utc - first) / width_s).astype(int)
    begins = np.flatnonzero(np.diff(bins, prepend=-1))
    ages = np.nan_to_num(epochs.age_s, nan=0.0).clip(0, _MOST_AGE_S)
    oldest = np.ceil(np.maximum.reduceat(ages, begins) / _AGE_STEP_S) * _AGE_STEP_S
    changes = np.flatnonzero(np.diff(oldest, prepend=-1.0))
    utc = np.append(epochs.utc[begins[changes]], last + 1.0)
    return np.repeat(utc, 2)[1:-1], np.repeat(oldest[changes], 2)


def _runs(epochs: Epochs, number: int) -> Any:
    """The stretches of one kind of fix, UTC seconds from and to, a row each; a pause of three seconds ends one."""
    kind = _kind(epochs.quality)
    breaks = np.flatnonzero((np.diff(kind) != 0) | (np.diff(epochs.utc) > 3.0)) + 1
    first = np.concatenate([[0], breaks]).astype(int)
    last = np.concatenate([breaks - 1, [len(kind) - 1]]).astype(int)
    mine = kind[first] == number
    return np.column_stack([epochs.utc[first[mine]], epochs.utc[last[mine]] + 1.0])


def _map(epochs: Epochs, judgement: Judgement | None, plane: Any) -> Any:
    from bokeh.models import NumeralTickFormatter
    from bokeh.plotting import figure

    plot = figure(match_aspect=True, height=520, sizing_mode="stretch_width", tools="pan,wheel_zoom,box_zoom,reset",
                  x_axis_label="east, m", y_axis_label="north, m", toolbar_location="above")  # fmt: skip
    plot.toolbar.logo = None
    plot.xaxis.formatter = plot.yaxis.formatter = NumeralTickFormatter(format="0")
    framed: list[Any] = []
    east, north = plane(epochs.latitude, epochs.longitude)
    kind = _kind(epochs.quality)
    for number, (name, colour) in enumerate(_FIX):
        part = _places(east, north, kind == number)
        if len(part):
            drawn = plot.scatter(
                x=east[part], y=north[part], size=(2, 4, 5)[number], fill_color=colour, line_color=None, alpha=0.5,
                legend_label=f"track, {name}",
            )  # fmt: skip
            if number == 0:
                framed.append(drawn)
    without = _places(east, north, _without_corrections(epochs))
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
    plot.legend.ncols = 2  # beside the map it would leave a phone a sliver of it
    plot.add_layout(plot.legend[0], "below")
    return plot


def _places(east_m: Any, north_m: Any, wanted: Any) -> Any:
    """Which of the wanted positions are drawn: of those that a screen shows at one place, the first. A cell is a part of where
    nearly all of them are: a stray one far off makes no cell wider."""
    at = np.flatnonzero(wanted)
    if not len(at):
        return at
    east_m, north_m = east_m[at], north_m[at]
    extent_m = max(np.ptp(np.quantile(column, (0.01, 0.99))) for column in (east_m, north_m))
    cell_m = max(0.01, extent_m / _BINS * 2)
    cells = np.round(east_m / cell_m) + 1j * np.round(north_m / cell_m)  # one number each: pairs are sorted ten times slower
    return at[np.sort(np.unique(cells, return_index=True)[1])]


def _without_corrections(epochs: Epochs) -> Any:
    """Where the corrections were too old, or the receiver used none."""
    age_s, quality = epochs.age_s, epochs.quality
    none = np.isnan(age_s) & (quality != FixQuality.RTK_FIXED) & (quality != FixQuality.RTK_FLOAT)
    return none | (age_s > age_limit_s(epochs))


def _offset_s(facts: DayFacts, utc: float) -> float:
    """What the post's zone is ahead of UTC: the axis has local time."""
    import datetime as dt

    offset = dt.datetime.fromtimestamp(utc, dt.UTC).astimezone(facts.zone).utcoffset()
    return offset.total_seconds() if offset is not None else 0.0
