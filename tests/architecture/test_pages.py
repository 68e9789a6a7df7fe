"""The pages in shared/docs: made from the code where they can be, linked, and complete about dangers."""

from __future__ import annotations

import ast
import importlib.util
import re
import shlex
import sys
from pathlib import Path
from types import ModuleType

import pytest
import yaml

from architecture.project import ROOT, modules, tree
from soft_tactile_node.recordings import csv_files
from soft_tactile_node.ros.parameters.tables import NODES

DOCS = ROOT / "shared" / "docs"
LINKED = [path.relative_to(ROOT).as_posix() for path in (*ROOT.glob("*.md"), *(ROOT / "shared").rglob("*.md"))]


@pytest.fixture(scope="module")
def generate() -> ModuleType:
    """Give the generator of the reference pages, which is a script and no part of the package."""
    sys.path.insert(0, str(DOCS))
    try:
        spec = importlib.util.spec_from_file_location("generate", DOCS / "generate.py")
        assert spec
        assert spec.loader
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        return module
    finally:
        sys.path.remove(str(DOCS))


def test_reference_pages_are_those_of_the_code(generate: ModuleType) -> None:
    """What the code says stands on the pages, and nothing else; renew them with `python shared/docs/generate.py`."""
    committed = {path.name: path.read_text() for path in (DOCS / "reference").glob("*.md")}
    assert committed == {name: generate.page(name) for name in generate.PAGES}


def test_the_model_is_that_of_the_parameters(generate: ModuleType) -> None:
    """The URDF of the simulated gripper has the lengths of its parameter file; renew it as the pages."""
    assert generate.MODEL.read_text() == generate.model()


