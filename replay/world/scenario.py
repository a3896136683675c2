"""Scenario files (TOML): a site, a true world, and what happens in it.

    note = "The rover's radio moves to another frequency."
    like = "quiet-hour-rover"      # start from another scenario's site and world (its name or path); optional
    seed = 1
    duration_s = 1200
    start_utc = 2026-06-15T08:00:00Z
    [site.post] …                  # exactly the site file's tables, under [site]
    [messages] [base] [rover] [link] [ground] [controller]   # the true world: see the structs of those names
    [[event]] at_s = 600, do = "radio", …   # see `replay.world.events`
    [[truth]] t = …, rule = …      # what ought to be said, where no event says it
    [[variant]] name = "…"         # the same with other keys over these; its events come after the file's
    without = ["site.base.station_id"]   # keys of the scenario that it is like, taken away; optional
    variants_of = "…"              # the variants of another scenario, over these keys; optional

Tables are laid over one another key by key; a list replaces a list, but a variant's events and truths are added to the
file's. `like` brings no events and no truths. Everything that is wrong in a file is reported at once.
"""

from __future__ import annotations

import copy
import datetime as dt
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import UNSET, Meta, Struct, UnsetType
from witnesspost.replay.world.events import EVENTS, Event, Kind, PlugsSwapped, Seconds, StationAt, StationId
from witnesspost.rules.book.contents import FIGURES
from witnesspost.rules.book.measures import measure_problems
from witnesspost.rules.coordinates import Geodetic
from witnesspost.rules.site.model import Severity, Site, SiteError
from witnesspost.rules.site.reading import site_from_table
from witnesspost.rules.site.tables import nearest, struct_from

FOLDER = Path(__file__).parents[1] / "scenarios"
"""Where the scenarios that come with Witnesspost live: these go by their bare name."""

_IS_A_SITE_FILE = (
    "is a site file, no scenario; `witnesspost watch` takes it, and `witnesspost replay SOURCE --site` plays a source by it"
)


class ScenarioError(Exception):
    """A scenario cannot be used; `problems` holds one line a problem."""

    def __init__(self, path: str | Path, problems: list[str]):
        super().__init__("\n".join(f"{path}: {problem}" for problem in problems))
        self.path = path
        self.problems = problems

    def __reduce__(self) -> tuple[Any, ...]:
        # An exception that crosses to another process is made anew from its arguments.
        return ScenarioError, (self.path, self.problems)


class Messages(Struct, kw_only=True):
    """What the base sends; intervals in seconds, 0 for never. `systems` are letters of RINEX.

    `station` is the message that carries the base's position; 4094 is a maker's own, which its rovers read and nobody else.
    `without` are constellations that somebody on the way leaves out: the one before them still promises more. `also` are
    numbers of messages that come with each epoch and that no rule reads: a network's residuals, a maker's own. Each satellite's
    ephemeris comes every `ephemerides_s`, one after the other.
    """

    observations: bool = True
    kind: Kind = "msm4"
    systems: str = "GREC"
    without: str = ""
    single_frequency: bool = False
    interval_s: Annotated[float, Meta(ge=0.1)] = 1.0
    station: Literal[1005, 1006, 4094] = 1006
    station_s: Seconds = 10.0
    antenna: Literal[1007, 1008, 1033] = 1033
    antenna_s: Seconds = 30.0
    bias_s: Seconds = 30.0
    text_s: Seconds = 0.0
    ephemerides_s: Seconds = 0.0
    also: list[Annotated[int, Meta(ge=1, le=4095)]] = []


class TrueBase(Struct, kw_only=True):
    """The base as it is: what is left out is as the site file says. `latency_s` from an epoch to its first byte.

    `stands_on` is the control point that it really stands on: a service's or a moving base, the project's second one.
    """

    stands_on: str | None = None
    station_id: StationId | None = None
    antenna: str | None = None
    antenna_height_m: float | None = None
    latency_s: Seconds = 0.12


class TrueRover(Struct, kw_only=True):
    """The rover as it is: where it begins (metres from the base), what it says how often, and how its crew works.

    `works` walks and stands all day; otherwise the rover stands where it is. `tilt` is how the pole's tilt is said.
    `says_station` is what it always says for the station that it uses: many receivers put a number of their own there.
    `speaks` is the sentence that carries its position; RMC has neither height nor age nor station.
    """

    east_m: float = 180.0
    north_m: float = -75.0
    position_hz: Literal[1, 5, 10, 20] = 1
    works: bool = False
    tilt: Literal["none", "xdr", "sentence"] = "none"
    satellites_s: Seconds = 5.0
    says_station: Annotated[int, Meta(ge=0, le=9999)] | None = None
    speaks: Literal["gga", "gns", "rmc"] = "gga"
    latency_s: Annotated[float, Meta(ge=0, le=0.5)] = 0.06


