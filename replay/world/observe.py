"""What a receiver measures of the invented sky: pseudorange, phase, rate, C/N0 and lock time, by satellite and signal.

A pseudorange is geometry, plus one receiver clock that all satellites share, plus noise; a phase range is the same
geometry and clock plus a whole number of wavelengths and less noise. There is no atmosphere, so a plain single-point
solution of the pseudoranges gives the receiver's place back. Everything random follows from the seed and from `t_s`.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from functools import lru_cache

import msgspec
from witnesspost.replay.world.sky import GLONASS_CHANNELS, SPEED_OF_LIGHT_M_S, Sky, Vector, local_axes, look
from witnesspost.rules.coordinates import Ecef

FREQUENCY_MHZ = {
    "G": {"1": 1575.42, "2": 1227.60, "5": 1176.45},
    "R": {"1": 1602.0, "2": 1246.0},
    "E": {"1": 1575.42, "5": 1176.45, "6": 1278.75, "7": 1207.14, "8": 1191.795},
    "C": {"1": 1575.42, "2": 1561.098, "5": 1176.45, "6": 1268.52, "7": 1207.14},
}
"""Carrier by constellation and band, the first character of a RINEX observation code (RINEX 3.05, tables 4 to 9, from
memory). GLONASS moves by 9/16 MHz (band 1) and 7/16 MHz (band 2) a channel."""

SIGNALS = {"G": ("1C", "2W"), "R": ("1C", "2C"), "E": ("1C", "7Q"), "C": ("2I", "6I")}
"""The signals that a receiver tracks unless told otherwise: two of each constellation, as most base stations send."""

WEAKEST_DB_HZ = 26.0
"""A signal that falls below this is lost and comes back 2 dB above it (common practice, no source)."""

_KNOT_S = 30.0
_SLIPS_BELOW_DEG = 20.0
_SEARCH_S = 8.0
_ON_BEFORE_S = 1500.0
# The receiver was on before the first epoch, and has held most of its satellites for minutes.
_PART_GPS = frozenset({"5Q", "5I", "5X", "1L", "1X"})
# At the horizon and at the zenith, dB-Hz, by what the signal carries: open codes are stronger than those tracked
# without their key (common practice, no source).
_LEVEL_DB_HZ = {"2W": (22.0, 47.0), "1W": (22.0, 47.0), "5": (35.0, 53.0)}
_USUAL_DB_HZ = (33.0, 50.0)
_NOISE_SIZE = 1 << 15


class Signal(msgspec.Struct, gc=False):
    """One signal of one satellite: RINEX code such as "1C", metres, metres a second, dB-Hz, seconds of lock."""

    code: str
    pseudorange_m: float
    phase_m: float
    rate_m_s: float
    cn0_db_hz: float
    lock_s: float
    wavelength_m: float


class Observation(msgspec.Struct, gc=False):
    """One satellite at one epoch. `channel` is GLONASS's frequency channel (-7 to 6), None for the others."""

    system: str
    prn: int
    azimuth_deg: float
    elevation_deg: float
    channel: int | None
    signals: list[Signal]


