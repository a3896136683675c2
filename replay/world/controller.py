"""The crew's field controller: it stores points, and writes them in the forms that such files come in; the truth stands beside.

    crew stands ─► receiver says ─► epochs of a store ─► mean, less the typed pole ─► the file's frame and unit ─► FIELD.csv
             └───────────────────► where the foot really is, in the same frame, and what that allows ─► FIELD.truth.csv

A store is one epoch, or the mean of some seconds; some points are stored twice under one name. A controller types what its
crew believes: a pole that is shorter than typed, a pole that leans or a base that is wrong makes a stored point wrong.

Projections are PROJ's, asked directly and not through the project's frames (`rules.datum`), which this checks.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
import random
import zoneinfo
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, NamedTuple
from xml.sax.saxutils import quoteattr

from msgspec import Struct
from witnesspost.daemon.atomic import new_file
from witnesspost.replay.world import events as ev
from witnesspost.replay.world.blunders import BLUNDERS
from witnesspost.replay.world.crew import Crew
from witnesspost.replay.world.receiver import FIXED
from witnesspost.replay.world.scenario import Scenario, ScenarioError
from witnesspost.replay.world.state import State
from witnesspost.replay.world.world import World, geodetic
from witnesspost.rules.coordinates import Ecef
from witnesspost.rules.datum.geoid import GeoidError, bundled_geoid, open_geoid

GPS_AHEAD_S = 18.0
"""GPS time less UTC since 2017 (IERS Bulletin C 52)."""

_UNIT_M = {"m": 1.0, "ft": 0.3048, "us-ft": 1200 / 3937}
_SETTLES_S = 12.0  # after a change the rover still has the station position before: one comes every ten seconds
_LEANS_DEG = 1.5
_NOISE_M = (0.004, 0.007)  # of a point outside the post's time: the receiver's own, in plan and height
_CODES = ("toe", "crest", "edge", "spot", "drill", "ramp")


class Stored(NamedTuple):
    """A point as the controller has it: the file's easting, northing and height in metres before its unit, UTC from and to."""

    name: str
    code: str
    place: Ecef  # the antenna's mean, geocentric
    begin: dt.datetime
    end: dt.datetime
    true: Ecef  # the pole's foot
    allowed: tuple[str, ...]
    why: str


class _Store(Struct):
    name: str
    code: str
    begins: float
    ends: float
    places: list[Ecef] = []
    qualities: list[int] = []
    stations: list[int | None] = []


