"""A site file's text as a log keeps it: complete, so that the log can be judged anywhere."""

from __future__ import annotations

import tomllib

import msgspec
from witnesspost.rules.site.model import Site


def self_contained(text: str, site: Site) -> str:
    """`text`, from which `site` was read, with the marks themselves in place of the control files that it names."""
    if site.project is None or not site.project.control_file:
        return text
    try:
        table = tomllib.loads(text.removeprefix("\ufeff"))
        project = table["project"]
    except (tomllib.TOMLDecodeError, RecursionError, KeyError):
        return text
    import tomli_w

    del project["control_file"]
    marks = (msgspec.structs.asdict(mark) for mark in site.project.control)
    project["control"] = [{k: v for k, v in mark.items() if v is not None and k != "where"} for mark in marks]
    return tomli_w.dumps(table)
