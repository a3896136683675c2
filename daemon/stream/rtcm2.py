"""Whether bytes have the shape of RTCM 2 (RTCM 10402, "SC-104" version 2): a format that no rover of RTCM 3 can read.

    byte   0 1 b1 b2 b3 b4 b5 b6      "6 of 8": six bits of the stream, the first of them lowest
    word   24 data bits (of a message's first: preamble 01100110, type 6, station 10) │ 6 parity bits, as GPS's words have

Source: IS-GPS-200, 20.3.5.2 and table 20-XIV, for words and parity; the bytes as two open decoders describe them (gpsd,
isgps.c; RTKLIB, rtcm.c); ITU-R M.823 has the same words. The data bits of a word are inverted where the word before ends in 1.
"""

from __future__ import annotations

LONGEST_LOOK = 250
"""So many bytes are enough to tell: fifty words."""

_PREAMBLE, _INVERTED = "01100110", "10011001"
_NOT_SIX_OF_EIGHT = bytes(value for value in range(256) if not 0x40 <= value <= 0x7F)
_SIX_BITS = [f"{value & 63:06b}"[::-1] for value in range(256)]
_SHARE = 0.9  # of the bytes; the others are line ends and what noise there is (ours)

# IS-GPS-200 table 20-XIV: for each of D25 to D30 which of the last bits before the word (D29*, D30*) enters, and which data.
_PARITY = tuple(
    (before, sum(1 << 24 - bit for bit in bits))
    for before, bits in (
        (0, (1, 2, 3, 5, 6, 10, 11, 12, 13, 14, 17, 18, 20, 23)),
        (1, (2, 3, 4, 6, 7, 11, 12, 13, 14, 15, 18, 19, 21, 24)),
        (0, (1, 3, 4, 5, 7, 8, 12, 13, 14, 15, 16, 19, 20, 22)),
        (1, (2, 4, 5, 6, 8, 9, 13, 14, 15, 16, 17, 20, 21, 23)),
        (1, (1, 3, 5, 6, 7, 9, 10, 14, 15, 16, 17, 18, 21, 22, 24)),
        (0, (3, 5, 6, 8, 9, 10, 11, 13, 15, 19, 22, 23, 24)),
    )
)


def rtcm2_words(data: bytes) -> int:
    """The longest run of words with good parity that begins with a message's first word; only the first bytes are looked at.

    0 for anything else. Chance makes a run of four once in some 10⁸ bytes of the right shape.
    """
    data = data[:LONGEST_LOOK]
    kept = data.translate(None, _NOT_SIX_OF_EIGHT)
    if len(kept) < _SHARE * len(data):
        return 0
    bits = "".join([_SIX_BITS[value] for value in kept])
    longest = 0
    for preamble in (_PREAMBLE, _INVERTED):
        at = bits.find(preamble, 2)
        while at >= 0:
            longest = max(longest, _run(bits, at, inverted=preamble == _INVERTED))
            at = bits.find(preamble, at + 1)
    return longest


def _run(bits: str, at: int, inverted: bool) -> int:
    """How many words in a row from `at` on have good parity."""
    words = 0
    if bits[at - 1] != ("1" if inverted else "0"):
        return 0
    while at + 30 <= len(bits) and _is_word(bits[at - 2 : at], int(bits[at : at + 30], 2)):
        words += 1
        at += 30
    return words


def _is_word(before: str, word: int) -> bool:
    data = word >> 6
    if before[1] == "1":
        data ^= 0xFFFFFF
    parity = 0
    for last, mask in _PARITY:
        parity = parity << 1 | (data & mask).bit_count() + (before[last] == "1") & 1
    return parity == word & 0x3F
