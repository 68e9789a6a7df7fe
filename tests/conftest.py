"""What holds for all tests: fixed random input, checked message fields, a process of its own for some of the files.

A file in tests/graph or tests/launch starts ROS 2 nodes. Each such file runs in a pytest process of its own, on a
domain of its own that reaches this machine only, with a time limit; its results are reported as if it had run here.
These files come last and share the machine's cores: one thread begins with the last of them while this process runs the
other tests, and what is not begun when it is due runs here. Some long files without nodes are among them, so that both
have about the same to do.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import hypothesis
import pytest

TESTS = Path(__file__).resolve().parent
# with their marker
OWN_PROCESS_FOLDERS = {"benchmarks": None, "browser": None, "unit/design": None, "graph": "ros", "launch": "launch"}
FILE_TIME_LIMIT_S = 600.0  # ends what hangs: beside other work the longest files take minutes
END_TIME_LIMIT_S = 30.0  # for processes that were told to end
REPORTS_VARIABLE = "SOFT_TACTILE_TEST_REPORTS"  # set in the process of a single file: where it writes its reports
USED_DOMAINS: set[int] = set()  # by this run of the tests
RUNS = pytest.StashKey["FileRuns"]()

# Two processes share the cores: threads of linear algebra on top would do little but wait for each other. Read when
# numpy is first imported, here and in whatever the tests start.
os.environ["OMP_NUM_THREADS"] = "1"

# Off by default, and then a message field of a wrong type or size is sent without an error.
os.environ["ROS_PYTHON_CHECK_FIELDS"] = "1"

# A shell that starts the tests in the background has them ignore SIGINT, and whatever they start would inherit that; a
# handler that does nothing is as deaf, and is not inherited.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, lambda _number, _frame: None)

# The same examples in every run; a machine that is busy for a moment is not a failure.
hypothesis.settings.register_profile("fixed", derandomize=True, deadline=None, database=None)
hypothesis.settings.load_profile("fixed")


def _own_process_folder(path: Path) -> str | None:
    """Return the folder below tests/ if files in it run in a process of their own, else None."""
    if not path.is_relative_to(TESTS):
        return None
    name = path.relative_to(TESTS).as_posix()
    return next((folder for folder in OWN_PROCESS_FOLDERS if name.startswith(f"{folder}/")), None)


def _free_domain_id() -> int:
    """Return a ROS domain whose discovery port nobody on this machine uses.

    Up to domain 101 the ports 7400 + 250 * domain (+ 10 and up for participants) stay below the range that Linux hands
    out by itself (DDS-RTPS 2.2, section 9.6.1.1; ip_local_port_range in the Linux documentation).
    """
    candidates = [domain for domain in range(1, 102) if domain not in USED_DOMAINS]
    random.SystemRandom().shuffle(candidates)
    for domain in candidates:
        USED_DOMAINS.add(domain)  # before it is tried: another file may begin at the same moment
        with contextlib.ExitStack() as stack:
            try:
                for port in (7400 + 250 * domain, 7410 + 250 * domain):
                    stack.enter_context(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)).bind(("", port))
            except OSError:
                continue
            return domain
    raise RuntimeError("every ROS domain of this machine is in use; end some of the nodes that run")


class FileResult:
    """Reports of the tests of one file, by test, and what went wrong with its process as a whole."""

    def __init__(self) -> None:
        self.reports: dict[str, list[dict[str, Any]]] = {}
        self.failure = ""


def _is_running(group: int) -> bool:
    """Return whether a group has members; where Linux tells, not those that have ended and wait to be collected."""
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    states = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):  # it has ended meanwhile
            state, _parent, members_group = path.read_text().rpartition(")")[2].split()[:3]
            states += [state] if int(members_group) == group else []
    return not states or any(state != "Z" for state in states)


def _group_alive(group: int, wait_s: float) -> bool:
    """Return whether a process group still has members after at most `wait_s` seconds."""
    end = time.monotonic() + wait_s
    while True:
        if not _is_running(group):
            return False
        if time.monotonic() > end:
            return True
        time.sleep(0.02)  # a process of another program: there is nothing to wait on


def _run_file(items: list[pytest.Item], folder: str) -> FileResult:
    """Run the tests of one file in a pytest of their own and collect what it reports."""
    config = items[0].config
    result = FileResult()
    with tempfile.TemporaryDirectory(prefix="soft_tactile_test_") as scratch:
        reports = Path(scratch, "reports.jsonl")
        output = Path(scratch, "output.txt")
        environment = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
        environment |= {
            REPORTS_VARIABLE: str(reports),
            "ROS_DOMAIN_ID": str(_free_domain_id()),
            "ROS_AUTOMATIC_DISCOVERY_RANGE": "LOCALHOST",
            "ROS_LOG_DIR": scratch,
        }
        command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", f"--tb={config.option.tbstyle}"]
        if folder == "launch":  # the launch plugins of ROS 2 are written for an older pytest
            command += ["-W", "ignore::pytest.PytestRemovedIn9Warning"]
        command += [item.nodeid for item in items]
        with output.open("w") as stream:
            child = subprocess.Popen(
                command, cwd=config.rootpath, env=environment, stdin=subprocess.DEVNULL, stdout=stream,
                stderr=subprocess.STDOUT, start_new_session=True,
            )  # fmt: skip
            try:
                child.wait(FILE_TIME_LIMIT_S)
            except subprocess.TimeoutExpired:
                result.failure = f"the tests of this file were not done within {FILE_TIME_LIMIT_S:g} s"
            finally:
                if child.poll() is None or _group_alive(child.pid, END_TIME_LIMIT_S):
                    result.failure = result.failure or "the tests of this file left processes behind"
                    with contextlib.suppress(ProcessLookupError):
                        os.killpg(child.pid, signal.SIGKILL)
                    child.wait()
        for line in reports.read_text().splitlines() if reports.exists() else ():
            data = json.loads(line)
            result.reports.setdefault(data["nodeid"], []).append(data)
        if child.returncode not in (0, 1) and not result.failure:
            result.failure = f"the process of this file ended with {child.returncode}"
        if result.failure:
            result.failure += ":\n" + output.read_text(errors="replace")[-20_000:]
    return result


class FileRuns:
    """The live-graph files of a session, each run once: by a thread from the last one on, or here when it is due."""

    def __init__(self, items: list[pytest.Item]) -> None:
        self._files: dict[Path, list[pytest.Item]] = {}
        for item in items:
            if _own_process_folder(item.path) is not None:
                self._files.setdefault(item.path, []).append(item)
        self._pool = ThreadPoolExecutor(1)
        self._begun: dict[Path, Future[FileResult]] = {
            path: self._pool.submit(self._run, path) for path in reversed(self._files)
        }

    def _run(self, path: Path) -> FileResult:
        return _run_file(self._files[path], _own_process_folder(path) or "")

    def result(self, path: Path) -> FileResult:
        """Return what a file reports; runs it here if nobody has begun it."""
        future = self._begun[path]
        if future.cancel():
            future = self._begun[path] = Future()
            future.set_result(self._run(path))
        return future.result()

    def close(self) -> None:
        """Begin no further file."""
        self._pool.shutdown(cancel_futures=True)


def _restore(config: pytest.Config, data: dict[str, Any]) -> pytest.TestReport:
    report: pytest.TestReport = config.hook.pytest_report_from_serializable(config=config, data=data)
    if isinstance(report.longrepr, list):  # the reason of a skip; JSON has no tuples
        report.longrepr = tuple(report.longrepr)
    return report


@pytest.hookimpl(trylast=True)
def pytest_collection_finish(session: pytest.Session) -> None:
    """Begin with the live-graph files."""
    if REPORTS_VARIABLE not in os.environ and not session.config.option.collectonly:
        session.stash[RUNS] = FileRuns(session.items)


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Leave no file running when the session is broken off."""
    if RUNS in session.stash:
        session.stash[RUNS].close()


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item, nextitem: pytest.Item | None) -> bool | None:
    """Report a test of a live-graph file from the process of that file."""
    folder = _own_process_folder(item.path)
    if folder is None or REPORTS_VARIABLE in os.environ:
        return None
    result = item.session.stash[RUNS].result(item.path)
    item.ihook.pytest_runtest_logstart(nodeid=item.nodeid, location=item.location)
    reports = [_restore(item.config, data) for data in result.reports.get(item.nodeid, [])]
    last_of_file = nextitem is None or nextitem.path != item.path
    if result.failure and (last_of_file or not any(report.when == "teardown" for report in reports)):
        reports = [*reports, _failed(item, result.failure)]
    elif not reports:
        reports = [_failed(item, "the process of this file did not report this test")]
    for report in reports:
        item.ihook.pytest_runtest_logreport(report=report)
    item.ihook.pytest_runtest_logfinish(nodeid=item.nodeid, location=item.location)
    return True


