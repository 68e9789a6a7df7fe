"""Which topics, services and actions the nodes have, read from the calls in their source that make them."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

CLIENTS = {"demo/observer.py", "feeds/topics.py", "hand/controller_watch.py", "hand/hand.py"}
"""Modules of programs that talk to the nodes: what they make is no interface of a node."""

CALLS = {
    "publish_on": ("publishes", 0, 1, 2),
    "create_publisher": ("publishes", 0, 1, 2),
    "subscribe_to": ("subscribes", 0, 1, 3),
    "create_subscription": ("subscribes", 0, 1, 3),
    "serve": ("services", 0, 1, None),
    "LateService": ("services", 1, 2, None),
    "ActionServer": ("actions", 1, 2, None),
    "_serve": ("actions", 0, 1, None),
    "call_service": ("calls", 0, 1, None),
}
"""Function -> what it makes, and at which places type, name and quality of service stand among its arguments."""

PROFILES = {"sensor_data": "sensor data", "reliable": "reliable", "estimate": "estimate"}
WORDS = {"latched": "latched", "alive": "sign of life"}


@dataclass(frozen=True)
class Made:
    """One end of a topic, a service or an action: what it is, its name and type, and the profile's words."""

    kind: str
    name: str
    type: str
    profile: str


def scan(folder: Path) -> set[Made]:
    """Return what the modules of a folder make.

    Parameters
    ----------
    folder : pathlib.Path
        Folder with the nodes; folders in it count.

    Returns
    -------
    set of Made
        Topics whose name is worked out elsewhere are left out.
    """
    paths = [path for path in sorted(folder.rglob("*.py")) if path.relative_to(folder).as_posix() not in CLIENTS]
    trees = [ast.parse(path.read_text()) for path in paths]
    types = dict(pair for tree in trees for pair in _imported_types(tree))
    return {made for tree in trees for made in _made_in(tree, types)}


def _imported_types(tree: ast.Module) -> Iterator[tuple[str, str]]:
    """Yield (name in the module, "package/Type") of each message, service and action."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.endswith((".msg", ".srv", ".action")):
            for alias in node.names:
                yield alias.asname or alias.name, f"{node.module.split('.')[0]}/{alias.name}"


def _made_in(tree: ast.Module, types: dict[str, str]) -> Iterator[Made]:
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        kind, *places = CALLS.get(called, ("", 0, 0, None))
        if not kind or len(node.args) <= max(place for place in places if place is not None):
            continue
        name = _name(node.args[places[1]])
        if name:
            profile = "" if places[2] is None else _profile(node.args[places[2]])
            yield Made(kind, name, _type(node.args[places[0]], types), profile)


def _name(node: ast.expr) -> str:
    """Return a name as written; what a finger's namespace is put before is shown as <finger>/."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "<finger>" + "".join(str(part.value) for part in node.values if isinstance(part, ast.Constant))
    return ""


def _type(node: ast.expr, types: dict[str, str]) -> str:
    name = node.attr if isinstance(node, ast.Attribute) else getattr(node, "id", "")
    return types.get(name, name)


def _profile(node: ast.expr) -> str:
    """Return the words for a call of the module qos."""
    if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
        return "sensor data" if getattr(node, "id", "") == "sensor_data" else ast.unparse(node)
    words = [WORDS[keyword.arg] for keyword in node.keywords if keyword.arg in WORDS]
    return ", ".join([PROFILES[node.func.attr], *words])
