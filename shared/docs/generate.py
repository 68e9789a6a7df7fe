"""Writes what follows from the code: `python shared/docs/generate.py`.

It renews shared/docs/reference, the URDF of the simulated gripper and the package's copies of the messages.
"""

from __future__ import annotations

import ast
import inspect
import math
import re
import sys
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import click
import yaml
from pydantic import BaseModel
from topics_of_code import scan

from soft_tactile_node.commands.main import group
from soft_tactile_node.grasp.palm import PalmGeometry
from soft_tactile_node.grasp.palm_model import palm_urdf
from soft_tactile_node.importing.schema import LogMap
from soft_tactile_node.ros.parameters.spec import markdown_table
from soft_tactile_node.ros.parameters.tables import NODES
from soft_tactile_node.samples import EventKind, Flag
from soft_tactile_node.scoring.figures import AXES, KEYS
from soft_tactile_node.scoring.verdict import LIMITS, WITHIN_2_SIGMA, WRONG_FORCE_S, Limits

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
PACKAGE = ROOT / "soft_tactile_node" / "soft_tactile_node"
NOTE = "<!-- Made by shared/docs/generate.py from the code. Change the code or texts.yaml, then run it again. -->"
TEXTS = yaml.safe_load((HERE / "texts.yaml").read_text())


class MissingWordsError(Exception):
    """The code and texts.yaml name different things."""


def table(head: str, rows: Iterable[Iterable[object]]) -> str:
    """Return a table in Markdown; `head` holds the titles, with bars between them."""
    titles = head.split("|")
    lines = ["| " + " | ".join(titles) + " |", "|" + "---|" * len(titles)]
    # a bar within a cell would end it
    return "\n".join(lines + ["| " + " | ".join(str(cell).replace("|", "\\|") for cell in row) + " |" for row in rows])


def _compare(found: set[str], worded: set[str], what: str) -> None:
    if found != worded:
        raise MissingWordsError(
            f"texts.yaml, {what}: add {sorted(found - worded)}, take out {sorted(worded - found)} or mend the code"
        )


# -- flags, events, states


def flags_page() -> str:
    """Return the flags, the kinds of event and the states with their meaning."""
    samples = (PACKAGE / "samples.py").read_text()
    words = dict(re.findall(r"^    ([A-Z_]+) = \d+  # (.+)$", samples, re.MULTILINE))
    event = (ROOT / "soft_tactile_msgs" / "msg" / "ContactEvent.msg").read_text()
    kinds = dict(re.findall(r"^uint8 ([A-Z]+)=\d+\s+# (.+)$", event, re.MULTILINE))
    estimate = (ROOT / "soft_tactile_msgs" / "msg" / "PadEstimate.msg").read_text()
    states = re.findall(r"^uint8 STATE_(\w+)=(\d+)\s+# (.+)$", estimate, re.MULTILINE)
    return "\n".join(
        [
            table("flag|number|meaning", [(f"`{flag.name}`", flag.value, words[str(flag.name)]) for flag in Flag]),
            "\n## Events\n",
            table(
                "kind|number in messages|meaning", [(f"`{k.value}`", k.number, kinds[str(k.name)]) for k in EventKind]
            ),
            "\n## States\n",
            table("state|number|meaning", [(f"`{name}`", number, text) for name, number, text in states]),
        ]
    )


# -- messages


def messages_page() -> str:
    """Return every message, service and action with its fields."""
    parts: list[str] = []
    for path in sorted((ROOT / "soft_tactile_msgs").rglob("*")):
        if path.suffix in (".msg", ".srv", ".action"):
            parts += _interface(path)
    return "\n".join(parts)


def _interface(path: Path) -> Iterator[str]:
    titles = {".msg": [""], ".srv": ["Request", "Response"], ".action": ["Goal", "Result", "Feedback"]}[path.suffix]
    kind = {".msg": "message", ".srv": "service", ".action": "action"}[path.suffix]
    yield f"\n## {path.stem} ({kind})\n"
    for title, text in zip(titles, re.split(r"^---$", path.read_text(), flags=re.MULTILINE), strict=True):
        if title:
            yield f"\n{title}:\n"
        yield from _fields(text)


def _fields(text: str) -> Iterator[str]:
    """Yield what a part of an interface file says: remarks as text, constants and fields as one table."""
    rows: list[list[str]] = []
    remarks: list[str] = []
    continued = False
    for line in text.splitlines():
        found = re.match(r"^(\S+)\s+([\w]+)(=\S+)?\s*(?:# (.*))?$", line)
        if line.startswith("#"):
            remarks.append(line.lstrip("# "))
        elif found:
            kind, name, value, words = found.groups()
            rows.append([f"`{name}{(value or '').replace('=', ' = ')}`", f"`{kind}`", words or ""])
            continued = True
        elif line.strip().startswith("#") and continued:
            rows[-1][2] += " " + line.strip("# ")
        elif not line.strip():
            remarks.append("")
    yield re.sub(r"\n{2,}", "\n\n", "\n".join(remarks)).strip()
    yield "\n" + table("name|type|meaning", rows) if rows else "\nnothing"


