"""The house itself: which room may use which, and that nothing stands undocumented."""

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterable
from pathlib import Path

import click
import pytest
from msgspec import Struct
from witnesspost.daemon.cli import COMMANDS, SHORT, main
from witnesspost.replay.play.proving import all_scenarios
from witnesspost.rules.book.contents import FIGURES, RULES
from witnesspost.rules.site.model import Site
from witnesspost.rules.site.reading import site_from_toml
from witnesspost.rules.site.tables import keys_of, struct_in

from tests.bench import page as bench
from tests.documentation import PAGES, SCENARIOS, TOP

README = (TOP / "README.md").read_text()
SOURCES = {folder: sorted((TOP / folder).rglob("*.py")) for folder in ("rules", "daemon", "replay")}

PLAIN = "rules.coordinates rules.facts rules.finding rules.alert rules.gnss rules.site rules.language"
TOLD = "daemon.lines daemon.local_time daemon.screen"
COMPANIONS = ("daemon.signals", "daemon.host", "daemon.status", "daemon.page", "daemon.publish")
ALLOWED = {
    "rules.coordinates": "",
    "rules.gnss": "",
    "rules.advice": "",
    "rules.finding": "rules.site",  # how grave
    "rules.language": "",
    "rules.naming": "",
    "rules.site": "rules.coordinates rules.gnss rules.language rules.naming",
    "rules.facts": "rules.coordinates rules.gnss",
    "rules.alert": "rules.finding rules.site",
    "rules.engine": f"{PLAIN} rules.advice",
    "rules.datum": PLAIN,
    "rules.book": f"{PLAIN} rules.advice rules.naming rules.engine rules.datum",
    "rules.book.words": f"{PLAIN} rules.advice rules.book rules.language",
    "daemon.__main__": "daemon.cli",
    "daemon.cli": "daemon.atomic daemon.usage",  # commands only as strings
    "daemon.usage": "rules.naming",
    "daemon.atomic": "",
    "daemon.clock": "",
    "daemon.local_time": "",
    "daemon.screen": "",
    "daemon.progress": "daemon.screen",
    "daemon.lines": "rules.alert rules.book.words rules.gnss rules.language daemon.local_time daemon.screen",
    "daemon.stream": PLAIN,
    "daemon.log": f"{PLAIN} rules.book.words rules.datum daemon.atomic daemon.clock daemon.local_time",
    "daemon.pipeline": f"{PLAIN} rules.book rules.engine daemon.stream daemon.log",
    "daemon.recomputing": f"{PLAIN} rules.book daemon.pipeline daemon.log",
    "daemon.state": "rules.alert rules.site",
    "daemon.companion": f"{PLAIN} daemon.state daemon.status.snapshot daemon.status.told",
    "daemon.supervisor": f"{PLAIN} daemon.companion daemon.status.snapshot daemon.status.told",
    "daemon.service": f"{PLAIN} daemon.pipeline daemon.stream daemon.log daemon.clock "
    "daemon.state daemon.companion daemon.supervisor daemon.status.snapshot daemon.status.told",
    "daemon.status.ready": f"{PLAIN} rules.engine daemon.lines",
    "daemon.status.told": f"{PLAIN} rules.engine rules.book.words daemon.lines",
    "daemon.status.snapshot": f"{PLAIN} rules.engine rules.book.words daemon.state daemon.status.ready daemon.status.told",
    "daemon.bundle": f"{PLAIN} daemon.log daemon.status.snapshot",
    "daemon.requests": f"{PLAIN} rules.book.words {TOLD} rules.naming daemon.companion daemon.status.snapshot "
    "daemon.status.told",
    **dict.fromkeys(
        COMPANIONS,
        f"{PLAIN} rules.book.words {TOLD} daemon.atomic daemon.clock daemon.state daemon.companion daemon.requests "
        "daemon.status.snapshot daemon.status.told",
    ),
    # It reads logs to show a day and to hand them out; of the signals it knows the patterns, which are data.
    "daemon.page": f"{PLAIN} rules.book.words rules.book.radio {TOLD} daemon.clock daemon.state daemon.companion "
    "daemon.requests daemon.status.snapshot daemon.status.told daemon.signals.patterns daemon.log daemon.strip",
    "daemon.strip": f"{PLAIN} daemon.log",
    # The log is its outbox.
    "daemon.publish": f"{PLAIN} {TOLD} daemon.clock daemon.companion daemon.status.snapshot daemon.status.told daemon.log",
    "daemon.board": f"{PLAIN} {TOLD} daemon.clock daemon.publish daemon.page",  # the same page, and the same way to the broker
    "daemon.commands": "rules daemon",
    # What is played, and what an invented world writes.
    "replay.play.tape": f"{PLAIN} daemon.stream daemon.atomic daemon.log.tape",
    "replay.play": "rules daemon.atomic daemon.local_time daemon.stream daemon.log daemon.pipeline replay.world "
    "replay.play.tape",
    "replay.world": f"{PLAIN} rules.book rules.datum daemon.stream daemon.atomic replay.play.tape",
    "replay.export.cell": "",
    "replay.export.geojson_frame": "",
    "replay.office": "rules daemon.log daemon.strip daemon.stream daemon.atomic "  # an occupation's epochs are in the bytes
    "replay.export.cell replay.export.geojson_frame",
    # The rows that a log's bytes give are the pipeline's, with its rules off.
    "replay.office.archive": "rules daemon.log daemon.recomputing daemon.local_time daemon.atomic replay.export",
    "replay.office.season": "rules daemon.log daemon.pipeline replay.play",  # it replays
    "replay.export": "rules daemon.log daemon.strip daemon.stream daemon.atomic daemon.local_time",  # RINEX is in the bytes
    "replay.commands": f"rules {TOLD} daemon.cli daemon.atomic daemon.progress daemon.log daemon.pipeline replay",
}
"""What each room may import beside the rooms within it, the standard library and other distributions. A room that is not
named has the arrows of the room around it."""

