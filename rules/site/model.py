"""The site file (TOML): who stands where, on which lines, with which radio, over which mark, and in which datum.

`read_site` reports everything that is wrong at once, each problem with its key, what was read and what would do.
Units are in the key names; angles are degrees; `epoch` is a decimal year.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
import types
import typing
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, Struct
from witnesspost.rules.site.renamed import new_name, under_new_names

Positive = Annotated[float, Meta(gt=0)]
NotNegative = Annotated[float, Meta(ge=0)]
Severity = Literal["stop", "check", "note"]
Role = Literal["base", "rover"]
Name = Annotated[str, Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9-]{0,39}$")]


class SiteError(Exception):
    """The site file cannot be used. `problems` holds one line a problem, in the order of the file."""

    def __init__(self, path: str, problems: list[str]):
        super().__init__("\n".join(f"{path}: {problem}" for problem in problems))
        self.problems = problems


class Post(Struct, kw_only=True):
    """The post itself. `log_dir` is relative to the site file; `commit_s` is the most raw that a power cut may cost."""

    name: Name
    role: Role
    log_dir: str = "log"
    commit_s: Annotated[float, Meta(gt=0, le=60)] = 5.0
    keep_days: NotNegative = 30.0


class Stream(Struct, kw_only=True):
    """One serial line. `port` is any pyserial URL; `carries` says what is expected on it."""

    name: Name
    port: Annotated[str, Meta(min_length=1)]
    baud: Annotated[int, Meta(ge=300, le=4_000_000)] = 38400
    carries: Annotated[list[Literal["corrections", "positions"]], Meta(min_length=1)]


class Control(Struct, kw_only=True):
    """A control point in the project's frame: latitude and longitude (degrees), or easting and northing."""

    name: Annotated[str, Meta(min_length=1)]
    latitude: float | str | None = None
    longitude: float | str | None = None
    easting: float | None = None
    northing: float | None = None
    height: float


class Project(Struct, kw_only=True):
    """The project's datum: what the control's numbers mean. Heights are in `height_unit`, above `vertical`."""

    name: str = ""
    frame: Annotated[str, Meta(min_length=1)] = "EPSG:6319"
    epoch: Annotated[float, Meta(ge=1980, le=2100)] | None = None
    vertical: Literal["geoid", "ellipsoidal"] = "geoid"
    geoid: Annotated[str, Meta(min_length=1)] = "bundled"
    height_unit: Literal["m", "ft", "us-ft"] = "m"
    control: list[Control] = []


class Base(Struct, kw_only=True):
    """The base: the point it occupies, its station ID, its antenna and that antenna's height (mark to ARP, metres)."""

    occupies: str | None = None
    station_id: Annotated[int, Meta(ge=0, le=4095)] | None = None
    antenna_height_m: Annotated[float, Meta(ge=0, le=100)] = 0.0
    antenna: str = ""


class Rover(Struct, kw_only=True):
    """The rover: pole height where the positions are the antenna's, 0 where the receiver reduces them itself."""

    pole_height_m: Annotated[float, Meta(ge=0, le=20)] = 2.0


class TiltSentence(Struct, kw_only=True):
    """Where the pole's tilt is said, when not in XDR. Fields count from 1, the address; degrees after `scale`."""

    sentence: Annotated[str, Meta(min_length=3)]
    angle_field: Annotated[int, Meta(ge=2)] | None = None
    scale: float = 1.0
    aligned_field: Annotated[int, Meta(ge=2)] | None = None
    aligned_value: str = "1"


class RadioSheet(Struct, kw_only=True):
    """What one radio is set to, as read off its front panel. All optional; what both ends name is compared."""

    frequency_mhz: Positive | None = None
    protocol: str | None = None
    forward_error_correction: bool | None = None
    air_rate_bps: Annotated[int, Meta(gt=0)] | None = None
    antenna_above_ground_m: NotNegative | None = None


class Radio(Struct, kw_only=True):
    """The two ends' radio tables."""

    base: RadioSheet = msgspec.field(default_factory=RadioSheet)
    rover: RadioSheet = msgspec.field(default_factory=RadioSheet)


class OwnRule(Struct, kw_only=True):
    """The crew's own rule: one measurement against one bound, in the measurement's own unit."""

    name: Name
    measure: str
    below: float | None = None
    above: float | None = None
    equals: float | None = None
    on_delay_s: NotNegative = 10.0
    off_delay_s: NotNegative = 10.0
    deadband: NotNegative = 0.0
    severity: Severity = "check"
    say: str = ""