class Controller:
    """One day's controller: tell it what the receiver says at each moment (`hears`), then `write`."""

    def __init__(self, scenario: Scenario, world: World, state: State, crew: Crew, rng: random.Random) -> None:
        self._scenario, self._world, self._state, self._crew, self._rng = scenario, world, state, crew, rng
        self._told = scenario.controller
        self._stores = self._plan() if self._told.points else []
        self._open: list[_Store] = []
        self._next = 0
        self._fixed_since: float | None = None
        self._fixed: list[tuple[float, float, int | None]] = []  # stretches of fixed: from, to, station

    def hears(self, t: float, place: Ecef, quality: int, station: int | None) -> None:
        """What the receiver says at `t`: its antenna's place."""
        if not self._stores:
            return
        while self._next < len(self._stores) and self._stores[self._next].begins <= t:
            self._open.append(self._stores[self._next])
            self._next += 1
        for store in self._open:
            if t <= store.ends:
                store.places.append(place)
                store.qualities.append(quality)
                store.stations.append(station)
        self._open = [store for store in self._open if t < store.ends]
        if quality == FIXED and self._fixed and self._fixed[-1][2] == station and t - self._fixed[-1][1] < 1.5:
            self._fixed[-1] = (self._fixed[-1][0], t, station)
        elif quality == FIXED:
            self._fixed.append((t, t, station))

    def points(self) -> list[Stored]:
        """All points, in the order of time."""
        return [stored for store in self._stores if (stored := self._stored(store)) is not None]

    def write(self, path: str | Path) -> tuple[int, Path]:
        """Write the field file, and the truth beside it; gives how many points, and the truth's path. Raises CannotWrite."""
        points = self.points()
        path = Path(path)
        truth = path.with_name(path.stem + ".truth.csv")
        text = FORMS[self._told.form]([self._row(point, point.place, antenna=True) for point in points], self._told.unit)
        with new_file(path) as written, new_file(truth) as beside:
            written.write_bytes(text.encode())
            beside.write_text(self._truth_text(points), newline="")
        return len(points), truth

    def _plan(self) -> list[_Store]:
        """A store at each stand, in order, and a second one of the same point at some, until there are as many as wanted."""
        told, rng = self._told, self._rng
        occupies = [event for event in self._scenario.events if isinstance(event, ev.Occupy)]
        free = [
            (begins, ends)
            for begins, ends in self._crew.stands()
            if ends - begins > 6.0 and not any(event.at_s - 5 < ends and begins < event.until_s + 5 for event in occupies)
        ]
        stores: list[_Store] = []
        for number, (begins, ends) in enumerate(free, 101):
            mean_s = rng.choice((0.0, 0.0, 5.0, 10.0, 30.0))
            begin = math.ceil(begins + 2.0 + rng.uniform(0.0, max(0.0, ends - begins - mean_s - 4.0)))
            stores.append(_Store(str(number), rng.choice(_CODES), float(begin), min(begin + mean_s, math.floor(ends - 1.0))))
        while len(stores) > told.points:
            stores.pop(rng.randrange(len(stores)))
        again = [store for store in stores if free[int(store.name) - 101][1] - store.ends > 8.0]
        while len(stores) < told.points and again:
            first = again.pop(rng.randrange(len(again)))
            at = math.floor(free[int(first.name) - 101][1] - 2.0)
            stores.append(_Store(first.name, first.code, float(at), float(at)))
        if len(stores) < told.points:
            raise ScenarioError(self._scenario.name, [f"controller.points: {told.points}; the crew stands {len(stores)} times"])
        return sorted(stores, key=lambda store: store.begins)

    def _stored(self, store: _Store) -> Stored | None:
        middle = (store.begins + store.ends) / 2
        true = self._crew.foot_at(middle)
        if store.begins >= self._scenario.duration_s:  # the post was switched off: nobody heard this one
            antenna = self._crew.antenna(middle)
            noise = [self._rng.gauss(0.0, _NOISE_M[0]) for _ in range(3)]
            place = Ecef(*(a + b for a, b in zip(antenna, noise, strict=True)))
            allowed: tuple[str, ...] = ("not-witnessed",)
            why = "stored after the post was switched off"
        elif not store.places:
            return None
        else:
            place = Ecef(*(sum(axis) / len(store.places) for axis in zip(*store.places, strict=True)))
            allowed, why = self._allowed(store)
        return Stored(store.name, store.code, place, self._utc(store.begins), self._utc(store.ends), true, allowed, why)

    def _allowed(self, store: _Store) -> tuple[tuple[str, ...], str]:
        """The verdicts that the world allows of a point, and why: worked out from the events, not from what a post sees."""
        state, begins, ends = self._state, store.begins, store.ends
        settled, why = self._allowed_of_a_fix(begins, ends)
        doubtful = tuple(dict.fromkeys(("observe-again", "undecided", *settled)))
        if any(quality != FIXED for quality in store.qualities):
            share = sum(quality == FIXED for quality in store.qualities) / len(store.qualities)
            return ("observe-again",) if share < 0.95 else doubtful, "not fixed"
        foreign = [station for station in store.stations if station is not None and not state.is_ours(station)]
        if foreign:
            return ("observe-again",), "tied to a neighbour's base"
        stretch = next((s for s in self._fixed if s[0] <= begins and ends <= s[1] + 1.0), None)
        if stretch is None or begins - stretch[0] < _SETTLES_S:
            return doubtful, "within seconds of a new fix"
        return settled, why

    def _allowed_of_a_fix(self, begins: float, ends: float) -> tuple[tuple[str, ...], str]:
        """The same of a point that was stored fixed, on the project's own base."""
        state, events = self._state, self._scenario.events

        def near(kind: type[ev.Event], slack_s: float = 0.0) -> list[ev.Event]:
            return [e for e in events if type(e) is kind and e.at_s - slack_s <= ends and begins < e.until_s + slack_s]

        changes = [t for e in events if isinstance(e, ev.Broadcast) for t in (e.at_s, e.until_s)]
        if any(begins - 2 * _SETTLES_S <= change <= ends + 1.0 for change in changes if change):
            return ("observe-again", "undecided", "repair"), "while the base's coordinate changed"
        broadcast = [e for e in near(ev.Broadcast) if isinstance(e, ev.Broadcast)]
        error = math.hypot(*state.broadcast_error(begins)) if broadcast else 0.0
        if error > 0.03 and not all(event.cause in BLUNDERS for event in broadcast):
            return ("observe-again",), "the base was wrong, and nothing explains it"
        leans = [e for e in near(ev.PoleTilt) if isinstance(e, ev.PoleTilt) and e.angle_deg > _LEANS_DEG and e.moves]
        if leans:
            return ("undecided", "observe-again"), "the pole leaned"
        if near(ev.PoleLength):
            return ("undecided", "observe-again"), "the pole was not as long as typed"
        if error > 0.03:
            return ("repair",), "the base was wrong by what was typed"
        return self._between_checks(begins, ends)

    def _between_checks(self, begins: float, ends: float) -> tuple[tuple[str, ...], str]:
        """A point that is right: kept where check-ins on both sides, made by the same coordinate of the base, say so."""
        events = self._scenario.events
        checks = [e for e in events if isinstance(e, ev.Occupy) and e.until_s < math.inf]
        changes = [t for e in events if isinstance(e, ev.Broadcast) for t in (e.at_s, e.until_s) if 0.0 < t < math.inf]
        since = max((t for t in changes if t <= begins), default=0.0)
        until = min((t for t in changes if t > ends), default=math.inf)
        before = [e for e in checks if e.until_s < begins and e.at_s > since]
        after = [e for e in checks if e.at_s > ends and e.until_s < until]
        if not after or not before:
            return ("undecided",), "no check-in on both sides"
        around = (before[-1], after[0])
        if any(self._is_off(e) for e in around):
            return ("keep", "undecided"), "right, and a check-in beside it was not"
        return ("keep",), "right, between two check-ins"

    def _is_off(self, check: ev.Occupy) -> bool:
        """True where the check-in cannot have passed, or was made by another coordinate of the base."""
        middle = check.at_s + (check.until_s - check.at_s) / 2
        wrong = math.hypot(*self._state.broadcast_error(middle)) > 0.03
        short = any(isinstance(e, ev.PoleLength) and e.during(middle) for e in self._scenario.events)
        return wrong or short or math.hypot(check.east_m, check.north_m, check.up_m) > 0.03

    def _utc(self, t: float) -> dt.datetime:
        return self._scenario.start_utc + dt.timedelta(seconds=t)

    def _time(self, utc: dt.datetime) -> str:
        told = self._told
        if told.times == "gps":
            utc += dt.timedelta(seconds=GPS_AHEAD_S)
        elif told.times == "local":
            utc = utc.astimezone(zoneinfo.ZoneInfo(self._scenario.site.post.time_zone or "UTC"))
        return utc.replace(tzinfo=None).isoformat(sep=" ", timespec="seconds")

    def _row(self, point: Stored, place: Ecef, *, antenna: bool) -> dict[str, Any]:
        """A place as the controller's file has it; the antenna's comes down by the typed pole. GeoJSON knows only degrees, and
        metres above the ellipsoid (RFC 7946, 4)."""
        told, by_the_rfc = self._told, self._told.form == "geojson"
        unit_m = 1.0 if by_the_rfc else _UNIT_M[told.unit]
        typed_m = self._scenario.site.rover.pole_height_m if told.pole_height_m is None else told.pole_height_m
        latitude, longitude, ellipsoidal_m = geodetic(place)
        height_m = ellipsoidal_m - (typed_m if antenna else 0.0)
        project = self._scenario.site.project
        if project is not None and project.vertical == "geoid" and not by_the_rfc:
            height_m -= self._separation(latitude, longitude, antenna)
        row: dict[str, Any] = {"name": point.name, "height": height_m / unit_m, "code": point.code, "pole": typed_m / unit_m}
        grid = None if by_the_rfc else self._grid()
        if grid is None:
            row |= {"latitude": latitude, "longitude": longitude}
        else:
            east_m, north_m = grid.transform(longitude, latitude)
            turned = complex(east_m, north_m) * told.ground_scale
            if told.rotation_s:
                middle = complex(*grid.transform(*geodetic(self._world.mark)[1::-1])) * told.ground_scale
                angle = math.radians(told.rotation_s / 3600.0)
                turned = (turned - middle) * complex(math.cos(angle), math.sin(angle)) + middle
            row |= {"east": (turned.real + told.east_m) / unit_m, "north": (turned.imag + told.north_m) / unit_m}
        if told.times != "none":
            row |= {"start": self._time(point.begin), "end": self._time(point.end)}
        return row

    def _separation(self, latitude: float, longitude: float, antenna: bool) -> float:
        """N by which heights come down: the controller's own model; the truth's is the project's."""
        if antenna and self._told.geoid is not None:
            if self._told.geoid == "bundled":
                return bundled_geoid().separation_m(latitude, longitude)
            raise ScenarioError(self._scenario.name, [f'controller.geoid: read {self._told.geoid!r}; expected "bundled"'])
        try:
            return open_geoid(self._scenario.site).separation_m(latitude, longitude) or 0.0
        except GeoidError as error:
            raise ScenarioError(self._scenario.name, [f"site.project.geoid: {error}"]) from None

    def _grid(self) -> Any:
        from pyproj import CRS, Transformer

        assert self._scenario.site.project is not None
        crs = CRS.from_user_input(self._scenario.site.project.frame)
        return Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True) if crs.is_projected else None

    def _truth_text(self, points: Sequence[Stored]) -> str:
        text = io.StringIO()
        writer = csv.writer(text)
        writer.writerow(["point", "start_utc", "allowed", "first", "second", "height", "why"])
        for point in points:
            row = self._row(point, point.true, antenna=False)
            first, second = (row["north"], row["east"]) if "north" in row else (row["latitude"], row["longitude"])
            digits = 5 if "north" in row else 10
            begin = point.begin.strftime("%Y-%m-%dT%H:%M:%SZ")
            writer.writerow(
                [point.name, begin, "|".join(point.allowed), f"{first:.{digits}f}", f"{second:.{digits}f}",
                 f"{row['height']:.5f}", point.why]
            )  # fmt: skip
        return text.getvalue()


