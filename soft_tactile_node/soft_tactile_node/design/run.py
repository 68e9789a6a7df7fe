"""Running a study: every design on its own, on all cores or on a cluster, then ranked."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from typing import Any

from joblib import Parallel, delayed, parallel_config

from soft_tactile_node.design.figures import DesignFigures, second_formula_percent
from soft_tactile_node.design.schema import Design, Study
from soft_tactile_node.design.study_file import Case
from soft_tactile_node.design.tolerances import corners
from soft_tactile_node.errors import SoftTactileError, StudyError
from soft_tactile_node.registry import PADS

SMALLER_IS_BETTER = ("bend_apparent_n", "bend_worst_n")
"""Figures by which the smallest value ranks first."""

CONNECT_TIMEOUT_S = 10.0
"""Longest wait for a cluster to answer (s)."""


@dataclass(frozen=True)
class Result:
    """One design with its figures.

    Attributes
    ----------
    case : Case
        The design.
    figures : DesignFigures
        Its figures.
    """

    case: Case
    figures: DesignFigures


def evaluate(design: Design) -> DesignFigures:
    """Return the figures of one `design`, at worst within its tolerances where a figure says so."""
    evaluate_pad: Callable[[Design], DesignFigures] = PADS[design.pad.variant].load_study().evaluate
    figures = evaluate_pad(design)
    worst_n = max([figures.bend_worst_n, *(evaluate_pad(cast).bend_worst_n for cast in corners(design))])
    coil = design.pad.coil.spiral(figures.turns)
    return replace(figures, bend_worst_n=worst_n, second_formula_percent=second_formula_percent(coil))


def run_study(
    cases: Sequence[Case], *, jobs: int = -1, cluster: str = "", progress: Callable[[int], None] | None = None
) -> list[Result]:
    """Return the figures of all designs, in their order.

    Parameters
    ----------
    cases : sequence of Case
        The designs.
    jobs : int
        Processes (1); -1 = one for each core, 1 = none but this one.
    cluster : str
        Address of a running Dask scheduler (`tcp://host:8786`), or `local` for one on this machine; empty = joblib's
        own processes.
    progress : callable or None
        Called with the number of designs done.

    Returns
    -------
    list of Result
        The results.

    Raises
    ------
    StudyError
        A design cannot be computed, or the cluster cannot be reached.
    """
    with _backend(cluster):
        workers = Parallel(n_jobs=jobs if len(cases) > 1 else 1, return_as="generator", batch_size=1)
        found: Iterable[Any] = workers(delayed(_evaluate_case)(case) for case in cases)
        results = []
        for done, result in enumerate(found, start=1):
            results.append(result)
            if progress:
                progress(done)
    return results


def _evaluate_case(case: Case) -> Result:
    try:
        return Result(case, evaluate(case.design))
    except SoftTactileError as error:
        told = ", ".join(f"{key} = {value}" for key, value in case.changes.items()) or "as described"
        raise StudyError(f"design {case.number} ({told}) cannot be computed: {error}") from None


def _backend(cluster: str) -> AbstractContextManager[Any]:
    """Return the context in which joblib works: its own processes, or a Dask cluster."""
    if not cluster:
        return nullcontext()
    try:
        from distributed import Client
    except ImportError:
        raise StudyError("a cluster needs the package distributed; install it with: pip install distributed") from None
    return _DaskBackend(Client, cluster)


class _DaskBackend:
    """Joblib on a Dask cluster; the connection is closed afterwards, a cluster on this machine ends with it."""

    def __init__(self, client: Any, address: str) -> None:
        self._make, self._address = client, address

    def __enter__(self) -> None:
        try:
            if self._address == "local":
                self._client = self._make(processes=True, threads_per_worker=1, dashboard_address=None)
            else:
                self._client = self._make(self._address, timeout=CONNECT_TIMEOUT_S)
        except (OSError, ValueError, TimeoutError) as error:
            reason = " ".join(str(error).split())
            raise StudyError(
                f"cluster {self._address} cannot be reached ({reason}); start it with: dask scheduler"
            ) from None
        self._inner = parallel_config(backend="dask")
        self._inner.__enter__()

    def __exit__(self, *error: Any) -> None:
        self._inner.__exit__(*error)
        self._client.close()


def rank(results: Sequence[Result], study: Study) -> list[Result]:
    """Return `results` best first: usable designs before others, each by the figure that `study` names."""

    def key(result: Result) -> tuple[bool, float]:
        value = abs(float(getattr(result.figures, study.rank_by)))
        if study.rank_by == "snr_db":
            value = result.figures.snr_db
        if math.isnan(value):
            value = math.inf if study.rank_by in SMALLER_IS_BETTER else -math.inf
        return not result.figures.usable, value if study.rank_by in SMALLER_IS_BETTER else -value

    return sorted(results, key=key)
