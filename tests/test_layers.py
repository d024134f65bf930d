"""Each stage imports only what it may: the table in DEVELOPERS.md, held to every import statement of the code."""

import ast
import re
from collections.abc import Iterator
from fnmatch import fnmatch
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "optimiser"
HEAVY = {"ortools", "networkx", "scipy", "pandas", "ephem", "fpdf", "fontTools", "ezdxf", "pymupdf_fonts", "xlsxwriter"}
HEAVY |= {"openpyxl", "pyproj"}


def read_table() -> tuple[dict[str, tuple[set[str], set[str]]], set[str]]:
    """
    Read the table of DEVELOPERS.md.

    Returns
    -------
    rows
        For each stage, what it may import and what it may not although a wider name allows it.
    free
        What every stage may import: the names in the table's head.
    """
    lines = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines()
    head = next(i for i, line in enumerate(lines) if line.startswith("| stage | may import"))
    free = set(re.findall(r"`([\w.]+)`", lines[head]))
    body = []
    for line in lines[head + 2 :]:
        if not line.startswith("|"):
            break
        body.append([cell.strip() for cell in line.strip("|").split("|")])
    named = [(name.removesuffix(".py"), cell) for first, cell in body for name in re.findall(r"`([\w.]+)`", first)]
    stages = [name for name, _ in named]
    rows = {}
    for stage, cell in named:
        denied = set(re.findall(r"`([\w.]+)` never", cell))
        allowed = set(re.findall(r"`([\w.]+)`", cell)) - denied
        if cell.startswith("everything"):
            denied = allowed if "everything but" in cell else set()
            allowed = {*stages} - denied - {"cli"}
        rows[stage] = (allowed, denied)
    return rows, free


ROWS, FREE = read_table()


def module_name(path: Path) -> str:
    """Dotted name below ``optimiser``: ``survey.model``, ``survey`` for its ``__init__``, ``""`` for the root's."""
    if path == ROOT / "cli.py":
        return "cli"
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(part for part in parts if part != "__init__")


def known_modules() -> set[str]:
    return {module_name(path) for path in PACKAGE.rglob("*.py")}


def imports_of(path: Path) -> Iterator[tuple[int, str]]:
    """Line and dotted name below ``optimiser`` of everything of this package that the file imports."""
    modules = known_modules()
    inside = path != ROOT / "cli.py"
    package = ["optimiser", *path.relative_to(PACKAGE).parent.parts] if inside else []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            stem = ".".join([*base, *([node.module] if node.module else [])])
            # `from .survey import model` imports survey.model; `from .job import Job` imports job.
            found = [
                f"{stem}.{alias.name}" if f"{stem}.{alias.name}".removeprefix("optimiser.") in modules else stem
                for alias in node.names
            ]
        else:
            continue
        for name in found:
            if name == "cli" or name.split(".")[0] == "optimiser":
                yield node.lineno, name.removeprefix("optimiser").removeprefix(".")


def stage_of(module: str) -> str:
    return module.split(".")[0]


def covers(names: set[str], module: str) -> bool:
    """Whether one of the names is the module or a package round it."""
    return any(module == name or module.startswith(name + ".") for name in names)


FILES = sorted([*PACKAGE.rglob("*.py"), *ROOT.glob("cli.py")])


def test_every_module_has_a_place_in_the_table() -> None:
    stages = {stage_of(module_name(path)) for path in FILES} - {""}
    assert stages <= set(ROWS) | FREE, f"not in the table of DEVELOPERS.md: {sorted(stages - set(ROWS) - FREE)}"


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_stay_inside_the_layers(path: Path) -> None:
    stage = stage_of(module_name(path))
    if stage == "":  # optimiser/__init__.py re-exports
        return
    allowed, denied = ROWS.get(stage, (set(), set()))
    wrong = [
        f"{path.name}:{line} imports {name or 'optimiser'}"
        for line, name in imports_of(path)
        if stage_of(name) != stage and (covers(denied, name) or not covers(allowed | FREE, name))
    ]
    assert not wrong, wrong


def test_data_flows_one_way() -> None:
    """The stages can be put in an order in which none imports a later one (``CycleError`` names the ring if not)."""
    graph: dict[str, set[str]] = {}
    for path in FILES:
        stage = stage_of(module_name(path))
        if stage:
            # plan.model and search.layout are values that lower stages may read: modules count, not folders.
            graph.setdefault(module_name(path), set()).update(name for _, name in imports_of(path) if name)
    list(TopologicalSorter(graph).static_order())


def test_the_table_of_the_search_names_every_file_and_no_other() -> None:
    """By name, by a pattern such as ``oracle*.py``, or by its folder."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split("\n## How the search works\n")[1].split("\n## ")[0]
    rows = [line.split("|")[1] for line in section.splitlines() if line.startswith("| `")]
    named = {name for row in rows for name in re.findall(r"`([\w*./]+)`", row)}
    inside = sorted((PACKAGE / "search").glob("[a-z]*"))
    there = {path.name + "/" * path.is_dir() for path in inside if path.is_dir() or path.suffix == ".py"}
    missing = {name for name in there if not any(fnmatch(name, pattern) for pattern in named)}
    gone = {pattern for pattern in named if not any(fnmatch(name, pattern) for name in there)}
    assert (missing, gone) == (set(), set())


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_heavy_libraries_are_imported_where_they_are_used(path: Path) -> None:
    """``lampspur --help`` and every message about bad input come without waiting for solvers to load."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    top = [node for node in tree.body if isinstance(node, ast.Import | ast.ImportFrom)]
    names = {alias.name for node in top if isinstance(node, ast.Import) for alias in node.names}
    names |= {node.module or "" for node in top if isinstance(node, ast.ImportFrom) and node.level == 0}
    assert not {name for name in names if name.split(".")[0] in HEAVY}


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_every_module_says_what_comes_in_and_goes_out(path: Path) -> None:
    assert ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))