def _csv(rows: Sequence[dict[str, Any]], delimiter: str, decimal: str, header: bool) -> str:
    first = ("north", "east") if rows and "north" in rows[0] else ("latitude", "longitude")
    names = {"name": "Point", "north": "Northing", "east": "Easting", "latitude": "Latitude", "longitude": "Longitude",
             "height": "Height", "code": "Code", "pole": "Pole height", "start": "Start", "end": "End"}  # fmt: skip
    order = ["name", *first, "height", "code", "pole", *(["start", "end"] if rows and "start" in rows[0] else [])]
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter)
    if header:
        writer.writerow([names[key] for key in order])
    for row in rows:
        shown = []
        for key in order:
            value = row[key]
            if isinstance(value, float):
                value = f"{value:.{9 if key in ('latitude', 'longitude') else 4}f}".replace(".", decimal)
            shown.append(value)
        writer.writerow(shown)
    return text.getvalue()


def _landxml(rows: Sequence[dict[str, Any]], unit: str) -> str:
    """LandXML 1.2's CgPoints: northing, easting, elevation."""
    units = {
        "m": '<Metric areaUnit="squareMeter" linearUnit="meter" volumeUnit="cubicMeter" temperatureUnit="celsius"'
        ' pressureUnit="milliBars"/>',
        "ft": '<Imperial areaUnit="squareFoot" linearUnit="foot" volumeUnit="cubicYard" temperatureUnit="fahrenheit"'
        ' pressureUnit="inchHG"/>',
        "us-ft": '<Imperial areaUnit="squareFoot" linearUnit="USSurveyFoot" volumeUnit="cubicYard"'
        ' temperatureUnit="fahrenheit" pressureUnit="inchHG"/>',
    }[unit]
    lines = [
        f"<CgPoint name={quoteattr(row['name'])} code={quoteattr(row['code'])}"
        + (f' timeStamp="{row["start"].replace(" ", "T")}"' if "start" in row else "")
        + f">{row['north']:.4f} {row['east']:.4f} {row['height']:.4f}</CgPoint>"
        for row in rows
    ]
    return "\n".join(
        [
            '<?xml version="1.0" encoding="UTF-8"?>',
            '<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2" date="2026-06-19" time="17:00:00">',
            f"<Units>{units}</Units>",
            "<CgPoints>",
            *lines,
            "</CgPoints>",
            "</LandXML>",
            "",
        ]
    )


def _geojson(rows: Iterable[dict[str, Any]], unit: str) -> str:
    import json

    features = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [round(row["longitude"], 10), round(row["latitude"], 10),
                                                          round(row["height"], 4)]},
            "properties": {key: row[key] for key in ("name", "code", "pole", "start", "end") if key in row},
        }
        for row in rows
    ]  # fmt: skip
    return json.dumps({"type": "FeatureCollection", "features": features}, indent=1) + "\n"


FORMS: dict[str, Any] = {
    "csv": lambda rows, unit: _csv(rows, ",", ".", True),
    "csv-bare": lambda rows, unit: _csv(rows, ",", ".", False),
    "csv-semicolon": lambda rows, unit: _csv(rows, ";", ",", True),
    "csv-tab": lambda rows, unit: _csv(rows, "\t", ".", True),
    "landxml": _landxml,
    "geojson": _geojson,
}
"""What a controller writes, by the word that `controller.form` may be."""