class Observer:
    """A receiver's antenna in `ecef_m` under `sky`, tracking `signals` above `mask_deg`; call `observe` in time order.

    `seed` decides noise, clock, levels and ambiguities: base and rover under one sky take different seeds. `noise`
    scales the measurements' noise, 0 for none.
    """

    def __init__(
        self,
        sky: Sky,
        ecef_m: Ecef,
        seed: int,
        *,
        mask_deg: float = 10.0,
        signals: Mapping[str, tuple[str, ...]] = SIGNALS,
        noise: float = 1.0,
    ) -> None:
        for system, codes in signals.items():
            for code in codes:
                if code[0] not in FREQUENCY_MHZ[system]:
                    raise ValueError(f"constellation {system} has no signal {code}")
        self.sky = sky
        self.ecef_m = ecef_m
        self.mask_deg = mask_deg
        self._seed = seed
        self._signals = signals
        self._gauss = _gauss_table(seed, noise)
        self._clock_phase = random.Random(f"{seed} clock").uniform(0, math.tau)
        self._channels: dict[tuple[str, int], list[_Channel]] = {}
        self._tracks: list[_Track] = []
        self._knot: int | None = None
        self._knot_ecef_m = ecef_m
        self._seen: dict[int, tuple[Vector, Vector]] = {}
        self._below_until: dict[int, int] = {}
        self._last_s: float | None = None

    def move(self, ecef_m: Ecef) -> None:
        """Takes the antenna to another place; from the next epoch on the ranges are those from there."""
        self.ecef_m = ecef_m

    def clock_m(self, t_s: float) -> float:
        """The receiver clock's error as a distance: it wanders within 75 m (0.25 µs), as a steered clock does."""
        return 75.0 * math.sin(math.tau * t_s / 5400.0 + self._clock_phase)

    def observe(
        self,
        t_s: float,
        *,
        cn0_offset_db: float | Mapping[str, float] = 0.0,
        horizon_deg: Callable[[float], float] | None = None,
    ) -> list[Observation]:
        """All that is tracked at `t_s`, in the order of system (G R E C) and number.

        `cn0_offset_db` is added to every level, or by constellation letter: what falls too low is lost.
        `horizon_deg` gives, by azimuth in degrees, the elevation below which something stands in the way.
        """
        knot = math.floor(t_s / _KNOT_S)
        if knot != self._knot or math.dist(self.ecef_m, self._knot_ecef_m) > 100.0:
            self._begin(knot, t_s)
        unseen_s = _ON_BEFORE_S if self._last_s is None else t_s - self._last_s
        self._last_s = t_s
        rx, ry, rz = self.ecef_m
        tau = t_s - knot * _KNOT_S
        clock_m = self.clock_m(t_s)
        clock_rate = 75.0 * math.tau / 5400.0 * math.cos(math.tau * t_s / 5400.0 + self._clock_phase)
        draw = _scatter(self._seed, round(t_s * 1000))
        gauss = self._gauss
        offsets = cn0_offset_db if isinstance(cn0_offset_db, Mapping) else None
        offset = 0.0 if offsets is not None else float(cn0_offset_db)  # type: ignore[arg-type]
        out = []
        for track in self._tracks:
            if not track.from_s <= t_s < track.until_s:
                continue
            if horizon_deg is not None and track.elevation_deg < horizon_deg(track.azimuth_deg):
                for channel in track.channels:
                    channel.lose()
                continue
            if offsets is not None:
                offset = offsets.get(track.system, 0.0)
            x0, x1, x2, x3, y0, y1, y2, y3, z0, z1, z2, z3 = track.curve
            dx = ((x3 * tau + x2) * tau + x1) * tau + x0 - rx
            dy = ((y3 * tau + y2) * tau + y1) * tau + y0 - ry
            dz = ((z3 * tau + z2) * tau + z1) * tau + z0 - rz
            range_m = math.sqrt(dx * dx + dy * dy + dz * dz)
            rate = (
                dx * ((3.0 * x3 * tau + 2.0 * x2) * tau + x1)
                + dy * ((3.0 * y3 * tau + 2.0 * y2) * tau + y1)
                + dz * ((3.0 * z3 * tau + 2.0 * z2) * tau + z1)
            ) / range_m + clock_rate
            range_m += clock_m
            code_noise_m, phase_noise_m = track.code_noise_m, track.phase_noise_m
            signals = []
            for channel in track.channels:
                level = channel.level + channel.slope * tau + offset
                locked_at = channel.locked_at_s
                if locked_at is None:
                    if level < WEAKEST_DB_HZ + 2.0:
                        channel.lose()
                        continue
                    locked_at = channel.search(t_s, unseen_s)
                    if locked_at is None:
                        continue
                elif level < WEAKEST_DB_HZ:
                    channel.lose()
                    continue
                signals.append(
                    Signal(
                        channel.code,
                        range_m + code_noise_m * gauss[draw],
                        range_m + channel.ambiguity_m + phase_noise_m * gauss[draw + 1],
                        rate + 0.01 * gauss[draw + 2],
                        level + 0.25 * gauss[draw + 3],
                        t_s - locked_at,
                        channel.wavelength_m,
                    )
                )
                draw += 4
            if signals:
                out.append(Observation(track.system, track.prn, track.azimuth_deg, track.elevation_deg, track.channel, signals))
        return out

    def _begin(self, knot: int, t_s: float) -> None:
        """Lays the curves of the half minute that begins at `knot`, through exact places and velocities at its ends."""
        sky, ecef_m = self.sky, self.ecef_m
        axes = local_axes(ecef_m)
        start, end = knot * _KNOT_S, (knot + 1) * _KNOT_S
        if math.dist(ecef_m, self._knot_ecef_m) > 100.0:
            self._below_until.clear()
        seen_before = self._seen if ecef_m == self._knot_ecef_m and knot - 1 == self._knot else {}
        self._seen = {}
        tracks = []
        for index, orbit in enumerate(sky.orbits):
            codes = self._signals.get(orbit.system, ())
            if not codes or knot < self._below_until.get(index, knot):
                continue
            here, here_rate = seen_before.get(index) or sky.seen(index, start, ecef_m)
            azimuth, elevation, _range = look(ecef_m, axes, here)
            if elevation < self.mask_deg - 1.0:
                # No satellite climbs a degree in half a minute: it stays below, the longer the deeper it is.
                self._below_until[index] = knot + int(self.mask_deg - elevation)
                self._channels.pop((orbit.system, orbit.prn), None)
                continue
            there, there_rate = self._seen[index] = sky.seen(index, end, ecef_m)
            _azimuth, later, _range = look(ecef_m, axes, there)
            if elevation < self.mask_deg and later < self.mask_deg:
                self._channels.pop((orbit.system, orbit.prn), None)
                continue
            from_s, until_s = start, end
            if elevation < self.mask_deg <= later:
                from_s = start + _KNOT_S * (self.mask_deg - elevation) / (later - elevation)
            elif later < self.mask_deg <= elevation:
                until_s = start + _KNOT_S * (self.mask_deg - elevation) / (later - elevation)
            channels = self._channels.get((orbit.system, orbit.prn))
            if channels is None:
                channels = [
                    _Channel(self._seed, orbit.system, orbit.prn, code)
                    for code in codes
                    if orbit.system != "G" or code not in _PART_GPS or orbit.prn % 3 != 0
                ]
                self._channels[orbit.system, orbit.prn] = channels
            low = max(elevation, later) < _SLIPS_BELOW_DEG
            for channel in channels:
                channel.set_level(start, elevation, later, low)
            noise = 1.0 / max(math.sin(math.radians(max(elevation, later))), 0.1)
            curve = tuple(
                c
                for p, v, p_end, v_end in zip(here, here_rate, there, there_rate, strict=True)
                for c in _hermite(p, v, p_end, v_end)
            )
            tracks.append(
                _Track(
                    orbit.system,
                    orbit.prn,
                    azimuth,
                    max(elevation, self.mask_deg),
                    GLONASS_CHANNELS[orbit.prn - 1] if orbit.system == "R" else None,
                    channels,
                    from_s,
                    until_s,
                    curve,
                    0.12 + 0.10 * noise,
                    0.0008 + 0.0006 * noise,
                )
            )
        self._tracks, self._knot, self._knot_ecef_m = tracks, knot, ecef_m


