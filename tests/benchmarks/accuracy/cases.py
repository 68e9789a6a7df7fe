"""All recordings of one finger, made once per seed into an ignored cache.

Run `python tests/benchmarks/accuracy/cases.py [dev|final] [--refresh]`.

Development seeds are for tuning; the final seeds are for the table only.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
import time
import zlib
from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path

HERE = Path(__file__).resolve().parent
# this folder, and the source tree for a checkout without an install (an installed package comes first)
sys.path += [str(path) for path in (HERE, HERE.parents[2] / "soft_tactile_node") if str(path) not in sys.path]

import numpy as np  # noqa: E402  (the folder must be on the path first)
from joblib import Parallel, delayed  # noqa: E402
from second_finger import judged_scripts as judged  # noqa: E402
from second_finger.calibration_scripts import free_bend_scripts, press_scripts  # noqa: E402
from second_finger.faults import FAULTS, put_fault  # noqa: E402
from second_finger.readout import record  # noqa: E402
from second_finger.specimen import IRON_DISC, LIQUID_METAL  # noqa: E402
from second_finger.world import World, make_world  # noqa: E402

from soft_tactile_node.recordings import Recording, Truth  # noqa: E402

VARIANTS = (IRON_DISC, LIQUID_METAL)
DEV_SEEDS = (101, 102, 103)
FINAL_SEEDS = (901, 902, 903)
CACHE = HERE / ".cache"

JUDGED = {
    "picks": judged.picks,
    "off_centre": judged.off_centre,
    "light_touches": judged.light_touches,
    "holds": judged.holds,
    "warm_up": judged.warm_up,
    "slips": judged.slips,
    "held_back": judged.held_back,
    "arm_moves": judged.arm_moves,
    "free_motion": judged.free_motion,
    "jittered_200hz": judged.picks,
}
Pair = tuple[Recording, Truth]
Case = tuple[list[Recording], list[Recording], dict[str, Pair]]


def fault_windows(name: str) -> tuple[tuple[float, float], ...]:
    """Seconds within which the recording `name` has its fault; empty for good recordings."""
    return judged.FAULT_WINDOWS_S if name in FAULTS else ()


def _rng(world: World, name: str, seed: int) -> np.random.Generator:
    return np.random.default_rng([seed, zlib.crc32(f"{world.specimen.pad}/{name}".encode())])


def make_calibration(world: World, seed: int) -> dict[str, Recording | Truth]:
    """Free-bend and press recordings of a fresh pad, in the order a bench would take them, with their truths."""
    out: dict[str, Recording | Truth] = {}
    work = 0.0
    for k, script in enumerate(free_bend_scripts(_rng(world, "free_bend", seed))):
        recording, truth, _ = record(world, script, 1000 * seed + k, run_in_j=work, reference="free-bend")
        out[f"free_bend_{k}"], out[f"free_bend_{k}.truth"] = recording, truth
    for k, script in enumerate(press_scripts(world, _rng(world, "press", seed))):
        recording, truth, work = record(world, script, 1000 * seed + 10 + k, run_in_j=work, reference="press")
        out[f"press_{k}"], out[f"press_{k}.truth"] = recording, truth
    return out


def make_judged(world: World, name: str, seed: int) -> Pair:
    """One recording to be judged, and its truth."""
    rng = _rng(world, name, seed)
    if name in FAULTS:
        recording, truth, _ = record(world, judged.fault_motion(world, rng), 1000 * seed + 50 + FAULTS.index(name))
        return put_fault(recording, name, fault_windows(name), rng), truth
    rate, jitter = (200.0, 0.8e-3) if name == "jittered_200hz" else (500.0, 0.15e-3)
    script = JUDGED[name](world, rng)
    recording, truth, _ = record(
        world, script, 1000 * seed + 20 + list(JUDGED).index(name), rate_hz=rate, jitter_s=jitter
    )
    return recording, truth


def _version() -> str:
    """Hash of the simulator's sources: a changed simulator makes new recordings."""
    digest = hashlib.sha256()
    for path in sorted([*(HERE / "second_finger").glob("*.py"), HERE / "cases.py"]):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


