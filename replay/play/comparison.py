"""What a replay of a log judges by, against what the run itself judged by: so that nobody takes a newer figure for the old."""

from __future__ import annotations

from typing import Any

from witnesspost.daemon.pipeline import Pipeline, figures_in_force


def differences(then: dict[str, dict[str, Any]] | None, pipeline: Pipeline, alone: str | None = None) -> list[str]:
    """A line for each rule and figure that is not as in the run; `then` is what the log holds of them (None: nothing). With
    `alone` of that rule and those that it needs."""
    if then is None:
        return ["this log does not say by which figures it was judged; the replay uses today's"]
    now = figures_in_force(pipeline.engine.rules)
    if alone is not None:
        then = {rule: figures for rule, figures in then.items() if rule in now}
    lines = [f"{rule}: not in force in the run" for rule in sorted(now.keys() - then.keys())]
    lines += [f"{rule}: in force in the run, not here" for rule in sorted(then.keys() - now.keys())]
    for rule in sorted(now.keys() & then.keys()):
        for name in sorted(now[rule].keys() | then[rule].keys()):
            was, value = then[rule].get(name), now[rule].get(name)
            if was != value:
                lines.append(f"{rule}: {name} is {_said(value)} here, {_said(was)} in the run")
    return lines


def _said(value: object) -> str:
    return "not known" if value is None else f"{value:g}" if isinstance(value, int | float) else str(value)
