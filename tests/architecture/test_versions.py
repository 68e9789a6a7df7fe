"""One version number, wherever it stands."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from importlib import metadata

import pytest

from architecture.project import ROOT

BUILD_FILES = {"soft_tactile_node": "setup.cfg", "soft_tactile_msgs": "pyproject.toml"}


def _versions() -> dict[str, str]:
    found = {}
    for package, file in BUILD_FILES.items():
        text = (ROOT / package / file).read_text()
        found[f"{package}/{file}"] = re.findall(r'^version = "?([\d.]+)"?$', text, re.MULTILINE)[0]
        manifest = ElementTree.parse(ROOT / package / "package.xml")
        found[f"{package}/package.xml"] = manifest.findtext("version", "")
    released = re.findall(r"^## \[(\d.*?)\]", (ROOT / "CHANGELOG.md").read_text(), re.MULTILINE)
    found["CHANGELOG.md"] = released[0] if released else "none"
    return found


def test_one_version_number() -> None:
    """Both packages carry the same version for pip and for ROS 2, and the changelog's newest entry is about it."""
    versions = _versions()
    assert len(set(versions.values())) == 1, versions
    assert re.fullmatch(r"\d+\.\d+\.\d+", versions["CHANGELOG.md"])


@pytest.mark.parametrize("distribution", BUILD_FILES)
def test_the_installed_version_is_the_one_of_the_sources(distribution: str) -> None:
    """The tests run against the version whose sources lie beside them."""
    try:
        installed = metadata.version(distribution)
    except metadata.PackageNotFoundError:
        pytest.skip(f"{distribution} is not installed here")
    assert installed == _versions()[f"{distribution}/{BUILD_FILES[distribution]}"]