class Signal(Struct, kw_only=True):
    """An output: a buzzer or LED on a GPIO `pin` (BCM number), an LED of the kernel's by `led`, or the bench's bell."""

    kind: Literal["buzzer", "led", "led-class", "bell"]
    pin: Annotated[int, Meta(ge=0, le=53)] | None = None
    led: str | None = None
    active_high: bool = True


class Button(Struct, kw_only=True):
    """A push button to ground on a GPIO `pin` (BCM number): short acknowledges, long shelves for ten minutes."""

    pin: Annotated[int, Meta(ge=0, le=53)]


class Page(Struct, kw_only=True):
    """Where the phone page listens."""

    listen: Annotated[str, Meta(pattern=r"^\S+:\d{1,5}$")] = "127.0.0.1:8017"


class Site(Struct, kw_only=True):
    """A whole site file. `path` is where it was read from; `rules` holds each rule's figures that differ."""

    post: Post
    stream: list[Stream]
    project: Project | None = None
    base: Base = msgspec.field(default_factory=Base)
    rover: Rover = msgspec.field(default_factory=Rover)
    tilt: TiltSentence | None = None
    radio: Radio = msgspec.field(default_factory=Radio)
    rules: dict[str, dict[str, Any]] = {}
    own_rule: list[OwnRule] = []
    signal: list[Signal] = []
    button: Button | None = None
    page: Page | None = None

    path: str = ""
    moved: dict[str, str] = {}
    """Files that the site names and that lie elsewhere now (a log that was carried to the office): where, by name."""

    @property
    def folder(self) -> Path:
        """The folder that relative paths of the site file start from."""
        return Path(self.path).parent if self.path else Path()

    def file(self, name: str) -> Path:
        """Where the file lies that the site names so."""
        return Path(self.moved.get(name, self.folder / name))

    def control_point(self, name: str) -> Control | None:
        """The listed control point of that name, or None."""
        points = self.project.control if self.project else []
        return next((point for point in points if point.name == name), None)


_WRITTEN_BY_US = {"path", "moved"}
_SEXAGESIMAL = re.compile(
    r"^\s*(?P<sign>[+-]?)(?P<d>\d{1,3})(?:[\s°:d]+(?P<m>\d{1,2}(?:\.\d+)?))?(?:[\s'′:m]+(?P<s>\d{1,2}(?:\.\d+)?))?"
    r"[\s\"″s]*(?P<h>[NSEWnsew]?)\s*$"
)


def degrees(value: float | str) -> float:
    """Decimal degrees of a number or of sexagesimal text such as "39 07 24.4441 N"; ValueError where it is neither."""
    if not isinstance(value, str):
        return float(value)
    try:
        return float(value)
    except ValueError:
        pass
    match = _SEXAGESIMAL.match(value)
    if not match or (match["sign"] and match["h"]):
        raise ValueError(f"{value!r} is no angle")
    minutes, seconds = float(match["m"] or 0), float(match["s"] or 0)
    if minutes >= 60 or seconds >= 60:
        raise ValueError(f"{value!r} has 60 minutes or seconds, or more")
    angle = int(match["d"]) + minutes / 60 + seconds / 3600
    return -angle if match["sign"] == "-" or match["h"].upper() in ("S", "W") else angle


def read_site(path: str | Path, figures: Mapping[str, type[Struct]] | None = None) -> Site:
    """The site file at `path`; `figures` are the rules' own structs by rule name. Raises SiteError with all problems."""
    try:
        text = Path(path).read_bytes().decode()
    except OSError as error:
        raise SiteError(str(path), [f"cannot be read: {error.strerror}; name a site file"]) from None
    except UnicodeDecodeError:
        raise SiteError(str(path), ["is no text in UTF-8; name a site file (TOML)"]) from None
    return site_from_toml(text, str(path), figures)


