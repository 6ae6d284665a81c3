"""The layers: pure packages stay pure, imports go down, the daemon loads nothing heavy."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2] / "daemon" / "coalminder"
IMPURE = {
    "asyncio",
    "gpiozero",
    "paho",
    "os",
    "time",
    "logging",
    "threading",
    "socket",
    "sqlite3",
    "subprocess",
}
PURE = ("core", "safety", "food", "grill")
# A package's command-line face is a shell, and so is a module that prints tables for the docs.
FACES = {"command.py", "push_command.py", "practice.py", "tables.py", "document.py"}

# package -> packages it may import (leaves and its own are always allowed), as in docs/architecture.md
LEAVES = set("values events seams errors codec units places reopened build lowpass frozen".split())
MAY: dict[str, set[str]] = {
    "safety": set(),
    "food": set(),
    "grill": set(),
    "core": {"safety", "food"},
    "vents": {"settings"},
    "probes": {"settings", "messages"},
    "settings": {"core", "safety", "food"},
    "journal": set(),
    "messages": set(),
}


def modules() -> Iterator[tuple[str, Path]]:
    for path in sorted(ROOT.rglob("*.py")):
        parts = path.relative_to(ROOT.parent).with_suffix("").parts
        yield ".".join(parts[:-1] if parts[-1] == "__init__" else parts), path


NAMES = dict(modules())


def top_level_imports(path: Path, name: str) -> set[str]:
    """Modules imported when `path` is imported (not inside functions, not for type checking)."""
    found: set[str] = set()

    def visit(body: list[ast.stmt]) -> None:
        for node in body:
            if isinstance(node, ast.Import):
                found.update(alias.name for alias in node.names)
            elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
                for alias in node.names:
                    whole = f"{node.module}.{alias.name}"
                    found.add(whole if whole in NAMES else node.module)
            elif isinstance(node, ast.If):
                if "TYPE_CHECKING" not in ast.unparse(node.test):
                    visit(node.body)
                visit(node.orelse)
            elif isinstance(node, ast.Try | ast.ClassDef):
                visit(node.body)

    visit(ast.parse(path.read_text("utf-8")).body)
    return found - {name}


GRAPH = {name: top_level_imports(path, name) for name, path in NAMES.items()}


def package(name: str) -> str:
    parts = name.split(".")
    return parts[1] if len(parts) > 1 else ""


def test_no_import_cycles() -> None:
    done: set[str] = set()

    def walk(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, " -> ".join([*trail[trail.index(name) :], name])
        if name in done:
            return
        for other in sorted(GRAPH[name]):
            if other in GRAPH:
                walk(other, (*trail, name))
        done.add(name)

    for name in GRAPH:
        walk(name, ())


@pytest.mark.parametrize("pure", PURE)
def test_pure_packages_import_nothing_that_does_io_or_tells_time(pure: str) -> None:
    for path in sorted((ROOT / pure).rglob("*.py")):
        if path.name in FACES:
            continue
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            names: list[str] = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.module:
                names = [node.module]
            bad = {name.split(".")[0] for name in names} & IMPURE
            assert not bad, f"{path.relative_to(ROOT)} imports {bad}"


def edges() -> Iterator[tuple[str, str, str]]:
    """(package, the other package, which module imports which), without leaves, shells and faces."""
    for name, imports in GRAPH.items():
        own = package(name)
        if own not in MAY or NAMES[name].name in FACES:
            continue
        for other in imports:
            if other.startswith("coalminder.") and package(other) not in LEAVES | {own}:
                yield own, package(other), f"{name} imports {other}"


def test_imports_go_down_the_layers() -> None:
    wrong = [what for own, other, what in edges() if other not in MAY[own]]
    assert not wrong, "\n".join(wrong)


def test_what_is_allowed_is_used() -> None:
    used = {(own, other) for own, other, _ in edges()}
    assert {(own, other) for own, others in MAY.items() for other in others} == used
    assert {path.name for path in NAMES.values()} >= FACES


def test_leaves_import_leaves_only() -> None:
    wrong = [
        f"{name} imports {other}"
        for name, imports in GRAPH.items()
        for other in imports
        if package(name) in LEAVES and other.startswith("coalminder.") and package(other) not in LEAVES
    ]
    assert not wrong, "\n".join(wrong)


def test_the_layers_in_docs_are_those_tested() -> None:
    text = (ROOT.parents[1] / "docs" / "architecture.md").read_text("utf-8")
    shown: dict[str, set[str]] = {}
    for line in text.partition("## Layers")[2].partition("\n## ")[0].splitlines():
        if line.startswith("|") and "`" in line and "all below" not in line:
            packages, others = (re.findall(r"`(\w+)`", cell) for cell in line.split("|")[2:4])
            shown |= {name: set(others) for name in packages}
    assert shown == MAY | {leaf: set() for leaf in LEAVES}


def test_the_daemon_loads_no_numpy_scipy_or_matplotlib() -> None:
    modules = "service.command core messages.link journal probes.build vents.build".split()
    heavy = "numpy scipy matplotlib rich amqtt numba pandas pyarrow CoolProp".split()
    code = (
        f"import sys, {', '.join('coalminder.' + m for m in modules)};"
        f"print(sorted({{m.split('.')[0] for m in sys.modules}} & set({heavy})))"
    )
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"


def test_every_public_function_and_class_of_the_pure_packages_says_what_it_is() -> None:
    missing = []
    for pure in PURE:
        for path in sorted((ROOT / pure).rglob("*.py")):
            tree = ast.parse(path.read_text("utf-8"))
            for node in tree.body:
                if not isinstance(node, ast.FunctionDef | ast.ClassDef) or node.name.startswith("_"):
                    continue
                if ast.get_docstring(node) is None:
                    missing.append(f"{path.relative_to(ROOT)}: {node.name}")
    assert not missing, "\n".join(missing)
