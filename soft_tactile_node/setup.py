"""What cannot stand in setup.cfg: files installed outside the Python package, and what colcon cannot read there."""

from pathlib import Path

from setuptools import setup

HERE = Path(__file__).resolve().parent
SHARE = Path("share/soft_tactile_node")


def shared_files(folder: str) -> list[tuple[str, list[str]]]:
    """Return (target folder, [source files]) for `folder` beside this package and each folder in it.

    The sources stay relative to this file because colcon refuses absolute ones.

    Parameters
    ----------
    folder : str
        Name of a folder of the repository: "launch" or "config".

    Returns
    -------
    list of tuple
        Entries for the `data_files` argument of setuptools.
    """
    root = HERE.parent / folder
    entries: dict[str, list[str]] = {}
    for path in sorted(root.rglob("*")):
        if path.is_file() and path.suffix in {".py", ".yaml", ".xml", ".rviz", ".urdf", ".md"}:
            target = (SHARE / folder / path.relative_to(root).parent).as_posix()
            entries.setdefault(target, []).append(f"../{path.relative_to(HERE.parent).as_posix()}")
    return list(entries.items())


setup(
    python_requires=">=3.10",  # from setup.cfg it would reach colcon as an object it cannot parse
    data_files=[
        ("share/ament_index/resource_index/packages", ["resource/soft_tactile_node"]),
        (SHARE.as_posix(), ["package.xml"]),
        *shared_files("launch"),
        *shared_files("config"),
    ],
)
