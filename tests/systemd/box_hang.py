"""Laid over the installed product in the box: while a file named hang lies in the post's run folder, the silence rule hangs.

Python imports `sitecustomize` from PYTHONPATH at its start. The file is taken away first, so that it hangs once.
"""

import contextlib
import math
import os
import time
from pathlib import Path

with contextlib.suppress(ImportError):
    from witnesspost.rules.book.corrections_stopped import CorrectionsStopped

    _judge = CorrectionsStopped.judge
    _hang = Path(os.environ.get("RUNTIME_DIRECTORY", "/run/witnesspost"), "hang")

    def judge(self, t):
        if _hang.exists():
            _hang.unlink()
            while True:
                time.sleep(1.0)
        return _judge(self, t)

    CorrectionsStopped.judge = judge
    CorrectionsStopped.due = lambda self: -math.inf  # asked at each turn: while a line is well, it is not otherwise