def test_a_topic_without_words_is_noticed(generate: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    """A topic that a node has and texts.yaml does not stops the generator, by name."""
    nodes = {**generate.TEXTS["nodes"], "grasp_monitor": {"publishes": {}}}
    monkeypatch.setitem(generate.TEXTS, "nodes", nodes)
    with pytest.raises(generate.MissingWordsError, match="publishes grasp_state"):
        generate.page("topics.md")


def _anchors(path: Path) -> set[str]:
    """Return the anchors of a page: its headings in small letters, blanks as hyphens, other signs left out."""
    heads = re.findall(r"^#+ (.+)$", path.read_text(), re.MULTILINE)
    return {re.sub(r"[^\w -]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("page", LINKED)
def test_links_lead_somewhere(page: str) -> None:
    """Each link within the project leads to a file that is there, and to a heading it has."""
    here = ROOT / page
    broken = []
    for target in re.findall(r"\]\((?!http)([^)\s]+)\)", here.read_text()):
        name, _, anchor = target.partition("#")
        path = (here.parent / name).resolve() if name else here
        if not path.exists() or (anchor and anchor not in _anchors(path)):
            broken.append(target)
    assert broken == []


def test_every_page_is_reached_from_the_readme() -> None:
    """From the README links lead to every page of shared/docs."""
    seen, waiting = set(), [ROOT / "README.md"]
    while waiting:
        page = waiting.pop()
        if page not in seen and page.suffix == ".md":
            seen.add(page)
            names = re.findall(r"\]\((?!http|#)([^)#\s]+)", page.read_text())
            waiting += [(page.parent / name).resolve() for name in names]
    assert set(DOCS.rglob("*.md")) - seen == set()


@pytest.mark.parametrize("picture", sorted(path.name for path in (DOCS / "pictures").iterdir()))
def test_pictures_are_small_and_shown(picture: str) -> None:
    """A picture has less than 150 kB and stands on a page."""
    assert (DOCS / "pictures" / picture).stat().st_size < 150_000
    assert any(f"pictures/{picture})" in (ROOT / page).read_text() for page in LINKED)


def test_the_page_on_recordings_names_every_column() -> None:
    """Each column that the tools read or write stands on the page."""
    text = (DOCS / "recordings.md").read_text()
    columns = {
        "pressure_pa", "coil_1_h", "coil_1_ohm", "temperature_c", "indent_m", *csv_files.ACCELERATION,
        *csv_files.REFERENCE, *csv_files.TRUTH, *csv_files.ESTIMATE, *csv_files.EVENTS,
    }  # fmt: skip
    columns -= {"force_y_n", "force_y_var_n2", "force_z_var_n2"}  # the page names the first of a vector
    assert {name for name in columns if f"`{name}`" not in text} == set()


def _texts() -> list[str]:
    """Return every text of the package; what is put into one while it runs is shown as a zero byte."""
    texts = []
    for path in modules():
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.JoinedStr):
                parts = [part.value if isinstance(part, ast.Constant) else "\0" for part in node.values]
                texts.append("".join(map(str, parts)))
            elif isinstance(node, ast.Constant) and isinstance(node.value, str):
                texts.append(node.value)
    return texts


def test_messages_in_troubleshooting_are_those_of_the_code() -> None:
    """Each message on the page is part of a text of the code, N, A and B standing for what is put in."""
    page = (DOCS / "troubleshooting.md").read_text().split("## By message", 1)[1]
    shown = [cell for cell in re.findall(r"^\| `([^|]+)` \|", page, re.MULTILINE) if " " in cell]
    patterns = {words: re.sub(r"\b[NAB]\b|Limit: |\.\.\.", ".*", words) for words in shown}
    texts = _texts()
    assert len(shown) > 20
    assert [words for words, pattern in patterns.items() if not any(re.search(pattern, text) for text in texts)] == []


def test_nodes_of_the_ros_tutorial_exist_with_their_parameters() -> None:
    """Each node that the tutorial starts is a program of the package, with parameters and files that exist."""
    text = (DOCS / "ros_tutorial.md").read_text()
    setup = (ROOT / "soft_tactile_node" / "setup.cfg").read_text()
    programs = set(re.findall(r"^    (\w+) = soft_tactile_node\.ros", setup, re.MULTILINE))
    starts = [shlex.split(line.rstrip("& ")) for line in re.findall(r"^ +(\w+ --ros-args .+)$", text, re.MULTILINE)]
    assert len(starts) == 4
    for program, *words in starts:
        assert program in programs
        specs = {spec.name: spec for spec in NODES[program]}
        for name, value in (word.split(":=") for word in words if ":=" in word and not word.startswith("__")):
            specs[name].convert(yaml.safe_load(value))
    assert {
        path for path in re.findall(r"=(config/\S+\.yaml)", text) if "$" not in path and not (ROOT / path).exists()
    } == set()


@pytest.mark.parametrize(
    "words",
    [
        "works without the computer", "To free a hand", "`on_fault: hold`", "whips", "isolate the supply",
        "wet areas", "Glass breaks", "Discard all open food", "attack aluminium", "chemical waste", "Wear gloves",
        "Rinse splashed eyes", "Spills", "not certified for contact with food", "not authenticated",
        "no protective device", "Follow your local codes", "competent person",
        "Nothing in this project is safety-rated",
    ],
)  # fmt: skip
def test_the_page_on_safety_names_each_danger(words: str) -> None:
    """The page on safety leaves none of the known dangers out."""
    assert words in " ".join((DOCS / "safety.md").read_text().split())


@pytest.mark.parametrize(
    "place",
    [
        "README.md", "launch/one_finger_hardware.launch.py", "launch/two_finger_gripper_hardware.launch.py",
        "launch/sensor_on_topics.launch.py", "config/one_finger_hardware.yaml", "config/sensor_on_topics.yaml",
        "config/two_finger_gripper_hardware.yaml",
        "config/valve.yaml", "launch/valve.launch.py", "soft_tactile_msgs/action/Calibrate.action",
        "soft_tactile_msgs/action/HoldForce.action", "soft_tactile_msgs/msg/PressureCommand.msg", *(
            f"soft_tactile_node/soft_tactile_node/{module}.py" for module in (
                "commands/calibrate", "examples/program", "grasping", "protocol/plan", "ros/calibrate/action",
                "ros/nodes/grasp_controller", "ros/nodes/valve", "ros/gripper/gripper_command", "ros/hand/hand",
            )
        ),
    ],
)  # fmt: skip
def test_what_moves_pressure_points_to_the_page_on_safety(place: str) -> None:
    """Launch and parameter files of hardware, actions, examples, Hand and the bench protocol send the reader there."""
    assert "shared/docs/safety.md" in (ROOT / place).read_text()