def site_from_toml(
    text: str, path: str = "", figures: Mapping[str, type[Struct]] | None = None, *, recorded: bool = False
) -> Site:
    """The site file whose text this is, read as `read_site` reads it; `path` names it in problems.

    `recorded` is as in `site_from_table`.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SiteError(path, [f"is no TOML: {error}"]) from None
    except RecursionError:
        raise SiteError(path, ["is nested too deeply to be a site file"]) from None
    return site_from_table(table, path, figures, recorded=recorded)


def site_from_table(
    table: dict[str, Any], path: str = "", figures: Mapping[str, type[Struct]] | None = None, *, recorded: bool = False
) -> Site:
    """The site that a parsed table says (a scenario carries one), checked as `read_site` checks it.

    `recorded`: it is the copy in a log or a tape, whose keys may have the names that they had when it was written.
    """
    if recorded and isinstance(table.get("rules"), dict):
        table = {**table, "rules": under_new_names(table["rules"])}
    problems: list[str] = []
    site = struct_from(Site, table, "", problems)
    if figures is not None:
        for name, values in (table.get("rules") or {}).items() if isinstance(table.get("rules"), dict) else ():
            if name not in figures:
                problems.append(f"rules.{name}: there is no such rule{nearest(name, figures)}")
            elif isinstance(values, dict):
                wanted = {key: value for key, value in values.items() if key != "off"}
                if not isinstance(values.get("off", False), bool):
                    problems.append(f"rules.{name}.off: read {values['off']!r}; true or false would do")
                struct_from(figures[name], wanted, f"rules.{name}", problems)
    readable = site if isinstance(site, Site) else _readable_part(table)
    if readable is not None:
        problems += _contradictions(readable)
        if readable.base.occupies is not None and "antenna_height_m" not in table["base"]:
            problems.append("base.antenna_height_m: missing; metres from the mark up to the ARP would do, 0 on the mark")
    if problems or not isinstance(site, Site):
        raise SiteError(path, problems)
    site.path = path
    return site


def _readable_part(table: dict[str, Any]) -> Site | None:
    """The site without what cannot be read of it, so that what contradicts itself is found in the same run."""
    stand_in = {"post": {"name": "unreadable", "role": "base"}}
    streams = table.get("stream") if isinstance(table.get("stream"), list) else [{}]
    site = struct_from(Site, {**table, **stand_in, "stream": streams}, "", [])
    if isinstance(site, Site) and not site.stream and streams:
        site.stream.append(Stream(name="unreadable", port="loop://", carries=["corrections"]))
    return site if isinstance(site, Site) else None


def figures_of(site: Site, rule: str, kind: type[Struct]) -> Struct:
    """The rule's figures at this site: its defaults with the site file's own values over them."""
    values = {key: value for key, value in site.rules.get(rule, {}).items() if key != "off"}
    figures: Struct = msgspec.convert(values, kind)
    return figures


def struct_from(kind: type[Struct], table: object, where: str, problems: list[str]) -> Any:
    """`table` as a `kind`; whatever is wrong in it is added to `problems`, named from `where` (the table's key).

    With problems, what could be read of it, or None where something that it must have could not.
    """
    if not isinstance(table, dict):
        problems.append(f"{where}: read {table!r}; a table would do")
        return None
    fields = {f.name: f for f in msgspec.structs.fields(kind) if f.name not in _WRITTEN_BY_US}
    values: dict[str, Any] = {}
    for key, value in table.items():
        here = f"{where}.{key}" if where else key
        if key not in fields:
            now = new_name(here)
            problems.append(f"{here} is called {now} now" if now else f"{here}: unknown key{nearest(key, fields)}")
        elif (read := _value(fields[key].type, value, here, problems)) is not None:
            values[key] = read
    for name, f in fields.items():
        if f.required and name not in table:
            problems.append(f"{where + '.' if where else ''}{name}: missing; {_would_do(f.type)}")
    return kind(**values) if all(name in values for name, f in fields.items() if f.required) else None


def _value(wanted: Any, value: object, where: str, problems: list[str]) -> Any:
    inner = _struct_in(wanted)
    if inner is not None and typing.get_origin(wanted) is list:
        if not isinstance(value, list):
            problems.append(f"{where}: read {value!r}; a list of tables, [[{where}]], would do")
            return None
        read = [struct_from(inner, item, f"{where}[{index}]", problems) for index, item in enumerate(value, 1)]
        return [item for item in read if item is not None]
    if inner is not None:
        return struct_from(inner, value, where, problems)
    try:
        if isinstance(value, float) and not math.isfinite(value):
            raise msgspec.ValidationError
        return msgspec.convert(value, wanted)
    except msgspec.ValidationError:
        problems.append(f"{where}: read {value!r}; {_would_do(wanted)}")
        return None


def _struct_in(wanted: Any) -> type[Struct] | None:
    """The struct that an annotation holds, plainly, in a list or as an option."""
    if isinstance(wanted, type) and issubclass(wanted, Struct):
        return wanted
    if typing.get_origin(wanted) in (list, typing.Union, types.UnionType):
        return next((found for part in typing.get_args(wanted) if (found := _struct_in(part))), None)
    return None


def _would_do(wanted: Any) -> str:
    """What a value of this annotation must be, in words."""
    return f"{_words(wanted)} would do"


def _words(wanted: Any) -> str:
    origin, parts = typing.get_origin(wanted), typing.get_args(wanted)
    if origin is Annotated:
        bounds = next(part for part in parts[1:] if isinstance(part, Meta))
        said = [
            f"{sign} {bound:.10g}"
            for sign, bound in (("over", bounds.gt), ("from", bounds.ge), ("to", bounds.le), ("under", bounds.lt))
            if bound is not None
        ]
        if bounds.pattern:
            said.append("of up to 40 letters, digits and hyphens" if wanted is Name else "as host:port")
        return " ".join([_words(parts[0]), *said])
    if origin is Literal:
        return " or ".join(f'"{part}"' for part in parts)
    if origin is list:
        return f"a list of {_words(parts[0])}"
    if origin in (typing.Union, types.UnionType):
        return " or ".join(_words(part) for part in parts if part is not type(None))
    if _struct_in(wanted):
        return "a table"
    return {float: "a number", int: "a whole number", str: "a text", bool: "true or false"}.get(wanted, str(wanted))


def nearest(key: str, known: Mapping[str, object]) -> str:
    """The end of a line about an unknown name: the known ones that look like it, or all of them."""
    near = difflib.get_close_matches(key, list(known), 3)
    return f"; did you mean {' or '.join(near)}?" if near else f"; known here: {', '.join(known)}"


def _contradictions(site: Site) -> list[str]:
    """What no single key shows: things that cannot be together."""
    problems: list[str] = []
    if not site.stream:
        problems.append("stream: none; at least one [[stream]] with name, port and carries would do")
    for what, names in (
        ("stream", [stream.name for stream in site.stream]),
        ("stream port", [stream.port for stream in site.stream if stream.port != "loop://"]),
        ("project.control", [point.name for point in site.project.control] if site.project else []),
        ("own_rule", [rule.name for rule in site.own_rule]),
    ):
        for name in sorted({name for name in names if names.count(name) > 1}):
            problems.append(f"{what}: {name!r} stands {names.count(name)} times; once would do")
    for index, rule in enumerate(site.own_rule, 1):
        if sum(bound is not None for bound in (rule.below, rule.above, rule.equals)) != 1:
            problems.append(f"own_rule[{index}]: {rule.name!r} needs exactly one of below, above, equals")
    for index, signal in enumerate(site.signal, 1):
        if signal.kind in ("buzzer", "led") and signal.pin is None:
            problems.append(f"signal[{index}].pin: missing; a {signal.kind} needs the GPIO number (BCM)")
        if signal.kind == "led-class" and not signal.led:
            problems.append(f"signal[{index}].led: missing; a name under /sys/class/leds would do")
    pins = [s.pin for s in site.signal if s.pin is not None] + ([site.button.pin] if site.button else [])
    for pin in sorted({pin for pin in pins if pins.count(pin) > 1}):
        problems.append(f"signal: GPIO {pin} is used {pins.count(pin)} times; one use would do")
    if site.tilt and site.tilt.angle_field is None and site.tilt.aligned_field is None:
        problems.append("tilt: neither angle_field nor aligned_field; at least one would do")
    return problems + _control_problems(site)


def _control_problems(site: Site) -> list[str]:
    problems: list[str] = []
    for index, point in enumerate(site.project.control if site.project else [], 1):
        where = f"project.control[{index}] ({point.name})"
        angles = (point.latitude is not None, point.longitude is not None)
        lengths = (point.easting is not None, point.northing is not None)
        if not (all(angles) and not any(lengths)) and not (all(lengths) and not any(angles)):
            problems.append(f"{where}: either latitude and longitude, or easting and northing, would do")
            continue
        for key, value, bound in (("latitude", point.latitude, 90.0), ("longitude", point.longitude, 180.0)):
            if value is None:
                continue
            try:
                angle = degrees(value)
            except ValueError as error:
                problems.append(f'{where}.{key}: {error}; 39.1234567 or "39 07 24.4441 N" would do')
                continue
            wrong_letters = "EW" if key == "latitude" else "NS"
            if isinstance(value, str) and value.strip()[-1:].upper() in wrong_letters:
                problems.append(f"{where}.{key}: read {value!r}; it ends in a letter of the other axis")
            elif not -bound <= angle <= bound:
                problems.append(f"{where}.{key}: read {value!r}; −{bound:g} to {bound:g} degrees would do")
        if not -1_000 <= point.height <= 30_000:
            problems.append(f"{where}.height: read {point.height!r}; no such height on land")
    if site.base.occupies is not None and site.control_point(site.base.occupies) is None:
        listed = [point.name for point in site.project.control] if site.project else []
        problems.append(
            f"base.occupies: {site.base.occupies!r} is no listed control point; "
            + (f"one of {', '.join(listed)} would do" if listed else "list it under [[project.control]]")
        )
    return problems
