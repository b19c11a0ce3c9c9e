"""The rooms and their floors: who may import whom, and what the pure ones never touch.

The graph is read from the sources by ``grimp``, imports inside functions included.
"""

from __future__ import annotations

import ast
import graphlib
import sys
from collections.abc import Iterator
from fnmatch import fnmatch
from pathlib import Path

import grimp
import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("monitor", "hardware", "web")

MAY_IMPORT: dict[str, set[str]] = {
    "monitor.contract": set(),
    "monitor.physics": set(),
    "monitor.rules": {"monitor.contract", "monitor.physics"},
    "monitor.run": {"monitor.contract", "monitor.physics", "monitor.rules"},
    "monitor.runtime": {"monitor.contract", "monitor.rules"},
    "monitor.trace": {"monitor.contract", "monitor.rules", "monitor.run"},
    "hardware": {"monitor.contract", "monitor.runtime"},
    "web": {"monitor.contract", "monitor.runtime", "monitor.trace", "monitor.run", "monitor.rules"},
}
"""The rooms; modules that lie loose in ``monitor`` put them together."""

COMPOSERS = {
    "monitor.care_commands",
    "monitor.commands",
    "monitor.demo",
    "monitor.record_commands",
    "monitor.report_evidence",
    "monitor.service_start",
}
"""The only ones that may know hardware and web."""

PURE = (
    "monitor.contract.*",
    "monitor.physics.*",
    "monitor.rules.*",
    "monitor.run.*",
    "hardware.strokes",
    "hardware.sound_patterns",
    "web.view",
    "web.*_picture",
)
OUTSIDE_WORLD = (
    *("asyncio", "concurrent", "http", "io", "logging", "multiprocessing", "os", "pathlib", "queue"),
    *("random", "select", "selectors", "shutil", "signal", "socket", "sqlite3", "ssl", "subprocess"),
    *("tempfile", "threading", "time", "urllib"),
)
CLOCKS_AND_FILES = {"now", "utcnow", "today", "open", "print", "input"}

OWNERS: dict[str, tuple[str, ...]] = {
    "aiomqtt": ("monitor.runtime.broker",),
    "alembic": ("monitor.trace",),
    "amqtt": ("monitor.runtime.embedded_broker",),
    "fastapi": ("web",),
    "markupsafe": ("web.page",),
    "numpy": ("monitor.physics", "monitor.rules"),
    "pydantic": ("monitor", "hardware", "web"),
    "sqlalchemy": ("monitor.trace",),
    "starlette": ("web",),
    "uvicorn": ("web.connections", "web.service"),
    "typer": (
        "monitor.commands",
        "monitor.command_options",
        "monitor.care_commands",
        "monitor.record_commands",
        "monitor.report_command",
    ),
}
"""Libraries that a whole room uses, or that are to have one owner by name; any other has one module."""

VAGUE = ("util", "utils", "helper", "helpers", "common", "manager", "misc", "tools", "base")
LONGEST_MODULE = 400


@pytest.fixture(scope="module")
def graph() -> grimp.ImportGraph:
    return grimp.build_graph(*PACKAGES, include_external_packages=True, cache_dir=None)


def is_ours(module: str) -> bool:
    return module.split(".")[0] in PACKAGES


def lies_in(module: str, room: str) -> bool:
    return module == room or module.startswith(f"{room}.")


def room_of(module: str) -> str | None:
    """Return the room that ``module`` lies in, or None for one that puts rooms together."""
    return next((room for room in MAY_IMPORT if lies_in(module, room)), None)


def imports(graph: grimp.ImportGraph) -> Iterator[tuple[str, str]]:
    """Yield (importer, imported) for every import of ours."""
    for module in sorted(filter(is_ours, graph.modules)):
        for imported in sorted(graph.find_modules_directly_imported_by(module)):
            yield module, imported


def forbidden_ways(graph: grimp.ImportGraph) -> list[str]:
    """Return the imports from one room into another that the plan does not draw."""
    found = []
    for module, imported in imports(graph):
        here, there = room_of(module), room_of(imported)
        if not is_ours(imported) or here == there:
            continue
        if here is None:
            if there in ("hardware", "web") and module not in COMPOSERS:
                found.append(f"{module} -> {imported}")
        elif there not in MAY_IMPORT[here]:
            found.append(f"{module} -> {imported}")
    return found


def circles(graph: grimp.ImportGraph) -> list[str]:
    """Return a circle among modules, if there is one."""
    ours = {module for module in graph.modules if is_ours(module)}
    needs = {module: graph.find_modules_directly_imported_by(module) & ours for module in ours}
    try:
        graphlib.TopologicalSorter(needs).prepare()
    except graphlib.CycleError as error:
        return list(error.args[1])
    return []


def ways_out(graph: grimp.ImportGraph) -> list[str]:
    """Return how pure modules reach files, sockets, clocks, tasks or the log."""
    found = []
    for module in sorted(module for module in graph.modules if is_pure(module)):
        for outside in OUTSIDE_WORLD:
            if outside in graph.modules and (
                chain := graph.find_shortest_chain(importer=module, imported=outside)
            ):
                found.append(" -> ".join(chain))
    return found


def is_pure(module: str) -> bool:
    return any(fnmatch(module, pattern) for pattern in PURE)


def libraries_out_of_place(graph: grimp.ImportGraph) -> list[str]:
    """Return imports of outside libraries beyond the one place that owns each."""
    found = []
    outside = {
        module
        for module in graph.modules
        if not is_ours(module) and module.split(".")[0] not in sys.stdlib_module_names
    }
    for library in sorted(outside):
        importers = sorted(graph.find_modules_that_directly_import(library))
        owners = OWNERS.get(library) or tuple(importers[:1])
        found += [
            f"{module} -> {library}"
            for module in importers
            if not any(lies_in(module, owner) for owner in owners)
        ]
    return found