class _Track(msgspec.Struct, gc=False):
    """One satellite over one stretch of half a minute."""

    system: str
    prn: int
    azimuth_deg: float
    elevation_deg: float
    channel: int | None
    channels: list[_Channel]
    from_s: float
    until_s: float
    curve: tuple[float, ...]
    code_noise_m: float
    phase_noise_m: float


class _Channel:
    """One signal of one satellite in this receiver: how strong it is now, since when it is locked, on which cycle."""

    __slots__ = (
        "_ends",
        "_found_at_s",
        "_random",
        "_wave",
        "ambiguity_m",
        "code",
        "level",
        "locked_at_s",
        "slope",
        "wavelength_m",
    )

    def __init__(self, seed: int, system: str, prn: int, code: str) -> None:
        self.code = code
        self.wavelength_m = SPEED_OF_LIGHT_M_S / (1e6 * _carrier_mhz(system, prn, code))
        self.locked_at_s: float | None = None
        self.ambiguity_m = 0.0
        self.level = self.slope = 0.0
        self._found_at_s: float | None = None
        self._random = r = random.Random(f"{seed} {system}{prn} {code}")
        self._wave = (r.uniform(-0.8, 0.8), r.uniform(500, 1800), r.uniform(0, math.tau))
        self._ends = _LEVEL_DB_HZ.get(code, _LEVEL_DB_HZ.get(code[0], _USUAL_DB_HZ))

    def search(self, t_s: float, unseen_s: float) -> float | None:
        """Looks for a signal that is strong enough; the time of locking, or None while it takes its seconds.

        What nobody asked about for longer than a search takes was found on the way.
        """
        if unseen_s > _SEARCH_S:
            self.locked_at_s = t_s - self._random.random() * (unseen_s - _SEARCH_S)
        elif self._found_at_s is None:
            self._found_at_s = t_s + self._random.uniform(1.0, _SEARCH_S)
        elif t_s >= self._found_at_s:
            self.locked_at_s = t_s
        if self.locked_at_s is not None:
            self.ambiguity_m = self._random.randint(-20, 20) * self.wavelength_m
        return self.locked_at_s

    def lose(self) -> None:
        """Loses the signal: it must be found again, and on another cycle."""
        self.locked_at_s = self._found_at_s = None

    def set_level(self, start_s: float, elevation_deg: float, later_deg: float, low: bool) -> None:
        """The level at both ends of a stretch, joined by a straight line; a `low` satellite slips now and then."""
        if low and self._random.random() < 0.01:
            self.lose()
        here = self._level_at(start_s, elevation_deg)
        self.level = here
        self.slope = (self._level_at(start_s + _KNOT_S, later_deg) - here) / _KNOT_S

    def _level_at(self, t_s: float, elevation_deg: float) -> float:
        low, high = self._ends
        unlike, period_s, phase = self._wave
        rise = math.sqrt(max(math.sin(math.radians(elevation_deg)), 0.0))
        # Multipath off the ground waves most where the satellite is low.
        swing = 0.4 + 1.2 * (1.0 - rise)
        return low + (high - low) * rise + unlike + swing * math.sin(math.tau * t_s / period_s + phase)