def _failed(item: pytest.Item, reason: str) -> pytest.TestReport:
    """Return the report of a test that could not run to its end."""
    return pytest.TestReport(
        nodeid=item.nodeid, location=item.location, keywords={}, outcome="failed", longrepr=reason, when="call"
    )


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark the tests of the live-graph folders, so that `-m 'not ros'` leaves them out, and put them last."""
    for item in items:
        marker = OWN_PROCESS_FOLDERS.get(_own_process_folder(item.path) or "")
        if marker is not None:
            item.add_marker(marker)
    items.sort(key=lambda item: _own_process_folder(item.path) is not None)


class _ReportWriter:
    """Hands the reports of this process on to the one that started it."""

    def __init__(self, config: pytest.Config, path: Path) -> None:
        self._config = config
        self._path = path

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        data: dict[str, Any] = self._config.hook.pytest_report_to_serializable(config=self._config, report=report)
        with self._path.open("a") as stream:
            stream.write(json.dumps(data) + "\n")


def pytest_configure(config: pytest.Config) -> None:
    """Write reports to a file where the starting process asked for it."""
    if REPORTS_VARIABLE in os.environ:
        config.pluginmanager.register(_ReportWriter(config, Path(os.environ[REPORTS_VARIABLE])), "report writer")


@pytest.fixture(autouse=True)
def _same_environment() -> Iterator[None]:
    """Fail a test that leaves the environment or the working folder changed for the next one."""
    before, folder = dict(os.environ), Path.cwd()
    yield
    ignored = {"PYTEST_CURRENT_TEST", "KMP_INIT_AT_FORK"}  # the second is set by joblib when it is first imported
    changed = {name for name in before.keys() | os.environ.keys() if before.get(name) != os.environ.get(name)} - ignored
    assert not changed, f"the test changed environment variables: {sorted(changed)}"
    assert Path.cwd() == folder, "the test changed the working folder"