# -- topics, parameters, launch files


def topics_page() -> str:
    """Return what each node publishes, takes and serves."""
    made = {(made.kind, made.name): made for made in scan(PACKAGE / "ros")}
    worded = {(kind, name) for node in TEXTS["nodes"].values() for kind, names in node.items() for name in names}
    _compare({" ".join(key) for key in made}, {" ".join(key) for key in worded}, "nodes")
    parts = []
    for node, kinds in TEXTS["nodes"].items():
        rows = [
            (f"`{name}`", KINDS[kind], f"`{made[kind, name].type}`", made[kind, name].profile or "-", words)
            for kind, names in kinds.items()
            for name, words in names.items()
        ]
        parts += [f"\n## `{node}`\n", table("name|what|type|QoS|meaning", rows)]
    return "\n".join(parts)


KINDS = {
    "publishes": "publishes", "subscribes": "takes", "services": "service", "actions": "action", "calls": "calls",
}  # fmt: skip


def parameters_page() -> str:
    """Return the parameters of each node."""
    return "\n".join(f"## `{node}`\n\n{markdown_table(specs)}\n" for node, specs in NODES.items())


def launch_page() -> str:
    """Return the launch files with their arguments."""
    parts = []
    for path in sorted((ROOT / "launch").glob("*.launch.py")):
        tree = ast.parse(path.read_text())
        arguments = [
            node for node in ast.walk(tree)
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "DeclareLaunchArgument"
        ]  # fmt: skip
        parts += [f"\n## {path.name}\n", (ast.get_docstring(tree) or "").split("\n")[0] + "\n"]
        parts.append(table("argument|default|meaning", [_argument(call) for call in arguments]))
    return "\n".join(parts)


def _argument(call: ast.Call) -> tuple[str, str, str]:
    given = {keyword.arg: keyword.value for keyword in call.keywords}
    default = given.get("default_value")
    if default is None:
        shown = "must be given"
    elif isinstance(default, ast.Call):  # a path below the package's share folder
        shown = f"`{'/'.join(_literal(part) for part in default.args[0].elts[1:])}` of this package"
    else:
        shown = f"`{_literal(default)}`" if _literal(default) else "empty"
    return f"`{_literal(call.args[0])}`", shown, _literal(given["description"])


def _literal(node: ast.expr) -> str:
    """Return a text as written; what is put into it while it runs is shown as NAME."""
    if isinstance(node, ast.JoinedStr):
        return "".join(_literal(part) for part in node.values)
    return ast.unparse(node.value).upper() if isinstance(node, ast.FormattedValue) else str(ast.literal_eval(node))


# -- commands, map, figures


def commands_page() -> str:
    """Return the help of each subcommand."""
    context = click.Context(group, info_name="soft-tactile")
    parts: list[str] = []
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        words = [str(p.metavar or p.name) for p in command.params if isinstance(p, click.Argument)]
        parts += [f"\n## {' '.join(['soft-tactile', name, *words])}\n", _help_text(command.help or "")]
        options = [p for p in command.params if isinstance(p, click.Option)]
        parts.append("\n" + table("option|meaning", [_option(option) for option in options]))
    return "\n".join(parts)


def _help_text(text: str) -> str:
    """Return a help text with what is kept in lines (after a form feed of click) as a block."""
    blocks = []
    for block in inspect.cleandoc(text).split("\n\n"):
        lines = block.strip("\n").splitlines()
        kept = lines and lines[0].strip() == "\b"
        blocks.append("\n".join(["```text", *lines[1:], "```"] if kept else lines))
    return "\n\n".join(blocks)


def _option(option: click.Option) -> tuple[str, str]:
    names = ", ".join(option.opts)
    kind = option.type
    value = option.metavar or (" or ".join(map(str, kind.choices)) if isinstance(kind, click.Choice) else "")
    value = value or ("" if option.is_flag else kind.name.upper().replace(" RANGE", ""))
    default = f" Default: `{option.default}`." if option.show_default and not option.is_flag else ""
    return f"`{names}{' ' + value if value else ''}`", (option.help or "") + default


def import_map_page() -> str:
    """Return the keys of a map file."""
    parts = []
    for model in _models(LogMap):
        parts += [f"\n## {model.__name__}\n", (model.__doc__ or "").strip().splitlines()[0] + "\n"]
        words = dict.fromkeys(model.model_fields, ("Column", "Along this axis.")) | _attribute_words(model)
        rows = [
            (f"`{name}`", _kind(field.annotation, words[name][0]), words[name][1], _default(field))
            for name, field in model.model_fields.items()
        ]
        parts.append(table("key|kind|meaning|default", rows))
    return "\n".join(parts)


def _models(model: type[BaseModel]) -> list[type[BaseModel]]:
    """Return a model and those its fields hold, each once, the outer ones first."""
    found = [model]
    for field in model.model_fields.values():
        for inner in _classes_in(field.annotation):
            found += [other for other in _models(inner) if other not in found]
    return found


