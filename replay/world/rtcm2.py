"""A base that still speaks RTCM 2: words of 30 bits with GPS's parity, sent six bits a byte. Good enough for any reader.

Sources: IS-GPS-200, 20.3.5.2, for words and parity (its table 20-XIV here by data bit); RTCM 10402 for the header, by way
of ITU-R M.823 and open decoders (from memory): preamble 0x66, type 6 bits, station 10; then Z-count 13 (0.6 s), sequence 3,
number of words that follow 5, health 3. What the words of types 18 and 19 (carrier phases and pseudoranges) say is left to
chance.
"""

from __future__ import annotations

import random
from collections.abc import Sequence

_BY_DATA_BIT = (
    "D25 D27 D29", "D25 D26 D28", "D25 D26 D27 D29 D30", "D26 D27 D28", "D25 D27 D28 D29 D30", "D25 D26 D28 D29 D30",
    "D26 D27 D29", "D27 D28 D30", "D28 D29 D30", "D25 D29 D30", "D25 D26 D30", "D25 D26 D27", "D25 D26 D27 D28 D30",
    "D25 D26 D27 D28 D29", "D26 D27 D28 D29 D30", "D27 D28 D29", "D25 D28 D29", "D25 D26 D29", "D26 D27 D30",
    "D25 D27 D28", "D26 D28 D29", "D27 D29 D30", "D25 D28 D30", "D26 D29 D30",
)  # fmt: skip
"""The parity bits that each of the 24 data bits enters, the first bit first (IS-GPS-200, table 20-XIV, read by column)."""

_BEFORE = {"D29": ("D25", "D27", "D30"), "D30": ("D26", "D28", "D29")}
"""The parity bits that the last two bits of the word before enter."""

_OBSERVATIONS = (18, 19)


class Rtcm2:
    """One base's stream; the last two bits of each word go into the next. `d29` and `d30` are those before the first."""

    def __init__(self, d29: int = 0, d30: int = 0) -> None:
        self._last = {"D29": d29, "D30": d30}

    def words(self, data: Sequence[int]) -> bytes:
        """These words of 24 bits, five bytes each."""
        return b"".join(self._word(one) for one in data)

    def message(self, kind: int, station_id: int, z_count: int, sequence: int, data: Sequence[int]) -> bytes:
        """One message: its two words of header, and its data."""
        first = 0x66 << 16 | kind << 10 | station_id & 0x3FF
        second = z_count << 11 | (sequence & 7) << 8 | len(data) << 3
        return self.words([first, second, *data])

    def epoch(self, station_id: int, tow_s: float, satellites: int, rng: random.Random) -> bytes:
        """The carrier phases and pseudoranges of one epoch, two words a satellite and one before."""
        z_count = int(tow_s % 3600 / 0.6)
        data = [[rng.getrandbits(24) for _ in range(1 + 2 * min(satellites, 15))] for _ in _OBSERVATIONS]
        sequence = int(tow_s)
        return b"".join(
            self.message(kind, station_id, z_count, sequence + index, said)
            for index, (kind, said) in enumerate(zip(_OBSERVATIONS, data, strict=True))
        )

    def _word(self, data: int) -> bytes:
        parity = dict.fromkeys(("D25", "D26", "D27", "D28", "D29", "D30"), 0)
        for before, enters in _BEFORE.items():
            for bit in enters:
                parity[bit] ^= self._last[before]
        for place, also in enumerate(_BY_DATA_BIT):
            if data >> 23 - place & 1:
                for bit in also.split():
                    parity[bit] ^= 1
        sent = data ^ 0xFFFFFF if self._last["D30"] else data
        self._last = {"D29": parity["D29"], "D30": parity["D30"]}
        bits = f"{sent:024b}" + "".join(map(str, parity.values()))
        return bytes(0x40 | int(bits[at : at + 6][::-1], 2) for at in range(0, 30, 6))
