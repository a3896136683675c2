"""SIGABRT: by it the service manager ends what has not come round in time (systemd.service(5), WatchdogSec).

    SIGABRT ──► where each thread stands, on stderr (faulthandler) ──► `act` on a thread of its own ──► the process dies of it

Python's own handlers run on the main thread, and that may be the one that hangs: so the signal's number comes through a pipe.
"""

from __future__ import annotations

import faulthandler
import os
import signal
import threading
from collections.abc import Callable


def on_abort(act: Callable[[], None], within_s: float) -> None:
    """Have `act` called when the process is aborted, and end it after `within_s` at the latest. For the main thread."""
    ear, bell = os.pipe()
    os.set_blocking(bell, False)
    signal.set_wakeup_fd(bell, warn_on_full_buffer=False)
    signal.signal(signal.SIGABRT, lambda *_: None)
    faulthandler.enable()  # after it: its handler writes where all threads are, and hands on to this one
    threading.Thread(target=_listen, args=(ear, act, within_s), name="abort", daemon=True).start()


def _listen(ear: int, act: Callable[[], None], within_s: float) -> None:
    while signal.SIGABRT not in os.read(ear, 64):
        pass
    acting = threading.Thread(target=act, daemon=True)
    acting.start()
    acting.join(within_s)
    os.abort()