def _classes_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and get_origin(annotation) is None and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _classes_in(part)


def _attribute_words(model: type[BaseModel]) -> dict[str, tuple[str, str]]:
    """Return (kind, meaning) of each attribute in the docstrings of a model and of what it derives from."""
    words: dict[str, tuple[str, str]] = {}
    for base in reversed(model.__mro__):
        text = inspect.cleandoc(base.__doc__ or "") if issubclass(base, BaseModel) else ""
        for names, kind, meaning in re.findall(r"^(\w[\w, ]*) : (.+)\n((?:    .+\n?)+)", text, re.MULTILINE):
            words |= dict.fromkeys(names.split(", "), (kind, " ".join(meaning.split())))
    return words


def _kind(annotation: Any, words: str) -> str:
    return " or ".join(f"`{word}`" for word in get_args(annotation)) if get_origin(annotation) is Literal else words


def _default(field: Any) -> str:
    if field.is_required():
        return "must be given"
    shown = "none" if field.default in (None, (), "") else field.default
    return "its own defaults" if isinstance(shown, BaseModel) else f"`{shown}`"


def figures_page() -> str:
    """Return the figures of merit of a calibration and those of a score, with their definitions and limits."""
    record = yaml.safe_load((ROOT / "config" / "calibrations" / "left_finger.yaml").read_text())
    merit = [
        (f"`{name}`", figure["unit"], re.sub(r";? ?zero would score [\d.e-]+ N", "", figure["definition"]))
        for name, figure in record["figures"].items()
    ]
    pads = [Limits(f"axes of force: {axes}", *LIMITS[axes]) for axes in (3, 1)]
    limits = [
        ("`force_z_rmse_n` at most", *(f"{pad.force_z_rmse_n:g} N" for pad in pads)),
        ("`missed` over `contacts` at most", *(f"{100 * pad.missed:g} %" for pad in pads)),
        ("`false_alarms_per_min` at most", *(f"{pad.false_alarms_per_min:g}" for pad in pads)),
        ("`f1_light` at least", *(f"{pad.f1_light:g}" for pad in pads)),
        ("`within_2_sigma_contact`", *2 * [f"{WITHIN_2_SIGMA[0]:g} to {WITHIN_2_SIGMA[1]:g}"]),
        ("`wrong_force_max_s` at most", *2 * [f"{WRONG_FORCE_S:g} s"]),
    ]
    return "\n".join(
        [
            table("figure|unit|definition", merit),
            "\n## Figures of `soft-tactile score`\n",
            table("figure|meaning", _score_rows()),
            "\n## Limits of PASS\n",
            table("|".join(["limit", *(pad.pad for pad in pads)]), limits),
        ]
    )


def _score_rows() -> Iterator[tuple[str, str]]:
    words = TEXTS["score"]
    shorts = [re.sub(r"^force_[xyz]_|_[xyz]$", "", key) for key in KEYS]
    _compare(set(shorts), set(words), "score")
    for key, short in zip(KEYS, shorts, strict=True):
        if short == key or "x" in key.split("_"):  # one row for the three axes
            name = key if short == key else ", ".join(f"`{key.replace('_x', f'_{axis}', 1)}`" for axis in AXES)
            yield (f"`{name}`" if short == key else name), words[short]


PAGES: dict[str, Callable[[], str]] = {
    "commands.md": commands_page,
    "figures.md": figures_page,
    "flags.md": flags_page,
    "import_map.md": import_map_page,
    "launch_files.md": launch_page,
    "messages.md": messages_page,
    "parameters.md": parameters_page,
    "topics.md": topics_page,
}


def page(name: str) -> str:
    """Return one page as it should stand in the folder."""
    return f"{NOTE}\n\n{TEXTS['heads'][name]}\n{PAGES[name]().strip()}\n"


MODEL = ROOT / "config" / "two_finger_gripper_simulated.urdf"


def model() -> str:
    """Return the URDF of the simulated gripper, from the parameters of its monitor."""
    file = MODEL.with_suffix(".yaml").read_text()
    given = yaml.safe_load(file)["/**/grasp_monitor"]["ros__parameters"]
    fingers = given["fingers"]
    angles = tuple(2.0 * math.pi * number / len(fingers) for number in range(len(fingers)))
    geometry = PalmGeometry(angles, given["finger_root_radius"], tilt_rad=given["finger_tilt"])
    return palm_urdf(geometry, "sim_gripper_palm", [f"sim_{finger}_finger_root" for finger in fingers])


if __name__ == "__main__":
    MODEL.write_text(model())
    for file in PAGES:
        (HERE / "reference" / file).write_text(page(file))
    for message in (ROOT / "soft_tactile_msgs" / "msg").glob("*.msg"):
        (PACKAGE / "recordings" / "interfaces" / message.name).write_text(message.read_text())
    sys.stdout.write(f"{len(PAGES)} pages renewed\n")
