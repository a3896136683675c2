"""Laid over the installed product in the box: while /run/witnesspost/hang exists, the silence rule never comes back.

Python imports `sitecustomize` from PYTHONPATH at its start. The file is taken away first, so that it hangs once.
"""

import contextlib
import time
from pathlib import Path

with contextlib.suppress(ImportError):
    from witnesspost.rules.book.corrections_stopped import CorrectionsStopped

    _judge = CorrectionsStopped.judge
    _hang = Path("/run/witnesspost/hang")

    def judge(self, t):
        if _hang.exists():
            _hang.unlink()
            while True:
                time.sleep(1.0)
        return _judge(self, t)

    CorrectionsStopped.judge = judge