def sources(*folders: str) -> list[Path]:
    return sorted(path for folder in folders for path in (ROOT / folder).rglob("*.py"))


def module_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts)


def test_imports_run_one_way(graph: grimp.ImportGraph) -> None:
    assert forbidden_ways(graph) == []


def test_no_circle_among_modules(graph: grimp.ImportGraph) -> None:
    assert circles(graph) == []


def test_hardware_and_web_never_meet(graph: grimp.ImportGraph) -> None:
    assert not graph.chain_exists(importer="hardware", imported="web", as_packages=True)
    assert not graph.chain_exists(importer="web", imported="hardware", as_packages=True)


def test_the_page_never_reaches_what_writes_the_trace(graph: grimp.ImportGraph) -> None:
    writer = "monitor.trace.store"
    assert writer in graph.modules
    chains = graph.find_shortest_chains(importer="web", imported=writer, as_packages=True)
    assert [" -> ".join(chain) for chain in chains] == []


def test_pure_modules_reach_no_outside_world(graph: grimp.ImportGraph) -> None:
    assert ways_out(graph) == []


def test_there_are_pure_modules_in_every_pure_room(graph: grimp.ImportGraph) -> None:
    for pattern in PURE:
        assert any(fnmatch(module, pattern) for module in graph.modules), pattern


@pytest.mark.parametrize(
    "path", [path for path in sources(*PACKAGES) if is_pure(module_of(path))], ids=module_of
)
def test_pure_modules_read_no_clock_and_open_nothing(path: Path) -> None:
    assert calls_out(path.read_text(encoding="utf-8")) == []


def calls_out(source: str) -> list[str]:
    """Return calls in ``source`` that read a clock, open a file or print."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call):
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            if name in CLOCKS_AND_FILES:
                found.append(f"line {node.lineno}: {name}()")
    return found


def test_each_outside_library_has_one_owner(graph: grimp.ImportGraph) -> None:
    assert libraries_out_of_place(graph) == []


def test_the_services_start_without_the_demo_s_broker() -> None:
    """amqtt is imported where it is asked for, never with its module."""
    tree = ast.parse((ROOT / "monitor/runtime/embedded_broker.py").read_text(encoding="utf-8"))
    at_the_top = [
        node
        for node in tree.body
        if isinstance(node, ast.Import | ast.ImportFrom) and "amqtt" in ast.dump(node)
    ]
    assert at_the_top == []


@pytest.mark.parametrize("path", sources(*PACKAGES), ids=module_of)
def test_no_module_is_too_long(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LONGEST_MODULE


@pytest.mark.parametrize("path", sources(*PACKAGES, "tests"), ids=module_of)
def test_no_module_has_a_vague_name(path: Path) -> None:
    assert not {*path.relative_to(ROOT).parts, *path.stem.split("_"), path.stem} & set(VAGUE)


@pytest.mark.parametrize("path", sources(*PACKAGES), ids=module_of)
def test_every_module_says_first_what_it_is(path: Path) -> None:
    assert ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))


def test_the_folder_of_units_shadows_no_package() -> None:
    """``systemd/`` is data; as a package it would hide python3-systemd."""
    assert not (ROOT / "systemd" / "__init__.py").exists()


class TestTheRulesThemselves:
    """Each rule finds the fault it is for, in a graph drawn by hand."""

    @pytest.mark.parametrize(
        ("importer", "imported"),
        [
            ("monitor.contract.units", "monitor.rules.flags"),
            ("monitor.physics.syrup", "monitor.contract.units"),
            ("monitor.rules.flags", "monitor.run.engine"),
            ("monitor.run.engine", "monitor.runtime.clock"),
            ("monitor.runtime.broker", "monitor.trace.store"),
            ("hardware.probe", "web.app"),
            ("hardware.probe", "monitor.rules.flags"),
            ("web.view", "hardware.probe"),
            ("web.view", "monitor.physics.syrup"),
            ("monitor.service", "web.app"),
        ],
    )
    def test_a_wrong_way_is_found(self, importer: str, imported: str) -> None:
        assert forbidden_ways(drawn((importer, imported))) == [f"{importer} -> {imported}"]

    def test_a_circle_is_found(self) -> None:
        ways = [("web.app", "web.live"), ("web.live", "web.runs"), ("web.runs", "web.app")]
        assert set(circles(drawn(*ways))) == {"web.app", "web.live", "web.runs"}

    def test_a_way_out_is_found_through_another_module(self) -> None:
        ways = [("monitor.rules.flags", "monitor.runtime.clock"), ("monitor.runtime.clock", "time")]
        assert ways_out(drawn(*ways)) == ["monitor.rules.flags -> monitor.runtime.clock -> time"]

    def test_a_second_importer_is_found(self) -> None:
        ways = [("monitor.runtime.broker", "aiomqtt"), ("web.live", "aiomqtt")]
        assert libraries_out_of_place(drawn(*ways)) == ["web.live -> aiomqtt"]

    def test_a_clock_and_a_file_are_found(self) -> None:
        assert calls_out("x = datetime.now()\nopen('f')") == ["line 1: now()", "line 2: open()"]


def drawn(*ways: tuple[str, str]) -> grimp.ImportGraph:
    """Return a graph of these imports."""
    graph = grimp.ImportGraph()
    for importer, imported in ways:
        for module in (importer, imported):
            graph.add_module(module, is_squashed=not is_ours(module))
        graph.add_import(importer=importer, imported=imported)
    return graph
