#!/usr/bin/env python3
"""Compares /proof/out/logged.bin with sent.bin by frames: every frame there was sent, in order, once; counts what is missing.

Fails where a frame was changed, doubled or out of order, or where more than one in five is missing: the steps keep the
service away for two watchdog times and some restarts, and no more.
"""

import sys
from pathlib import Path

FRAME_BYTES = 44

sent, logged = (Path("/proof/out", name).read_bytes() for name in ("sent.bin", "logged.bin"))
frames = [sent[at : at + FRAME_BYTES] for at in range(0, len(sent), FRAME_BYTES)]
place = {frame: number for number, frame in enumerate(frames)}
if len(place) != len(frames):
    sys.exit("the frames that were sent are not numbered")
numbers = []
at = 0
while at < len(logged):
    number = place.get(logged[at : at + FRAME_BYTES])
    if number is None:  # a frame that was cut by an end of the service, or by a start in its middle
        at = logged.find(b"\xd3\x00", at + 1)
        if at < 0:
            break
        continue
    numbers.append(number)
    at += FRAME_BYTES
if numbers != sorted(set(numbers)):
    sys.exit("frames are doubled or out of order")
missing = len(frames) - len(numbers)
print(f"{len(frames)} frames sent, {len(numbers)} logged in their order, {missing} missing while no service ran")
sys.exit(not numbers or missing > len(frames) / 5)