def _carrier_mhz(system: str, prn: int, code: str) -> float:
    carrier = FREQUENCY_MHZ[system][code[0]]
    if system == "R":
        carrier += GLONASS_CHANNELS[prn - 1] * (0.5625 if code[0] == "1" else 0.4375)
    return carrier


def _scatter(seed: int, t_ms: int) -> int:
    """Where in the noise an epoch begins: the same on every machine, and far from where its neighbours do.

    The multipliers are those of the SplitMix64 generator (Steele, Lea and Flood 2014).
    """
    mixed = (t_ms * 0x9E3779B97F4A7C15 + seed * 0xBF58476D1CE4E5B9) & 0xFFFF_FFFF_FFFF_FFFF
    mixed = ((mixed ^ mixed >> 31) * 0x94D049BB133111EB) & 0xFFFF_FFFF_FFFF_FFFF
    return (mixed >> 32) % _NOISE_SIZE


def _hermite(start: float, rate: float, end: float, end_rate: float) -> tuple[float, float, float, float]:
    """The cubic through both ends of a stretch with these rates, in powers of the seconds since its start."""
    h = _KNOT_S
    slope = (end - start) / h
    return start, rate, (3 * slope - 2 * rate - end_rate) / h, (rate + end_rate - 2 * slope) / h**2


@lru_cache(maxsize=8)
def _gauss_table(seed: int, noise: float) -> tuple[float, ...]:
    """Normal noise, cut at three sigma, long enough that an epoch may start anywhere and read on."""
    source = random.Random(f"{seed} noise")
    table = tuple(noise * max(-3.0, min(3.0, source.gauss(0.0, 1.0))) for _draw in range(_NOISE_SIZE))
    return table + table[:1024]
