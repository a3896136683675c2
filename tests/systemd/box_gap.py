#!/usr/bin/env python3
"""The newest log in folder `argv[1]` tells that nobody watched before it, for at most 8 s, because of `argv[2]`; prints it."""

import sys
from pathlib import Path

from witnesspost.daemon.log.reading import LogFile

MOST_S = 8.0

newest = max(path for path in Path(sys.argv[1]).glob("*.db"))
with LogFile.open(newest) as log:
    gaps = [gap for gap in log.gaps() if gap.why.startswith("not watched")]
for gap in gaps:
    print(f"{newest.name}: {gap.seconds:.1f} s, {gap.why}")
if not gaps:
    print(f"{newest.name} tells of no gap")
sys.exit(not gaps or any(sys.argv[2] not in gap.why or not 0.0 < gap.seconds <= MOST_S for gap in gaps))
