"""The site file's structs: who stands where, on which lines, with which radio, over which mark, and in which datum.

Units are in the key names; angles are degrees; `epoch` is a decimal year. `reading` makes a `Site` of a file.
"""

from __future__ import annotations

import datetime as dt
import functools
import re
import zoneinfo
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

import msgspec
from msgspec import Meta, Struct

# Control characters, and those that turn a line round or break it (Unicode's bidirectional and line separators).
_NOT_ON_A_LINE = r"\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069"


def _on_one_line(least: int, most: int, but: str = "") -> str:
    """The pattern of a text of so many characters that stands on one line, and has none of `but`."""
    return rf"\A[^{but}{_NOT_ON_A_LINE}]{{{least},{most}}}\Z"


Positive = Annotated[float, Meta(gt=0)]
NotNegative = Annotated[float, Meta(ge=0)]
Severity = Literal["stop", "check", "note"]
Role = Literal["base", "rover"]
Vertical = Literal["geoid", "ellipsoidal"]
HeightUnit = Literal["m", "ft", "us-ft"]
Name = Annotated[
    str, Meta(pattern=r"\A[A-Za-z0-9][A-Za-z0-9-]{0,39}\Z", description="a text of up to 40 letters, digits and hyphens")
]
PointName = Annotated[str, Meta(pattern=_on_one_line(1, 100), description="a text of 1 to 100 characters on one line")]
Line = Annotated[str, Meta(pattern=_on_one_line(0, 200), description="a text of up to 200 characters on one line")]
FileName = Annotated[str, Meta(pattern=_on_one_line(1, 1000), description="the name of a file or folder")]
Secret = Annotated[str, Meta(pattern=r"\A[0-9]{6,32}\Z", description="a text of six digits or more", extra={"is_secret": True})]
LOCAL = "local"  # the frame of a site's own grid
FrameCode = Annotated[str, Meta(pattern=_on_one_line(1, 100), description='a frame\'s code such as "EPSG:6319"')]
FieldNumber = Annotated[int, Meta(ge=2, le=100)]
StationId = Annotated[int, Meta(ge=0, le=4095)]
HeightM = Annotated[float, Meta(ge=0, le=100)]


class SiteError(Exception):
    """The site file cannot be used. `problems` holds one line a problem, in the order of the file."""

    def __init__(self, path: str, problems: list[str]):
        super().__init__("\n".join(f"{path}: {problem}" for problem in problems))
        self.problems = problems


class Post(Struct, kw_only=True):
    """The post itself. `log_dir` is relative to the site file; a power cut may cost `commit_s` seconds of raw bytes.

    `time_zone` is an IANA name; None: UTC. `language` is what people read: one of `rules.language.speech.languages`.
    """

    name: Name
    role: Role
    log_dir: FileName = "log"
    commit_s: Annotated[float, Meta(gt=0, le=60)] = 5.0
    keep_days: Annotated[float, Meta(ge=0, le=36525)] = 30.0
    time_zone: str | None = None
    language: str = "en"

    @property
    def zone(self) -> dt.tzinfo:
        """The zone of the times that people read."""
        return zoneinfo.ZoneInfo(self.time_zone) if self.time_zone else dt.UTC


class Stream(Struct, kw_only=True):
    """One serial line. `port` is a device or any other pyserial URL; `carries` says what is expected on it."""

    name: Name
    port: Annotated[str, Meta(pattern=_on_one_line(1, 1000), description="a device such as /dev/ttyUSB0, or a port's URL")]
    baud: Annotated[int, Meta(ge=300, le=4_000_000)] = 38400
    carries: Annotated[list[Literal["corrections", "positions"]], Meta(min_length=1)]


class Control(Struct, kw_only=True):
    """A control point: latitude and longitude (degrees), or easting and northing, and a height, as the project has them.

    On a site's own grid `easting` and `northing` are the site's, and `latitude`, `longitude` and `ellipsoidal_height`
    (metres) what GNSS has for the same mark. `where` is its place in the file, for messages about it.
    """

    name: PointName
    latitude: float | str | None = None
    longitude: float | str | None = None
    easting: float | None = None
    northing: float | None = None
    height: float
    ellipsoidal_height: float | None = None

    where: str = ""


class ControlFile(Struct, kw_only=True):
    """A CSV file of control points; `path` is relative to the site file."""

    path: FileName


