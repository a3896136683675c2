#!/usr/bin/env python3
"""Compares /proof/out/logged.bin with sent.bin by frames: every frame there was sent, in order, once.

Fails where a frame was changed, doubled or out of order; where frames are missing at more places than there are logs
(argument 1: each is a run of the service, and frames go by before it); and where more are missing at one place than
eight seconds bring, at a frame a second: the most that a kill, a freeze or a hang may cost.
"""

import itertools
import sys
from pathlib import Path

FRAME_BYTES = 44
LONGEST_GAP = 8

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
edges = [-1, *numbers]  # the line goes on after the last service has been stopped
gaps = [after - before - 1 for before, after in itertools.pairwise(edges) if after - before > 1]
print(f"{len(frames)} frames sent, {len(numbers)} logged in their order; missing before the runs: {gaps}")
sys.exit(not numbers or len(gaps) > int(sys.argv[1]) or max(gaps, default=0) > LONGEST_GAP)
