"""The public functions and classes say what goes in, what comes out, in which shape and unit."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from architecture.project import module_name, modules, room, tree

DOCUMENTED = {
    "checks", "compiled", "merging", "samples",
    "calibration", "estimation", "grasp", "importing", "physics", "recordings", "reports", "scoring", "simulation",
    "sources",
}  # fmt: skip

# Inner loops are not checked one by one: each is called by a documented function and says its equation in a few words.
INNER_LOOP = "compiled"

SECTION = re.compile(r"^(?P<title>[A-Z][a-z]+)\n-{3,}\n", re.MULTILINE)
NUMBER = re.compile(r"\b(float|Array|ArrayLike|NDArray\[np\.float64\]|np\.ndarray)\b")
# A unit or "(1)" in brackets, or in words where the unit is that of another argument, or in the name itself.
UNIT = re.compile(
    r"\([^()]*\b(1|m|s|N|Pa|H|V|A|T|W|J|K|Hz|F|S|ohm|rad|degC|kg|dB|%)\b[^()]*\)|\bunits?\b|\bsame as\b|\bTrue\b|\bbool"
)
UNIT_SUFFIX = re.compile(r"_(m|m2|m3|s|n|pa|h|v|a|t|w|j|k|hz|f|ohm|rad|c|kg|db|n2|n_m|s2|v2)$")
SHAPE = re.compile(r"shape|array_like|scalar|sequence|As in `")


def _public(path: Path) -> Iterator[tuple[str, ast.FunctionDef | ast.ClassDef]]:
    """Yield (dotted name, definition) of each public function, class and method of a module."""
    module = module_name(path)
    if any(part.startswith("_") for part in module.split(".")):
        return
    for node in tree(path).body:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)) and not node.name.startswith("_"):
            yield f"{module}.{node.name}", node
            for inner in node.body if isinstance(node, ast.ClassDef) and not _is_protocol(node) else ():
                if isinstance(inner, ast.FunctionDef) and not inner.name.startswith("_"):
                    yield f"{module}.{node.name}.{inner.name}", inner


def _is_protocol(node: ast.ClassDef) -> bool:
    """Return whether a class only names what others have; those that have it describe it."""
    return any(ast.unparse(base).endswith("Protocol") for base in node.bases)


CASES = [
    pytest.param(name, node, id=name.removeprefix("soft_tactile_node."))
    for path in modules()
    if room(module_name(path)) in DOCUMENTED
    for name, node in _public(path)
]


def _sections(text: str) -> dict[str, str]:
    """Return the body of each section of a numpydoc docstring by its title."""
    matches = list(SECTION.finditer(text))
    ends = [*(match.start() for match in matches[1:]), len(text)]
    return {match["title"]: text[match.end() : end] for match, end in zip(matches, ends, strict=False)}


def _entries(section: str) -> dict[str, str]:
    """Return type and text of each name that a section describes."""
    found: dict[str, str] = {}
    names: list[str] = []
    for line in section.splitlines():
        if line and not line.startswith(" "):
            names = [name.strip().lstrip("*") for name in line.split(" : ")[0].split(",")]
            found |= dict.fromkeys(names, line)
        else:
            for name in names:
                found[name] += "\n" + line.strip()
    return found


def _arguments(node: ast.FunctionDef) -> list[ast.arg]:
    every = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
    return [argument for argument in every if argument.arg not in {"self", "cls"}]


def _complaints_about_numbers(name: str, annotation: str, described: str) -> list[str]:
    """Return what is missing in the description of a number or an array of numbers."""
    found: list[str] = []
    if "Callable" in annotation or "As in `" in described:
        return found
    if NUMBER.search(annotation) and not UNIT_SUFFIX.search(name) and not UNIT.search(described):
        found.append(f"{name}: no unit")
    if re.search(r"Array|ndarray", annotation) and not SHAPE.search(described):
        found.append(f"{name}: no shape")
    return found


@pytest.mark.parametrize(("name", "node"), CASES)
def test_docstring_is_complete(name: str, node: ast.FunctionDef | ast.ClassDef) -> None:
    """Each argument of a public function is described; numbers have a unit, arrays a shape; results are described."""
    text = ast.get_docstring(node)
    assert text, f"{name} has no docstring"
    if isinstance(node, ast.ClassDef) or _decorated(node, "property") or _decorated(node, INNER_LOOP):
        return
    sections = _sections(text)
    one_line = len(text.splitlines()) == 1
    complaints: list[str] = []
    described = _entries(sections.get("Parameters", ""))
    for argument in _arguments(node):
        annotation = ast.unparse(argument.annotation) if argument.annotation else ""
        # A short method may name its arguments in its one line instead: "Keep `pressure_pa` (Pa) for later."
        words = text if one_line and f"`{argument.arg}`" in text else described.get(argument.arg)
        if words is None:
            complaints.append(f"{argument.arg}: not described")
        elif not one_line:
            complaints += _complaints_about_numbers(argument.arg, annotation, words)
    extra = described.keys() - {argument.arg for argument in _arguments(node)} - _star_arguments(node)
    complaints += [f"{other}: described, but there is no such argument" for other in sorted(extra)]
    result = ast.unparse(node.returns) if node.returns else "None"
    summary = text.partition("\n")[0]
    if not _arguments(node) and UNIT.search(summary):
        pass  # the summary says what is returned, and in which unit
    elif result != "None" and not one_line and not sections.keys() & {"Returns", "Yields"}:
        complaints.append("the result is not described")
    elif result != "None" and not one_line:
        complaints += _complaints_about_numbers("result", result, sections.get("Returns", sections.get("Yields", "")))
    assert complaints == []


def _decorated(node: ast.FunctionDef, name: str) -> bool:
    return any(ast.unparse(decorator).endswith(name) for decorator in node.decorator_list)


def _star_arguments(node: ast.FunctionDef) -> set[str]:
    return {argument.arg for argument in (node.args.vararg, node.args.kwarg) if argument is not None}


def _docstrings(path: Path) -> str:
    nodes = [node for node in ast.walk(tree(path)) if isinstance(node, (ast.Module, ast.FunctionDef, ast.ClassDef))]
    return "\n".join(ast.get_docstring(node) or "" for node in nodes)


# Modules of physics without a formula that was taken from somewhere, with the reason.
WITHOUT_SOURCE: dict[str, str] = {
    "soft_tactile_node.physics": "only introduces the package",
}


@pytest.mark.parametrize(
    "path",
    [path for path in modules() if room(module_name(path)) == "physics" and module_name(path) not in WITHOUT_SOURCE],
    ids=module_name,
)
def test_physics_names_its_sources(path: Path) -> None:
    """Each module of physics says where its formulas come from."""
    assert re.search(r"\bSources?:", _docstrings(path) + path.read_text())


def test_skipped_names_exist() -> None:
    """The list of exceptions holds nothing that is gone."""
    assert WITHOUT_SOURCE.keys() - set(map(module_name, modules())) == set()