class Project(Struct, kw_only=True):
    """The project's datum: what the control's numbers mean. Heights are in `height_unit`, above `vertical`.

    `frame` is "local" for a site's own grid, which is then in `height_unit` too; `gnss_frame` is the frame of the marks'
    latitudes and longitudes, and `vertical` may be None: a plane fitted to the heights takes its place. `geoid` and `grids`
    (a folder of PROJ grids) are relative to the site file.
    """

    name: Line = ""
    frame: FrameCode = "EPSG:6319"
    epoch: Annotated[float, Meta(ge=1980, le=2100)] | None = None
    vertical: Vertical | None = None
    geoid: FileName = "bundled"
    grids: FileName | None = None
    gnss_frame: FrameCode | None = None
    height_unit: HeightUnit = "m"
    control: list[Control] = []
    control_file: list[ControlFile] = []

    @property
    def is_local(self) -> bool:
        """True if the control is on the site's own grid."""
        return self.frame == LOCAL


class Base(Struct, kw_only=True):
    """A base: the point it occupies, its station ID, its antenna and that antenna's height (mark to ARP, metres).

    `kind`: a crew's "own" over a mark, a "network" service's stations, or a "moving" one.
    """

    kind: Literal["own", "network", "moving"] = "own"
    occupies: str | None = None
    station_id: StationId | Annotated[list[StationId], Meta(min_length=1)] | None = None
    antenna_height_m: HeightM = 0.0
    antenna: Line = ""

    where: str = ""

    @property
    def station_ids(self) -> frozenset[int] | None:
        """The station IDs that the base may use; None where the site file names none."""
        if self.station_id is None:
            return None
        return frozenset(self.station_id if isinstance(self.station_id, list) else (self.station_id,))


class Rover(Struct, kw_only=True):
    """The rover: pole height where the positions are the antenna's, 0 where the receiver reduces them itself."""

    pole_height_m: Annotated[float, Meta(ge=0, le=20)] = 2.0


class TiltSentence(Struct, kw_only=True):
    """Where the pole's tilt is said, when not in XDR. Fields count from 1, the address; degrees after `scale`.

    `compensates`: the receiver reduces a leaning pole itself while the sensor is aligned.
    """

    sentence: Annotated[str, Meta(pattern=r"\A[!-~]{3,80}\Z", description="a sentence's first fields, such as PEXMP,TILT")]
    angle_field: FieldNumber | None = None
    scale: float = 1.0
    aligned_field: FieldNumber | None = None
    aligned_value: Line = "1"
    compensates: bool = False


class RadioTable(Struct, kw_only=True):
    """What one radio is set to, as read off its front panel. All optional; what both ends give is compared."""

    frequency_mhz: Positive | None = None
    protocol: Line | None = None
    forward_error_correction: bool | None = None
    air_rate_bps: Annotated[int, Meta(gt=0, le=1_000_000_000)] | None = None
    antenna_above_ground_m: Annotated[float, Meta(ge=0, le=10_000)] | None = None


class Radio(Struct, kw_only=True):
    """The two ends' radio tables."""

    base: RadioTable = msgspec.field(default_factory=RadioTable)
    rover: RadioTable = msgspec.field(default_factory=RadioTable)


class OwnRuleTable(Struct, kw_only=True):
    """One `[[own_rule]]`: one measurement against one bound, in the measurement's own unit."""

    name: Name
    measure: str
    below: float | None = None
    above: float | None = None
    equals: float | None = None
    on_delay_s: NotNegative = 10.0
    off_delay_s: NotNegative = 10.0
    deadband: NotNegative = 0.0
    severity: Severity = "check"
    say: Annotated[str, Meta(pattern=_on_one_line(0, 500), description="a text of up to 500 characters on one line")] = ""

    where: str = ""


class Signal(Struct, kw_only=True):
    """An output: a buzzer or LED on a GPIO `pin` (BCM number), one of the kernel's LEDs by name, or a terminal's bell."""

    kind: Literal["buzzer", "led", "led-class", "bell"]
    pin: Annotated[int, Meta(ge=0, le=53)] | None = None
    led: Annotated[str, Meta(pattern=_on_one_line(1, 100, but="/"), description="a name under /sys/class/leds")] | None = None
    active_high: bool = True

    where: str = ""


class Button(Struct, kw_only=True):
    """A push button to ground on a GPIO `pin` (BCM number): short acknowledges, long shelves for ten minutes."""

    pin: Annotated[int, Meta(ge=0, le=53)]


class Page(Struct, kw_only=True):
    """Where the phone page listens, and the `pin` that it asks for: without one it listens on the loopback alone.

    `certificate` and `key` (PEM, relative to the site file) switch TLS on.
    """

    listen: Annotated[str, Meta(pattern=r"\A\S+:\d{1,5}\Z", description="a text as address:port")] = "127.0.0.1:8017"
    pin: Secret | None = None
    certificate: Annotated[str, Meta(min_length=1)] | None = None
    key: Annotated[str, Meta(min_length=1)] | None = None

    @property
    def host(self) -> str:
        """The address that is listened on."""
        host = self.listen.rpartition(":")[0].removeprefix("[").removesuffix("]")
        if host == "localhost" or (self.pin is None and not self.is_of_loopback):
            return "127.0.0.1"
        return host

    @property
    def port(self) -> int:
        """The port that is listened on."""
        return int(self.listen.rpartition(":")[2])

    @property
    def is_of_loopback(self) -> bool:
        """True where `listen` names an address that only this machine reaches."""
        return _is_of_loopback(self.listen.rpartition(":")[0])


