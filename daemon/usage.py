"""What was typed wrong on the command line, in our own words: what is wrong, where, and what was expected."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

import click
from witnesspost.rules.naming import did_you_mean


def usage_words(error: click.UsageError, commands: Iterable[str] = ()) -> str:
    """A line without its end; `commands` are those that there are."""
    text = " ".join(error.format_message().split()).rstrip(".")
    if isinstance(error, click.MissingParameter):
        return f"{_name(error.param)} is missing"
    if isinstance(error, click.BadParameter) and error.param is not None:
        read = re.match(r"(?:Directory )?'?(.*?)'? (?:is|does) ", error.message)
        value = f"read {read[1]!r}; " if read else ""
        return f"{_name(error.param)}: {value}expected {_expected(error.param.type)}"
    if isinstance(error, click.NoSuchOption):
        return f"{error.option_name}: there is no such option{did_you_mean(error.option_name, error.possibilities or ())}"
    if isinstance(error, click.BadOptionUsage):
        return f"{error.option_name} {'takes no value' if 'does not take' in text else 'needs a value after it'}"
    if found := re.fullmatch(r"No such command '(.*?)'.*", text):
        return f"{found[1]}: there is no such command{did_you_mean(found[1], commands)}"
    if found := re.fullmatch(r"Got unexpected extra arguments? \((.*)\)", text):
        return f"{found[1]}: more than is expected here"
    return text


def _name(param: click.Parameter | None) -> str:
    """As the help shows it: the option's longest name, or the argument's."""
    if isinstance(param, click.Option):
        return max(param.opts, key=len)
    return (param.metavar or param.human_readable_name).strip("[]") if param is not None else "something"


def _expected(kind: click.ParamType[Any]) -> str:
    if isinstance(kind, click.Choice):
        return f"one of {', '.join(map(str, kind.choices))}"
    if isinstance(kind, click.Path):
        return "a folder that is there"
    word = "a whole number" if isinstance(kind, click.types.IntParamType) else "a number"
    if not isinstance(kind, click.IntRange | click.FloatRange):
        return "a number such as 1.5" if kind is click.FLOAT else word
    least = f"{'over' if kind.min_open else 'from'} {kind.min:,}" if kind.min is not None else ""
    most = f"up to {kind.max:,}" if kind.max is not None else ""
    if kind.min is not None and kind.max is None and not kind.min_open:
        return f"{word} of {kind.min} or more"
    return " ".join(filter(None, (word, least, most)))
