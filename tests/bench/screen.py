"""(k) what the phone's reader sees and touches: contrast, targets, and how soon a stop is there, in a real Chromium.

A live watch on ptys, as in the page's tests. Contrast is WCAG 2.2's (1.4.6), of what the browser has drawn.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.bench.row import Row, at_least, at_most
from tests.daemon.page.chromium import PROGRAM, Chromium, Phone
from tests.daemon.page.conftest import PIN
from tests.daemon.page.rover import LiveRover

_LOOKS = [(width, dark) for width in (320, 1280) for dark in (False, True)]
_PLACES = ("/", "/check-in", "/today", "/day", "/radio", "/files", "/help")
_STATES = ("stop", "check", "note", "well", "starting", "fault", "past", "unheard")
_SEEN = "new MutationObserver(() => { if (document.querySelector('[data-state=stop]')) window.found ||= Date.now(); })"
_DELAY_S = 3.1  # three intervals, and a tenth for an epoch that is due just then (corrections-stopped)
_WORDS = "#state h1, #state .say, #state .since, .steps label, .steps .step"


def rows(short: bool) -> Iterator[Row]:
    """Three figures; none where there is no Chromium."""
    if PROGRAM is None:
        yield Row("k", "contrast, targets and a stop on the phone", "", "no Chromium here")
        return
    with tempfile.TemporaryDirectory(prefix="witnesspost-bench-") as folder:
        chromium, rover = Chromium(Path(folder, "chromium")), None
        try:
            Path(folder, "rover").mkdir()
            rover = LiveRover(Path(folder, "rover"))
            phone = chromium.phone()
            phone.go(f"{rover.address}/")
            phone.write("#pin", PIN)
            phone.tap("button.main", leads_on=True)
            waited_s = _stop(rover, phone)
            contrasts = []
            for width, dark in _LOOKS:
                phone.look(width, dark=dark)
                contrasts += phone.contrasts(_WORDS)
                for state in _STATES:
                    phone.js(f"document.querySelector('#state').className = 'state is-{state}'")
                    contrasts += phone.contrasts("#state h1, #state .say, #state .since")
            targets = []
            for path in _PLACES:
                for width in (320, 1280):
                    phone.look(width)
                    phone.go(rover.address + path)
                    targets.append(phone.smallest_target())
        finally:
            if rover is not None:
                rover.close()
            chromium.close()
    yield at_most("k", "a stop, from the end of its delay to the phone", 1.0, waited_s, " s")
    yield at_least("k", "contrast of the state's word and the steps, any look", 7.0, min(contrasts), " : 1")
    yield at_least("k", "the smallest thing to touch, any place", 44.0, min(targets), " px")


def _stop(rover: LiveRover, phone: Phone) -> float:
    """Seconds from the moment at which the silence has lasted for the rule's delay until the phone shows a stop."""
    # Ten seconds on the mark: by then it is known how often epochs come, and the delay is the short one.
    phone.until("document.querySelector('#ready').innerText.includes('last check-in')", 60)
    phone.until("document.querySelector('#state').dataset.state === 'well'")
    phone.js(f"window.found = 0; {_SEEN}.observe(document.body, {{subtree: true, attributes: true, childList: true}})")
    rover.corrections = False
    return float(phone.until("window.found")) / 1000 - rover.epoch_at - _DELAY_S
