"""What is known now, for the rules that need each other's facts: the latest of everything, by stream or station."""

from __future__ import annotations

import datetime as dt
import math

from witnesspost.rules.coordinates import Ecef
from witnesspost.rules.facts import Antenna, Epoch, Fact, Fix, Planned, Port, Station, Traffic, Utc
from witnesspost.rules.gnss import GRS80, FixQuality
from witnesspost.rules.site.model import Site

LEFT_S = 3.0  # a station silent for so long has left the line to another
_INTERVALS_KEPT = 15


class Scene:
    """The state of the lines, kept by the engine before any rule sees a fact. Nothing here judges."""

    def __init__(self, site: Site, began_t: float = 0.0):
        self.site = site
        self.began_t = began_t
        self.correction_streams = [s.name for s in site.stream if "corrections" in s.carries]
        self.position_streams = [s.name for s in site.stream if "positions" in s.carries]
        self.fix: Fix | None = None
        self.first_fixed_at: float | None = None
        self.stations: dict[int, Station] = {}
        self.antennas: dict[int, Antenna] = {}
        self.ports: dict[str, Port] = {}
        self.last_epoch: dict[str, Epoch] = {}
        self.last_any_epoch: dict[str, Epoch] = {}
        self._adopted: Epoch | None = None  # the last epoch of the station that is ours where the site names none
        self.utc: Utc | None = None
        self.planned_until = -math.inf
        self.standing: set[str] = set()  # names of the rules whose alerts stand, kept by the engine
        self._intervals: dict[str, list[float]] = {}
        self._usual_s: dict[str, float] = {}

    def see(self, fact: Fact) -> None:
        """Take in one fact."""
        kind = type(fact)
        if kind is Traffic:
            return
        if isinstance(fact, Fix):
            self.fix = fact
            if fact.quality == FixQuality.RTK_FIXED and self.first_fixed_at is None:
                self.first_fixed_at = fact.t
        elif isinstance(fact, Epoch):
            self.last_any_epoch[fact.stream] = fact
            self._adopt(fact)
            if self.is_ours(fact.station_id):
                before = self.last_epoch.get(fact.stream)
                if before is not None:
                    gaps = self._intervals.setdefault(fact.stream, [])
                    gaps.append(fact.t - before.t)
                    del gaps[:-_INTERVALS_KEPT]
                    self._usual_s[fact.stream] = sorted(gaps)[len(gaps) // 2]
                self.last_epoch[fact.stream] = fact
        elif isinstance(fact, Station):
            self.stations[fact.station_id] = fact
        elif isinstance(fact, Antenna):
            self.antennas[fact.station_id] = fact
        elif isinstance(fact, Port):
            self.ports[fact.stream] = fact
        elif isinstance(fact, Utc):
            self.utc = fact
        elif isinstance(fact, Planned):
            self.planned_until = fact.t + fact.for_s

    def is_ours(self, station_id: int) -> bool:
        """True if this is the project's station.

        Where the site file names none, that is the first one heard; another, once that one has been silent for `LEFT_S` (or
        one and a half of its intervals).
        """
        if self.site.base.station_id is not None:
            return station_id == self.site.base.station_id
        return self._adopted is None or station_id == self._adopted.station_id

    def _adopt(self, epoch: Epoch) -> None:
        ours = self._adopted
        if ours is not None and epoch.station_id != ours.station_id:
            left_s = max(LEFT_S, 1.5 * (self.interval_s(ours.stream) or 0.0))
            if epoch.t - ours.t <= left_s:
                return
        self._adopted = epoch

    def station(self) -> Station | None:
        """The project's station as last broadcast (where the site file names none: the only one heard)."""
        if self.site.base.station_id is not None:
            return self.stations.get(self.site.base.station_id)
        return next(iter(self.stations.values())) if len(self.stations) == 1 else None

    def interval_s(self, stream: str) -> float | None:
        """The usual time between usable correction epochs on the line: the median of the last ones."""
        return self._usual_s.get(stream)

    def utc_at(self, t: float) -> dt.datetime | None:
        """UTC of the instant `t`, by the receivers' word; None while none has said it."""
        return self.utc.utc + dt.timedelta(seconds=t - self.utc.t) if self.utc else None

    def distance_km(self) -> float | None:
        """Rover to base, straight (chord), from the rover's last position and the base's broadcast one."""
        fix, station = self.fix, self.station()
        if fix is None or station is None or fix.latitude is None or fix.longitude is None:
            return None
        at = _rough_ecef(fix.latitude, fix.longitude, fix.height_m or 0.0)
        return math.dist(at, (station.x_m, station.y_m, station.z_m)) / 1000.0


def _rough_ecef(latitude: float, longitude: float, height_m: float) -> Ecef:
    """ECEF metres on the GRS 80 ellipsoid (IOGP 373-7-2, method 9602): for distances only; judgement is PROJ's."""
    a, f = GRS80.a_m, 1 / GRS80.inverse_flattening
    e2 = f * (2 - f)
    phi, lam = math.radians(latitude), math.radians(longitude)
    n = a / math.sqrt(1 - e2 * math.sin(phi) ** 2)
    horizontal = (n + height_m) * math.cos(phi)
    return Ecef(horizontal * math.cos(lam), horizontal * math.sin(lam), (n * (1 - e2) + height_m) * math.sin(phi))