VERSION = _version()  # once, of the code that is loaded


def _save(path: Path, tables: dict[str, Recording | Truth]) -> None:
    arrays = {
        f"{name}/{item.name}": getattr(table, item.name)
        for name, table in tables.items()
        for item in fields(table)
        if isinstance(getattr(table, item.name), np.ndarray)
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_suffix(".part.npz")
    np.savez(partial, **arrays)
    partial.replace(path)


def _load(path: Path) -> dict[str, dict[str, np.ndarray]]:
    tables: dict[str, dict[str, np.ndarray]] = {}
    with np.load(path) as data:
        for key in data.files:
            name, column = key.rsplit("/", 1)
            tables.setdefault(name, {})[column] = data[key]
    return tables


def case_path(variant: str, seed: int) -> Path:
    """Cache file of one finger."""
    return CACHE / f"{variant}_{seed}_{VERSION}.npz"


def make_case(variant: str, seed: int, refresh: bool = False) -> Path:
    """Make all recordings of a finger unless they are in the cache; returns the file."""
    path = case_path(variant, seed)
    if path.exists() and not refresh:
        return path
    for old in CACHE.glob(f"{variant}_{seed}_*.npz"):
        old.unlink(missing_ok=True)
    world = make_world(variant, seed)
    tables = make_calibration(world, seed)
    for name in (*JUDGED, *FAULTS):
        tables[name], tables[f"{name}.truth"] = make_judged(world, name, seed)
    _save(path, tables)
    return path


def load_case(variant: str, finger_seed: int) -> Case:
    """All recordings of one finger, made on the first call.

    Parameters
    ----------
    variant : str
        `iron_disc` or `liquid_metal`.
    finger_seed : int
        Picks finger, pad, noise and motions.

    Returns
    -------
    tuple
        (free-bend recordings, press recordings, judged recordings by name with their truths).
    """
    tables = _load(make_case(variant, finger_seed))
    recordings = {
        name: Recording(**columns, source=f"{variant}_{finger_seed}/{name}")
        for name, columns in tables.items()
        if not name.endswith(".truth")
    }
    free_bend = [recordings[name] for name in sorted(recordings) if name.startswith("free_bend_")]
    press = [recordings[name] for name in sorted(recordings) if name.startswith("press_")]
    tests = {name: (recordings[name], Truth(**tables[f"{name}.truth"])) for name in (*JUDGED, *FAULTS)}
    return free_bend, press, tests


def load_calibration_truth(variant: str, finger_seed: int) -> tuple[list[Truth], list[Truth]]:
    """Truths of the free-bend and of the press recordings; for the oracle only."""
    tables = _load(make_case(variant, finger_seed))
    names = sorted(name for name in tables if name.endswith(".truth"))
    free_bend = [Truth(**tables[name]) for name in names if name.startswith("free_bend_")]
    return free_bend, [Truth(**tables[name]) for name in names if name.startswith("press_")]


def make_all(seeds: Sequence[int], refresh: bool = False, variants: Sequence[str] = VARIANTS) -> None:
    """Make the recordings of several fingers of both variants with two workers."""
    jobs = [(variant, seed) for seed in seeds for variant in variants]
    if refresh or any(not case_path(*job).exists() for job in jobs):
        Parallel(n_jobs=2)(delayed(make_case)(variant, seed, refresh) for variant, seed in jobs)


def main() -> None:
    """Make the recordings of the development or the final fingers."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seeds", nargs="?", choices=("dev", "final"), default="dev")
    parser.add_argument("--refresh", action="store_true", help="make them anew")
    arguments = parser.parse_args()
    start = time.perf_counter()
    seeds = DEV_SEEDS if arguments.seeds == "dev" else FINAL_SEEDS
    make_all(seeds, arguments.refresh)
    print(f"{len(seeds)} fingers of each variant in {CACHE} ({time.perf_counter() - start:.0f} s)")


if __name__ == "__main__":
    main()
