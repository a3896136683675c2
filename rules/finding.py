"""What a rule says: something is wrong now, with its likely causes and the evidence as numbers."""

from __future__ import annotations

from typing import Any

from msgspec import Struct
from witnesspost.rules.site.model import Severity


class Cause(Struct, kw_only=True):
    """One candidate cause, most likely first in a finding. `residual_m` where a prediction was compared with a position."""

    cause: str
    residual_m: float | None = None


class Finding(Struct, kw_only=True):
    """Something is wrong now.

    `causes` is ranked, first the most likely. `stream` is the line it was seen on ("" for the whole post). Findings of
    one rule are told apart by `key`. `since` is when the condition began (default: when first reported) and
    `on_delay_s` how long it must hold (default: the rule's figure). `evidence` values are numbers, texts or None;
    `words` are what the advice's sentences need beyond the evidence. `severity` is how bad this is (default: the rule's).
    """

    causes: list[Cause]
    stream: str = ""
    key: str = ""
    since: float | None = None
    on_delay_s: float | None = None
    severity: Severity | None = None
    evidence: dict[str, Any] = {}
    words: dict[str, str] = {}