class TrueLink(Struct, kw_only=True):
    """The way from base to rover. `fades` come about every `fade_every_s` (0: never) and last 1 to `fade_to_s`.

    `bad_frames_per_min` arrive with a wrong bit; `jitter_s` is how much later than its time on the air bytes come. A modem
    that gathers for `burst_s` hands over what it has all at once.
    """

    air_rate_bps: Annotated[int, Meta(gt=0)] | None = None
    fade_every_s: Seconds = 0.0
    fade_to_s: Annotated[float, Meta(ge=1)] = 3.0
    bad_frames_per_min: Seconds = 0.0
    jitter_s: Seconds = 0.03
    burst_s: Seconds = 0.0


class TrueController(Struct, kw_only=True):
    """The crew's field controller (`replay.world.controller`): it stores so many `points`, and goes on for `after_s` once the
    post is off.

    Its file counts in the project's frame, times `ground_scale` about the grid's origin, turned by `rotation_s` (seconds of
    arc) about the base and moved by `east_m` and `north_m`, in `unit`; heights by its own `geoid` (None: the project's) and the
    `pole_height_m` that was typed (None: the site file's). `times` are local, UTC or GPS time, or none.
    """

    points: Annotated[int, Meta(ge=0)] = 0
    after_s: Seconds = 0.0
    form: Literal["csv", "csv-bare", "csv-semicolon", "csv-tab", "landxml", "geojson"] = "csv"
    unit: Literal["m", "ft", "us-ft"] = "m"
    times: Literal["local", "utc", "gps", "none"] = "local"
    geoid: str | None = None
    pole_height_m: float | None = None
    ground_scale: Annotated[float, Meta(gt=0)] = 1.0
    rotation_s: float = 0.0
    east_m: float = 0.0
    north_m: float = 0.0


class TrueGround(Struct, kw_only=True):
    """The ground as it is, where the site file's numbers are not to say so.

    `marks`: latitude, longitude (degrees) and ellipsoidal height (m) of control points in the frame's GNSS terms, computed
    elsewhere. `geoid_above_m` is how much the geoid of the control's heights lies above the site file's model.
    """

    marks: dict[str, Geodetic] = {}
    geoid_above_m: float = 0.0


class StatedTruth(Struct, kw_only=True):
    """A truth line of the scenario's own; `t` in seconds, `because_of` left out for an alert that sounds."""

    t: Seconds
    rule: str
    within_s: Seconds
    cause: str | list[str] | None = None
    expect: Literal["raised", "cause", "acknowledged", "normal", "cleared"] = "raised"
    because_of: str | None = None
    severity: Severity | UnsetType = UNSET


class Scenario(Struct, kw_only=True):
    """One scenario, whole. `name` is the file's name, with `:variant` where it is one; `site_table` as read."""

    name: str
    note: str
    seed: int
    duration_s: float
    start_utc: dt.datetime
    site: Site
    site_table: dict[str, Any]
    messages: Messages
    base: TrueBase
    rover: TrueRover
    link: TrueLink
    ground: TrueGround
    controller: TrueController
    events: list[Event]
    truths: list[StatedTruth]

    @property
    def is_right_practice(self) -> bool:
        """True of what an experienced crew does rightly: nothing graver than a note may be said, whatever is expected."""
        return self.name.partition(":")[0] == "right-practice"

    @property
    def at_base(self) -> bool:
        """True where the post stands at the base: it hears the base on a wire, not through the air."""
        return self.site.post.role == "base"


class _File(Struct, kw_only=True):
    """A scenario's own keys, for checking; site and events are checked by their own readers."""

    note: str = ""
    seed: int = 1
    duration_s: Annotated[float, Meta(gt=0, le=7 * 86_400)]
    start_utc: dt.datetime = dt.datetime(2026, 6, 15, 8, tzinfo=dt.UTC)
    messages: Messages = msgspec.field(default_factory=Messages)
    base: TrueBase = msgspec.field(default_factory=TrueBase)
    rover: TrueRover = msgspec.field(default_factory=TrueRover)
    link: TrueLink = msgspec.field(default_factory=TrueLink)
    ground: TrueGround = msgspec.field(default_factory=TrueGround)
    controller: TrueController = msgspec.field(default_factory=TrueController)
    truth: list[StatedTruth] = []


