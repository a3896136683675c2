"""The rules in force: every rule of this folder by name, made for one site."""

from __future__ import annotations

from pathlib import Path

from msgspec import Struct

from rules.antenna_mismatch import AntennaMismatch
from rules.base_datum import BaseDatum
from rules.base_moved import BaseMoved
from rules.control_check import ControlCheck
from rules.corrections_late import CorrectionsLate
from rules.corrections_stopped import CorrectionsStopped
from rules.fix_lost import FixLost
from rules.height_reference import HeightReference
from rules.link_overload import LinkOverload
from rules.measures import measure_problems
from rules.message_set import MessageSet
from rules.own import own_rules
from rules.post_health import PostHealth
from rules.radio_sheet import RadioSheet
from rules.rule import Rule
from rules.scene import Scene
from rules.site import Site, SiteError, figures_of, read_site
from rules.sky import Sky
from rules.tilt import TiltRule
from rules.wrong_channel import WrongChannel

RULES: tuple[type[Rule], ...] = (
    CorrectionsStopped,
    CorrectionsLate,
    WrongChannel,
    RadioSheet,
    LinkOverload,
    MessageSet,
    BaseDatum,
    BaseMoved,
    AntennaMismatch,
    FixLost,
    ControlCheck,
    HeightReference,
    TiltRule,
    Sky,
    PostHealth,
)

FIGURES: dict[str, type[Struct]] = {rule.name: rule.Figures for rule in RULES}


def open_site(path: str | Path) -> Site:
    """The site file at `path`, the rules' figures and measurements checked too. Raises SiteError with all problems."""
    site = read_site(path, FIGURES)
    problems = measure_problems(site, taken=FIGURES)
    if problems:
        raise SiteError(str(path), problems)
    return site


def open_whole_site(path: str | Path) -> Site:
    """The site file at `path` with its datum checked as well, which loads PROJ. Raises SiteError with all problems."""
    from rules.datum_check import check_datum

    site = open_site(path)
    problems = check_datum(site)
    if problems:
        raise SiteError(str(path), problems)
    return site


def rules_in_force(site: Site, scene: Scene) -> list[Rule]:
    """The rules that work at this site's role and are not switched off, with their figures, and the crew's own."""
    book = [
        rule(site, figures_of(site, rule.name, rule.Figures), scene)
        for rule in RULES
        if site.post.role in rule.at and not site.rules.get(rule.name, {}).get("off", False)
    ]
    return [*book, *own_rules(site, scene)]
