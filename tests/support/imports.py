"""Which packages the code of a step imports, itself and through the modules it calls: read from the source."""

from __future__ import annotations

import ast
from collections.abc import Callable
from functools import cache
from importlib.util import find_spec
from inspect import getsourcefile
from pathlib import Path
from types import MappingProxyType

PACKAGE = "examtally"
DISTRIBUTIONS = MappingProxyType({"sklearn": "scikit-learn"})


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def _imports(path: Path) -> dict[str, str]:
    """Name in this module -> dotted name of what it stands for, wherever in the module it is imported."""
    found = {}
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.Import):
            found |= {(alias.asname or alias.name.split(".")[0]): alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found |= {(alias.asname or alias.name): f"{node.module}.{alias.name}" for alias in node.names}
    return found


@cache
def _file(dotted: str) -> Path | None:
    """The module that holds this dotted name of ours."""
    while dotted.startswith(PACKAGE):
        try:
            spec = find_spec(dotted)
        except ModuleNotFoundError:
            spec = None
        if spec is not None and spec.origin:
            return Path(spec.origin)
        dotted = dotted.rpartition(".")[0]
    return None


@cache
def _definitions(path: Path) -> dict[str, tuple[set[str], set[tuple[str, str]]]]:
    """What each definition of a module mentions: names, and attributes of names."""
    bodies: dict[str, ast.AST] = {}
    for node in _tree(path).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            bodies[node.name] = node
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            bodies |= {target.id: node for target in targets if isinstance(target, ast.Name)}
    found = {}
    for name, body in bodies.items():
        inside = list(ast.walk(body))
        names = {node.id for node in inside if isinstance(node, ast.Name)}
        attributes = {
            (node.value.id, node.attr)
            for node in inside
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name)
        }
        found[name] = names, attributes
    return found


@cache
def _used(path: Path, name: str) -> set[str]:
    """Dotted names that the definition `name` of a module uses, and those that its own helpers use."""
    definitions, imports = _definitions(path), _imports(path)
    seen: set[str] = set()
    wanted, found = {name}, set()
    while wanted:
        one = wanted.pop()
        seen.add(one)
        names, attributes = definitions.get(one, (set(), set()))
        found |= {imports[each] for each in names if each in imports}
        found |= {f"{imports[of]}.{attribute}" for of, attribute in attributes if of in imports}
        wanted |= (names & definitions.keys()) - seen
    return found


def packages_behind(step: Callable[..., object], among: set[str]) -> set[str]:
    """The packages of `among` used by the code that `step` reaches, definition by definition."""
    begin = Path(str(getsourcefile(step)))
    open_, seen, found = {(begin, step.__name__)}, set(), set()
    while open_:
        path, name = open_.pop()
        seen.add((path, name))
        for dotted in _used(path, name):
            top = dotted.split(".")[0]
            if top != PACKAGE:
                found.add(DISTRIBUTIONS.get(top, top))
            elif home := _file(dotted):
                reached = (home, dotted.rpartition(".")[2])
                open_ |= {reached} - seen
    return found & among