def scenarios(source: str | Path) -> list[Scenario]:
    """The scenarios of a file: one, or its variants. `source` is a path or a bare name, `:variant` after it for one.

    Raises ScenarioError with all problems of the file.
    """
    path, variant = _find(str(source))
    table = _read(path)
    variants = _variants(path, table)
    if not isinstance(variants, list) or not all(isinstance(v, dict) and isinstance(v.get("name"), str) for v in variants):
        raise ScenarioError(path, ["variant: expected a list of tables, [[variant]], each with a name"])
    names = [v["name"] for v in variants]
    if len(set(names)) < len(names):
        twice = ", ".join(sorted({name for name in names if names.count(name) > 1}))
        raise ScenarioError(path, [f"variant: {twice} is there more than once; expected once"])
    if variant is not None:
        named = {v["name"]: v for v in variants}
        if variant not in named:
            raise ScenarioError(path, [f"variant {variant!r}: there is none of that name{nearest(variant, named)}"])
        variants = [named[variant]]
    problems: list[str] = []
    found = []
    for part in variants or [{}]:
        over = {key: value for key, value in part.items() if key != "name"}
        for key in ("event", "truth"):
            if key in over and isinstance(table.get(key), list) and isinstance(over[key], list):
                over[key] = table[key] + over[key]
        name = path.stem + (f":{part['name']}" if part else "")
        found.append(_scenario(_over(table, over), name, path, problems))
    if problems:
        raise ScenarioError(path, list(dict.fromkeys(problems)))
    return [scenario for scenario in found if scenario is not None]


def scenario(source: str | Path) -> Scenario:
    """The one scenario of a file without variants, or the variant named. Raises ScenarioError."""
    found = scenarios(source)
    if len(found) != 1:
        names = ", ".join(one.name for one in found)
        raise ScenarioError(source, [f"holds {len(found)} variants; expected one of {names}"])
    return found[0]


def bundled() -> Iterator[Path]:
    """The files of the scenarios that come with Witnesspost, by name."""
    return iter(sorted(FOLDER.glob("*.toml")))


def _find(source: str) -> tuple[Path, str | None]:
    """The file that `source` means, and the variant after its colon."""
    for text, variant in ((source, None), (*source.rpartition(":")[::2],)):
        if not text:
            continue
        for path in (Path(text), FOLDER / f"{text}.toml"):
            if path.is_file():
                return path, variant
    if Path(source).exists():
        raise ScenarioError(source, ["is not a file; name a scenario file (TOML)"])
    known = {path.stem: path for path in bundled()}
    raise ScenarioError(source, [f"there is no such scenario file{nearest(source.partition(':')[0], known)}"])


def _read(path: Path, above: tuple[Path, ...] = ()) -> dict[str, Any]:
    """A scenario file's table, over the one that it is like."""
    try:
        table = tomllib.loads(path.read_bytes().decode())
    except (OSError, UnicodeDecodeError) as error:
        raise ScenarioError(path, [f"cannot be read: {error}; name a scenario file (TOML)"]) from None
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(path, [f"is not TOML: {error}"]) from None
    like = table.pop("like", None)
    if like is None:
        if "site" not in table and ("post" in table or "stream" in table):
            raise ScenarioError(path, [_IS_A_SITE_FILE])
        return table
    if not isinstance(like, str) or path in above:
        raise ScenarioError(path, [f"like: read {like!r}; expected the name of another scenario"])
    lower = _read(_beside(path, like), (*above, path))
    for key in ("event", "truth", "variant", "variants_of", "note"):
        lower.pop(key, None)
    return _over(lower, table)


def _variants(path: Path, table: dict[str, Any]) -> Any:
    """The variants that a scenario's table names and brings, taken out of the table."""
    own, family = table.pop("variant", []), table.pop("variants_of", None)
    if not isinstance(family, str):
        return own
    there = _beside(path, family)
    lent = _variants(there, tomllib.loads(there.read_text()))
    return lent + own if isinstance(lent, list) and isinstance(own, list) else own


def _beside(path: Path, name: str) -> Path:
    """The scenario file of that name, first beside `path`, then among those that come with Witnesspost."""
    beside = path.parent / f"{name}.toml"
    return beside if beside.is_file() else _find(name)[0]


def _over(lower: dict[str, Any], upper: dict[str, Any]) -> dict[str, Any]:
    """`upper` laid over `lower`, table by table; neither is changed."""
    result = copy.deepcopy(lower)
    for key, value in upper.items():
        both = isinstance(value, dict) and isinstance(result.get(key), dict)
        result[key] = _over(result[key], value) if both else copy.deepcopy(value)
    return result


