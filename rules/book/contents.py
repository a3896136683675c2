"""The rules in force: every rule of this folder by name, made for one site."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from msgspec import Struct
from witnesspost.rules.book.antenna_mismatch import AntennaMismatch
from witnesspost.rules.book.base_datum import BaseDatum
from witnesspost.rules.book.base_moved import BaseMoved
from witnesspost.rules.book.control_check import ControlCheck
from witnesspost.rules.book.corrections_late import CorrectionsLate
from witnesspost.rules.book.corrections_stopped import CorrectionsStopped
from witnesspost.rules.book.fix_lost import FixLost
from witnesspost.rules.book.height_reference import HeightReference
from witnesspost.rules.book.link_overload import LinkOverload
from witnesspost.rules.book.measures import measure_problems
from witnesspost.rules.book.message_set import MessageSet
from witnesspost.rules.book.own import own_rules
from witnesspost.rules.book.post_health import PostHealth
from witnesspost.rules.book.radio_sheet import RadioSheet
from witnesspost.rules.book.sky import Sky
from witnesspost.rules.book.tilt import TiltRule
from witnesspost.rules.book.wrong_channel import WrongChannel
from witnesspost.rules.engine.rule import Rule
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.site.model import Site, figures_of
from witnesspost.rules.site.reading import Draft, draft_of_file

RULES: tuple[type[Rule[Any]], ...] = (
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
    return _draft(path).sound()


def open_whole_site(path: str | Path) -> Site:
    """The site file at `path` with its datum checked as well, which loads PROJ. Raises SiteError with all problems."""
    from witnesspost.rules.datum.check import check_datum

    draft = _draft(path)
    draft.problems.extend(check_datum(draft.site, draft.unread))
    return draft.sound()


def _draft(path: str | Path) -> Draft:
    draft = draft_of_file(path, FIGURES)
    draft.problems.extend(measure_problems(draft.site, taken=FIGURES))
    return draft


def rules_in_force(site: Site, scene: Scene) -> list[Rule[Any]]:
    """The rules that work at this site's role and are not switched off, with their figures, and the crew's own."""
    book = [
        rule(site, figures_of(site, rule.name, rule.Figures), scene)
        for rule in RULES
        if site.post.role in rule.roles and not site.rules.get(rule.name, {}).get("off", False)
    ]
    return [*book, *own_rules(site, scene)]