NEVER = {
    "rules": {"time", "threading", "socket", "logging", "subprocess", "random", "asyncio"},
    "daemon": set(),
    "replay": {"threading", "socket"},
}
"""What no module of a folder imports, whoever wrote it."""

JUDGE_COORDINATES = {
    *(
        "base_datum",
        "base_moved",
        "base_or_sheet",
        "control_check",
        "occupied_mark",
        "height_reference",
        "coordinate_words",
        "contents",
    ),
}
"""The modules of `rules.book` that may load the datum machinery."""


def imports_of(path: Path) -> set[str]:
    """The modules that a module imports, wherever in it: `rules.site.model`, `os.path`."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are absolute"
            for name in node.names:
                whole = f"{node.module}.{name.name}"
                found.add(whole if module_file(whole.removeprefix("witnesspost.")) else str(node.module))
    return {module.removeprefix("witnesspost.") for module in found}


def module_file(module: str) -> Path | None:
    """Where a module of ours stands, None where it is not ours."""
    path = TOP / module.replace(".", "/")
    return next((file for file in (path.with_suffix(".py"), path / "__init__.py") if file.is_file()), None)


def name_of(path: Path) -> str:
    """`daemon.cli` of daemon/cli.py, `daemon.log` of daemon/log/__init__.py."""
    return ".".join(path.relative_to(TOP).with_suffix("").parts).removesuffix(".__init__")


def within(module: str, rooms: Iterable[str]) -> bool:
    """True if one of the rooms is this module, or is around it."""
    return any(module == room or module.startswith(f"{room}.") for room in rooms)


def room_of(module: str) -> str | None:
    """The innermost room of the table that a module stands in."""
    return max((room for room in ALLOWED if within(module, [room])), key=len, default=None)


def against_the_table(module: str, imported: Iterable[str]) -> set[tuple[str, str]]:
    """The arrows of one module that the table does not have."""
    room = room_of(module)
    allowed = [] if room is None else [room, *ALLOWED[room].split()]
    ours = {target for target in imported if within(target, SOURCES)}
    return {(module, target) for target in ours if not within(target, allowed)}


def test_each_room_imports_what_it_may():
    found = set()
    for path in (path for paths in SOURCES.values() for path in paths):
        found |= against_the_table(name_of(path), imports_of(path))
    assert found == set()


@pytest.mark.parametrize(
    ("module", "imported"),
    [
        ("rules.engine.engine", "rules.book.words"),
        ("rules.facts", "daemon.log"),
        ("daemon.signals.panel", "daemon.status.server"),
        ("daemon.host.journal", "daemon.service"),
        ("daemon.pipeline", "daemon.service"),
        ("daemon.service", "daemon.signals.panel"),
        ("daemon.cli", "replay.commands.replay"),
        ("replay.office.report", "daemon.service"),
        ("replay.world.sky", "rules.engine.engine"),
    ],
)
def test_an_arrow_the_wrong_way_is_found(module, imported):
    assert against_the_table(module, {"os", imported}) == {(module, imported)}


@pytest.mark.parametrize("folder", NEVER)
def test_what_a_folder_never_imports(folder):
    assert SOURCES[folder]
    for path in SOURCES[folder]:
        assert not {module.partition(".")[0] for module in imports_of(path)} & NEVER[folder], path


def test_a_post_loads_nothing_that_only_the_office_has():
    """By name, wherever it is imported; numpy and the others cost tens of megabytes and seconds of a small board."""
    project = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]
    office = {requirement.partition(">=")[0] for requirement in project["optional-dependencies"]["office"]}
    assert {"bokeh", "distributed", "duckdb", "numpy", "pyarrow"} <= office
    commands = [path for path in SOURCES["replay"] if path.parent.name == "commands"]
    for path in [*SOURCES["rules"], *SOURCES["daemon"]]:
        assert not {module.partition(".")[0] for module in imports_of(path)} & office, path
    assert commands
    for path in commands:
        at_once = {node for node in ast.parse(path.read_text()).body if isinstance(node, ast.Import | ast.ImportFrom)}
        names = {name.name for node in at_once for name in node.names} | {getattr(node, "module", "") for node in at_once}
        assert not {str(name).partition(".")[0] for name in names} & office, path


def test_only_what_judges_coordinates_loads_the_datum_machinery():
    book = {path.stem: imports_of(path) for path in (TOP / "rules" / "book").glob("*.py")}
    assert {name for name in book if any(within(module, ["rules.datum"]) for module in book[name])} == JUDGE_COORDINATES


@pytest.mark.parametrize("module", ["rules.book.contents", "rules.book.words", "daemon.pipeline", "daemon.commands.watch"])
def test_loading_the_program_does_not_load_proj(module):
    script = f"import sys, witnesspost.{module}; sys.exit('pyproj' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 0


def test_a_watch_loads_no_more_than_it_uses():
    """A small board has the memory, but not twice; what is rare is loaded where it is needed."""
    rare = {"asyncio", "http", "multiprocessing", "pyproj", "sqlite_utils", "unittest"}
    script = "import sys; before = {*sys.modules}; import witnesspost.daemon.commands.watch; print(*{*sys.modules} - before)"
    ran = subprocess.run([sys.executable, "-c", script], check=True, capture_output=True, text=True)
    loaded = {name.partition(".")[0] for name in ran.stdout.split()}
    assert "witnesspost" in loaded
    assert not loaded & rare


def test_no_rule_reads_a_clock():
    for path in SOURCES["rules"]:
        assert not re.search(r"\b(datetime|dt)\.(now|utcnow|today)\(|\bdate\.today\(", path.read_text()), path


def test_the_top_holds_what_it_may_and_nothing_else():
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "rules", "daemon", "replay", "systemd", "tests", "build"}
    assert {p.name for p in TOP.iterdir() if not p.name.startswith(".") and not p.name.endswith(".egg-info")} <= allowed


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_each_rule_says_what_it_is_by_what_source_and_what_to_do(rule):
    assert rule.__doc__
    about = sys.modules[rule.__module__].__doc__
    assert about.startswith(f"{rule.name} ({rule.severity})"), "a rule's module says its name and severity first"
    assert re.search(r"\bSource: \w", about), 'a rule\'s module ends with its source, or "common practice, no source"'
    assert rule.causes
    for cause in rule.causes:
        assert rule.causes[cause].line, cause
        assert rule.causes[cause].steps, cause


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_each_rule_has_two_scenarios_that_raise_it_and_two_that_stay_quiet(rule):
    source = {"base-datum": "datum-america"}.get(rule.name, rule.name)
    variants = [one.name.partition(":")[2] for one in all_scenarios([source])]
    quiet = [variant for variant in variants if variant.startswith("quiet-") or variant in ("right", "close-to-the-limit")]
    assert len(quiet) >= 2, variants
    assert len(variants) - len(quiet) >= min(2, len(rule.causes)), variants


def test_right_practice_is_tried_at_both_posts():
    roles = [one.site.post.role for one in all_scenarios(["right-practice"])]
    assert len(roles) >= 40
    assert min(roles.count("base"), roles.count("rover")) >= 10


@pytest.mark.parametrize(
    "path",
    [pytest.param(path, marks=[pytest.mark.long] if path == SCENARIOS else []) for path in PAGES],
    ids=lambda path: str(path.relative_to(TOP)),
)
def test_a_page_that_the_code_writes_is_as_the_code_has_it(path):
    assert path.read_text() == PAGES[path](), "python -m tests.documentation writes it anew"


def test_the_page_of_scenarios_has_each_once():
    """What the slow comparison of the whole page would find only after minutes."""
    rows = [line.split(" | ") for line in SCENARIOS.read_text().splitlines() if line.startswith("| `")]
    assert [(row[0], row[1], row[3]) for row in rows] == [
        (f"| `{one.name}`", one.site.post.role, one.note) for one in all_scenarios()
    ]


def test_the_bench_writes_some_parts_among_the_others():
    old = ["| a | one | 1 | 1 | held |", "| g | two | 1 | 1 | held |", "| g | three | 1 | 1 | held |"]
    assert bench.among(old, ["| c | new | 1 | 1 | held |"]) == [old[0], "| c | new | 1 | 1 | held |", *old[1:]]
    with pytest.raises(ValueError, match="1 of 2 rows of g"):
        bench.among(old, ["| g | two | 1 | 2 | held |"])


def test_the_readme_has_the_measurements_of_the_bench_in_short():
    full = bench.measured(bench.PAGE.read_text())
    table = full[full.index("| | what |") :]
    assert bench.measured(README) == bench.short(table)
    assert len(bench.short(table).splitlines()) > 2 + len(bench.SHORT)


def test_the_developers_page_is_read_in_ten_minutes():
    assert len((TOP / "DEVELOPERS.md").read_bytes()) <= 10_000


MARKDOWN = sorted(path for path in TOP.rglob("*.md") if not any(part.startswith(".") for part in path.relative_to(TOP).parts))


@pytest.mark.parametrize("path", MARKDOWN, ids=lambda path: str(path.relative_to(TOP)))
def test_no_page_points_to_what_is_not_there(path):
    text = re.sub(r"```.*?```", "", path.read_text(), flags=re.DOTALL)
    links = re.findall(r"\]\(([^)\s#:]+)\)", text)
    assert [link for link in links if not (path.parent / link).exists()] == []
    named = re.findall(r"`((?:rules|daemon|replay|tests|systemd)/[\w./-]+)`", text)
    assert [name for name in named if not (TOP / name).exists()] == []


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_stands_in_the_readme_and_teaches(command):
    assert SHORT[command]
    assert f"witnesspost {command}" in README
    found = main.get_command(None, command)
    assert found.help
    assert [option.name for option in found.params if isinstance(option, click.Option) and not option.help] == []


def all_keys_of(kind: type[Struct]) -> set[str]:
    """Every key that a table of this kind, and those in it, may have."""
    found = set(keys_of(kind))
    for field in keys_of(kind).values():
        inner = struct_in(field.type)
        found |= all_keys_of(inner) if inner else set()
    return found


def test_the_readmes_site_file_is_one():
    (text,) = re.findall(r"```toml\n(.*?)```", README, re.DOTALL)
    assert site_from_toml(text, "README.md", FIGURES).post.name == "kestrel-base"


def test_each_key_of_the_site_file_stands_in_the_readme():
    missing = {key for key in all_keys_of(Site) if not re.search(rf"\b{key}\b", README)}
    assert missing == set()
