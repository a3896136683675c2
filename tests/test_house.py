"""The house itself: which room may use which, and that nothing stands undocumented."""

import ast
import re
import sys
from pathlib import Path

import click
import pytest
from msgspec import Struct, structs
from witnesspost.daemon.cli import COMMANDS, SHORT, main
from witnesspost.replay.play.proving import all_scenarios
from witnesspost.rules.book.contents import FIGURES, RULES
from witnesspost.rules.site.model import Site
from witnesspost.rules.site.reading import site_from_toml
from witnesspost.rules.site.tables import WRITTEN_BY_US, struct_in

from tests.bench import page as bench
from tests.documentation import PAGES, SCENARIOS, TOP

README = (TOP / "README.md").read_text()
SOURCES = {folder: sorted((TOP / folder).rglob("*.py")) for folder in ("rules", "daemon", "replay")}


def imports_of(path: Path) -> set[str]:
    """The rooms and top-level names that a module imports, wherever in it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {room_of(name.name) for name in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(room_of(node.module))
    return found


def room_of(module: str) -> str:
    """`daemon` of `daemon.cli`, `os` of `os.path`."""
    return module.removeprefix("witnesspost.").partition(".")[0]


@pytest.mark.parametrize(
    ("folder", "never"),
    [
        ("rules", {"daemon", "replay", "time", "threading", "socket", "logging", "subprocess", "random", "asyncio"}),
        ("daemon", {"replay"}),
        ("replay", {"threading", "socket"}),
    ],
)
def test_data_goes_one_way(folder, never):
    assert SOURCES[folder]
    for path in SOURCES[folder]:
        assert not imports_of(path) & never, path


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


@pytest.mark.parametrize(
    "path",
    [pytest.param(path, marks=[pytest.mark.slow] if path == SCENARIOS else []) for path in PAGES],
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


def keys_of(kind: type[Struct]) -> set[str]:
    """Every key that a table of this kind, and those in it, may have."""
    found = set()
    for field in structs.fields(kind):
        if field.name not in WRITTEN_BY_US:
            found.add(field.name)
            inner = struct_in(field.type)
            found |= keys_of(inner) if inner else set()
    return found


def test_the_readmes_site_file_is_one():
    (text,) = re.findall(r"```toml\n(.*?)```", README, re.DOTALL)
    assert site_from_toml(text, "README.md", FIGURES).post.name == "kestrel-base"


def test_each_key_of_the_site_file_stands_in_the_readme():
    missing = {key for key in keys_of(Site) if not re.search(rf"\b{key}\b", README)}
    assert missing == set()