class Office(Struct, kw_only=True):
    """The office's broker (MQTT 5), what the post says to it, and how it shows who it is.

    `password_file` and `ca_file` (PEM) are relative to the site file; without `ca_file` the machine's own authorities are
    trusted. Places finer than 0.01° are said only where it is `precise`. `insecure`: without TLS to another machine.
    """

    broker: Annotated[
        str,
        Meta(
            pattern=r"\Amqtts?://([A-Za-z0-9._-]{1,253}|\[[0-9A-Fa-f:.]{2,45}\])(:[0-9]{1,5})?/?\Z",
            description="a broker's address such as mqtts://broker.example:8883, without a name or password in it",
            extra={"is_secret": True},
        ),
    ]
    user: Line | None = None
    password_file: FileName | None = None
    ca_file: FileName | None = None
    topic: Annotated[
        str,
        Meta(
            pattern=r"\A[A-Za-z0-9_-]{1,40}(/[A-Za-z0-9_-]{1,40}){0,4}\Z",
            description="a topic of letters, digits, - and _, with / between its levels",
        ),
    ] = "witnesspost"
    insecure: bool = False
    precise: bool = False

    @property
    def encrypted(self) -> bool:
        """True where the connection is under TLS."""
        return self.broker.startswith("mqtts:")

    @property
    def host(self) -> str:
        """The broker's name or address."""
        return self._place[0].removeprefix("[").removesuffix("]")

    @property
    def port(self) -> int:
        """Its port: 8883 under TLS and 1883 without, where the address has none (IANA)."""
        return int(self._place[1] or (8883 if self.encrypted else 1883))

    @property
    def is_of_loopback(self) -> bool:
        """True where the broker is on this machine."""
        return _is_of_loopback(self._place[0])

    @property
    def _place(self) -> tuple[str, str]:
        place = self.broker.partition("://")[2].removesuffix("/")
        at = re.fullmatch(r"(\[.*\]|[^:]*)(?::(\d+))?", place)
        return (at[1], at[2] or "") if at is not None else (place, "")


class Site(Struct, kw_only=True, dict=True):
    """A whole site file. `path` is where it was read from; `rules` holds the figures that differ from a rule's own, by rule."""

    post: Post
    stream: list[Stream]
    project: Project | None = None
    base: Base = msgspec.field(default_factory=Base)
    other_base: list[Base] = []
    rover: Rover = msgspec.field(default_factory=Rover)
    tilt: TiltSentence | None = None
    radio: Radio = msgspec.field(default_factory=Radio)
    rules: dict[str, dict[str, Any]] = {}
    own_rule: list[OwnRuleTable] = []
    signal: list[Signal] = []
    button: Button | None = None
    page: Page | None = None
    office: Office | None = None

    no_keys: ClassVar = ("path", "moved")
    path: str = ""
    moved: dict[str, str] = {}
    """Where files that the site file names are now, by name, if not there (a log that was carried to the office)."""

    @property
    def folder(self) -> Path:
        """The folder that relative paths of the site file start from."""
        return Path(self.path).parent if self.path else Path()

    def file(self, name: str) -> Path:
        """Where the file of that name is."""
        return Path(self.moved.get(name, self.folder / name))

    @property
    def bases(self) -> tuple[Base, ...]:
        """The project's bases: `[base]`, then each `[[other_base]]`."""
        return (self.base, *self.other_base)

    def control_point(self, name: str) -> Control | None:
        """The listed control point of that name, or None."""
        return self._control_by_name.get(name)

    @functools.cached_property
    def _control_by_name(self) -> dict[str, Control]:
        points = self.project.control if self.project else []
        return {point.name: point for point in reversed(points)}


def figures_of(site: Site, rule: str, kind: type[Struct]) -> Struct:
    """The rule's figures at this site: its defaults with the site file's own values over them."""
    values = {key: value for key, value in site.rules.get(rule, {}).items() if key != "off"}
    figures: Struct = msgspec.convert(values, kind)
    return figures


def _is_of_loopback(host: str) -> bool:
    """True for a name or address of this machine to itself, an IPv6 one in brackets."""
    return host in ("[::1]", "localhost") or bool(re.fullmatch(r"127\.\d{1,3}\.\d{1,3}\.\d{1,3}", host))