def _scenario(table: dict[str, Any], name: str, path: Path, problems: list[str]) -> Scenario | None:
    before = len(problems)
    for dotted in table.pop("without", []):
        _take_away(table, str(dotted), problems)
    site_table, event_tables = table.pop("site", None), table.pop("event", [])
    read = struct_from(_File, table, "", problems)
    site = None
    if not isinstance(site_table, dict):
        problems.append("site: missing; expected the site file's tables under [site]")
    else:
        _whole_geoid_path(site_table, path)
        try:
            site = site_from_table(site_table, str(path), FIGURES)
            problems += [f"site.{problem}" for problem in measure_problems(site, taken=FIGURES)]
        except SiteError as error:
            problems += [f"site.{problem}" for problem in error.problems]
    events = _events(event_tables, problems)
    if site is not None:
        problems += _contradictions(site, events, read)
    if len(problems) > before or read is None or site is None:
        return None
    start = read.start_utc if read.start_utc.tzinfo else read.start_utc.replace(tzinfo=dt.UTC)
    return Scenario(
        name=name,
        note=read.note,
        seed=read.seed,
        duration_s=read.duration_s,
        start_utc=start.astimezone(dt.UTC).replace(microsecond=0),
        site=site,
        site_table=site_table,
        messages=read.messages,
        base=read.base,
        rover=read.rover,
        link=read.link,
        ground=read.ground,
        controller=read.controller,
        events=events,
        truths=read.truth,
    )


def _whole_geoid_path(site_table: dict[str, Any], path: Path) -> None:
    """A grid is named from the scenario's folder; the tape or log that takes the site along lies somewhere else."""
    project = site_table.get("project")
    named = project.get("geoid") if isinstance(project, dict) else None
    if isinstance(project, dict) and isinstance(named, str) and named != "bundled":
        project["geoid"] = str((path.parent / named).resolve())


def _take_away(table: dict[str, Any], dotted: str, problems: list[str]) -> None:
    *folders, key = dotted.split(".")
    place: Any = table
    for folder in folders:
        place = place.get(folder) if isinstance(place, dict) else None
    if isinstance(place, dict) and key in place:
        del place[key]
    else:
        problems.append(f"without: read {dotted!r}; expected a key of the scenario")


def _events(tables: object, problems: list[str]) -> list[Event]:
    if not isinstance(tables, list):
        problems.append(f"event: read {tables!r}; expected a list of tables, [[event]]")
        return []
    events = []
    for index, table in enumerate(tables, 1):
        where = f"event[{index}]"
        do = table.get("do") if isinstance(table, dict) else None
        if do not in EVENTS:
            problems.append(f"{where}.do: read {do!r}{nearest(str(do), EVENTS)}")
            continue
        event = struct_from(EVENTS[do], {key: value for key, value in table.items() if key != "do"}, where, problems)
        if event is not None:
            events.append(event)
    return sorted(events, key=lambda event: event.at_s)


def _contradictions(site: Site, events: list[Event], read: _File | None) -> list[str]:
    """What no single key shows."""
    problems = []
    streams = {stream.name: stream for stream in site.stream}
    for event in events:
        stream, point = getattr(event, "stream", None), getattr(event, "point", None)
        if stream is not None and stream not in streams:
            problems.append(f"event.stream: {stream!r} is not a stream of the site{nearest(stream, streams)}")
        if point is not None and site.control_point(point) is None:
            problems.append(f"event.point: {point!r} is not a control point of the site")
        if isinstance(event, StationAt) and site.base.kind == "own":
            problems.append('event.do: \'station-at\' with a base of kind "own"; expected "network" or "moving"')
        if isinstance(event, PlugsSwapped) and len(streams) < 2:
            problems.append(
                "event.do: 'plugs-swapped' on a site of one line; expected a line of corrections and one of positions"
            )
        if read is not None and event.at_s > read.duration_s:
            problems.append(f"event.at_s: {event.at_s:g} is after the end at {read.duration_s:g}")
    stands_on = (read.base.stands_on if read is not None else None) or site.base.occupies
    if site.project is None or stands_on is None:
        problems.append("site.base.occupies: missing; the world needs a control point under the base")
    elif site.control_point(stands_on) is None:
        problems.append(f"base.stands_on: {stands_on!r} is not a control point of the site")
    if read is not None and (not read.messages.systems or set(read.messages.systems) - set("GREC")):
        problems.append(f"messages.systems: read {read.messages.systems!r}; expected letters of GREC")
    if read is not None and read.rover.tilt == "sentence" and site.tilt is None:
        problems.append("rover.tilt: read 'sentence', but the site has no [site.tilt]; expected that, or \"xdr\"")
    return problems
