"""Which rules in force cannot judge at a site, and why: streams, marks or radios are not there, or its base may be anywhere."""

from __future__ import annotations

from collections.abc import Iterable

from witnesspost.rules.book.measures import MEASURES
from witnesspost.rules.facts import Antenna, Bias, Epoch, Fix, Health, SignalLevels, Station, Tilt
from witnesspost.rules.site.model import RadioTable, Site

# What a rule needs of what streams carry: any of these; none where it judges by the post and the site file alone.
NEEDS: dict[str, tuple[str, ...]] = {
    "corrections-stopped": ("corrections",),
    "corrections-late": ("corrections", "positions"),  # by arrival, or by the age that the rover says
    "wrong-channel": ("corrections", "positions"),  # by the frames, or by the station that the rover says
    "radio-sheet": (),
    "link-overload": ("corrections",),
    "message-set": ("corrections",),
    "base-datum": ("corrections",),
    "base-moved": ("corrections", "positions"),  # by the coordinate, or by the rover's jump
    "antenna-mismatch": ("corrections",),
    "fix-lost": ("positions",),
    "control-check": ("positions",),
    "height-reference": ("positions",),
    "tilt": ("positions",),
    "sky": ("corrections", "positions"),
    "post-health": (),
}
_BY_CONTROL = frozenset({"base-datum", "control-check", "height-reference"})
_AT_A_BASE = {"corrections-late": ("corrections",), "wrong-channel": ("corrections",), "base-moved": ("corrections",)}
# Of which base what is not judged: a network's station, virtual or real, may be another at any time.
NOT_JUDGED = {
    "own": frozenset[str](),
    "network": frozenset({"base-datum", "base-moved", "wrong-channel"}),
    "moving": frozenset({"base-datum", "base-moved", "wrong-channel", "control-check"}),
}
_CARRIED_BY = {
    Epoch: ("corrections",),
    Station: ("corrections",),
    Antenna: ("corrections",),
    Bias: ("corrections",),
    SignalLevels: ("corrections", "positions"),
    Fix: ("positions",),
    Tilt: ("positions",),
    Health: (),
}


def cannot_judge(site: Site, rules: Iterable[str]) -> dict[str, str]:
    """Of the rules in force those that judge nothing at this site, each with why: the end of a sentence."""
    carried = {what for stream in site.stream for what in stream.carries}
    own = {rule.name: MEASURES[rule.measure].fact for rule in site.own_rule if rule.measure in MEASURES}
    found = {}
    for rule in rules:
        needs = _CARRIED_BY.get(own[rule], ()) if rule in own else NEEDS.get(rule, ())
        if site.post.role == "base":
            needs = _AT_A_BASE.get(rule, needs)
        if rule in NOT_JUDGED[site.base.kind]:
            found[rule] = f"a {site.base.kind} base may be elsewhere, under another number, at any time"
        elif needs and not carried & set(needs):
            found[rule] = f"no stream carries {' or '.join(needs)}"
        elif rule in _BY_CONTROL and (site.project is None or not site.project.control):
            found[rule] = "the site file has no control points"
        elif rule == "radio-sheet" and RadioTable() in (site.radio.base, site.radio.rover):
            found[rule] = "the site file does not have both radios"
    return found
