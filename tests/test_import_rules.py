"""The rooms know only those below them; the truck's side stays small."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
ROOMS = ("edge", "server", "models", "simulators")
MAY_IMPORT = {
    "models": set(),
    "edge": {"models"},
    "server": {"models"},
    "simulators": {"models"},
}
# The one door through the wall: the edge's `simulated` source.
DOORS = {("edge", "axlewright_edge/sources/simulated.py", "simulators")}
# Too big for a gateway; at import time none of these may be needed by the edge or the models.
HEAVY = {"scipy", "fastapi", "pydantic", "sqlalchemy", "pyarrow", "uvicorn", "jinja2", "alembic", "can", "cantools"}
# May be imported inside a function by the edge, when a file of that kind or a vehicle bus is opened.
LAZY = {"pyarrow", "can", "cantools", "scipy"}


def _imports(tree: ast.AST) -> list[tuple[str, bool]]:
    """Return (module, whether it is inside a function) of every import."""
    found: list[tuple[str, bool]] = []

    def visit(node: ast.AST, inside: bool) -> None:
        if isinstance(node, ast.Import):
            found.extend((alias.name, inside) for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found.append((node.module, inside))
        inner = inside or isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) or _only_for_types(node)
        for child in ast.iter_child_nodes(node):
            visit(child, inner)

    visit(tree, False)
    return found


def _only_for_types(node: ast.AST) -> bool:
    return isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"


def _sources(room: str) -> list[Path]:
    return sorted((ROOT / room / f"axlewright_{room}").rglob("*.py"))


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_imports_only_the_rooms_below_it(room: str) -> None:
    sources = _sources(room)
    assert sources, f"{room} holds no package"
    for path in sources:
        name = path.relative_to(ROOT / room).as_posix()
        for module, _ in _imports(ast.parse(path.read_text(encoding="utf-8"))):
            top = module.split(".")[0]
            if not top.startswith("axlewright_"):
                continue
            other = top.removeprefix("axlewright_")
            allowed = other == room or other in MAY_IMPORT[room] or (room, name, other) in DOORS
            assert allowed, f"{path.relative_to(ROOT)} imports {module}"


@pytest.mark.parametrize("room", ["edge", "models"])
def test_the_truck_side_needs_no_heavy_library(room: str) -> None:
    for path in _sources(room):
        for module, inside in _imports(ast.parse(path.read_text(encoding="utf-8"))):
            top = module.split(".")[0]
            assert top not in HEAVY or (top in LAZY and inside), f"{path.relative_to(ROOT)} imports {module}"


def test_models_read_no_clock_and_no_chance() -> None:
    # The command line and the file loader are the borders; physics is not allowed to look at the time or to throw dice.
    forbidden = {"time", "random", "datetime", "socket", "subprocess", "sqlite3"}
    for path in _sources("models"):
        if path.parent.name == "wire":
            continue  # the codec takes "now" as an argument; SenML's relative times need a default
        for module, _ in _imports(ast.parse(path.read_text(encoding="utf-8"))):
            assert module.split(".")[0] not in forbidden, f"{path.relative_to(ROOT)} imports {module}"


def test_the_rules_would_notice_a_forbidden_import() -> None:
    tree = ast.parse("import scipy.signal\ndef f():\n    import pyarrow\nfrom axlewright_server import store\n")
    assert _imports(tree) == [("scipy.signal", False), ("pyarrow", True), ("axlewright_server", False)]


def test_the_packages_are_importable_under_their_own_names() -> None:
    for room in ROOMS:
        __import__(f"axlewright_{room}")
        assert f"axlewright_{room}" in sys.modules
