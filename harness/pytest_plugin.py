# SPDX-License-Identifier: GPL-3.0-or-later
"""Board files as tests: ``pytest NAME.board.toml`` has one test for each limit and agreement of a board.

A board is run once, when its first test asks for it; with pytest-xdist by one process for all. What falls
short and is neither limit nor agreement is an error of the board's last test, or stands below the failure
after which pytest stops, so that it is told without a test of its own. Nothing heavy is loaded before a board
file is collected.
"""

from __future__ import annotations

import shutil
import tempfile
import warnings
from collections.abc import Generator, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import pytest

from harness.commands.options import ACCURACY, SIMULATING
from harness.findings import without_controls

if TYPE_CHECKING:
    from harness.as_tests.outcome import Options, Outcome
    from harness.findings import Finding
    from harness.items import Item

ENDING = ".board.toml"
IN_FOLDERS = "boards_as_tests"
_PREFIX = "--board-"
_QUIET = ("skip", "skipif", "xfail")  # marks of tests that may fail unheard
_SHARED = "ramp_harness_shared"  # key of what an xdist worker is told: where its likes tell each other
_outcomes = pytest.StashKey["dict[Path, Outcome]"]()
_folder = pytest.StashKey[Path]()


def pytest_addoption(parser: pytest.Parser) -> None:
    """The options of ``ramp-harness run``, each with a prefix; and whether folders are searched, too."""
    group = parser.getgroup("ramp-harness", "board files as tests (ramp-harness)")
    for name, option in {**SIMULATING, "accuracy": ACCURACY}.items():
        group.addoption(f"{_PREFIX}{name}", dest=f"board_{name}", **option)
    parser.addini(
        IN_FOLDERS,
        f"true: *{ENDING} files are collected in folders, too, not only those named on the command line",
        type="bool",
        default=False,
    )


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> BoardFile | None:
    """A board file that was named, or any where the configuration wants them."""
    if not file_path.name.endswith(ENDING):
        return None
    if parent.config.getini(IN_FOLDERS) or parent.session.isinitpath(file_path):
        return BoardFile.from_parent(parent, path=file_path)
    return None


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    """Tells an xdist worker the folder in which a board that is run is told to the other workers."""
    config: pytest.Config = node.config
    if _folder not in config.stash:
        config.stash[_folder] = Path(tempfile.mkdtemp(prefix="ramp-harness-pytest-"))
    node.workerinput[_SHARED] = str(config.stash[_folder])


def pytest_unconfigure(config: pytest.Config) -> None:
    """Removes that folder."""
    if _folder in config.stash:
        shutil.rmtree(config.stash[_folder], ignore_errors=True)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """A skipped agreement is listed with its line of the board file, not with a line of ours."""
    report = yield
    if isinstance(item, BoardItem) and report.skipped and isinstance(report.longrepr, tuple):
        report.longrepr = (str(item.path), item.line, report.longrepr[2])
    return report


def _options(config: pytest.Config) -> Options:
    from harness.as_tests.outcome import Options

    said = config.option
    return Options(
        said.board_jobs, said.board_cluster, tuple(said.board_only), said.board_accuracy, said.board_ledger
    )


def _as_typed(finding: Finding) -> str:
    """A finding in words; one about an option of the command names the option of pytest."""
    option = finding.key.startswith("--")
    return str(replace(finding, key=_PREFIX + finding.key[2:]) if option else finding)


@contextmanager
def _usual_warnings() -> Iterator[None]:
    """Python's own rules for warnings: what users want of the code that they test is not asked of a run."""
    with warnings.catch_warnings():
        warnings.resetwarnings()
        for kind in (DeprecationWarning, PendingDeprecationWarning, ImportWarning, ResourceWarning):
            warnings.simplefilter("ignore", kind)
        yield


class BoardFile(pytest.File):
    """A board file. Collecting reads it and its netlist, without simulating."""

    board: str

    def collect(self) -> Iterator[BoardItem]:
        """One test for each limit, each agreement and each expected figure."""
        with _usual_warnings():
            from harness.as_tests.outcome import planned
            from harness.findings import InputError

            try:
                plan = planned(self.path, _options(self.config))
            except InputError as error:
                raise self.CollectError("\n".join(_as_typed(each) for each in error.findings)) from None
        self.board = plan.board
        for subject, line in plan.subjects:
            yield BoardItem.from_parent(
                self, name=f"{plan.board}[{subject.name}]", subject=subject.name, line=line
            )

    def outcome(self) -> Outcome:
        """What became of the board; the first call runs it."""
        from harness.as_tests.outcome import outcome_of

        known = self.config.stash.setdefault(_outcomes, {})
        if self.path not in known:
            told: str | None = getattr(self.config, "workerinput", {}).get(_SHARED)
            shared = Path(told) if told is not None and Path(told).is_dir() else None
            with _usual_warnings():
                known[self.path] = outcome_of(self.path, _options(self.config), shared)
        return known[self.path]


class BoardItem(pytest.Item):
    """One limit or agreement of a board. ``line``: where it stands in the board file, counted from 1."""

    parent: BoardFile

    def __init__(self, *, subject: str, line: int, **keywords: Any) -> None:
        super().__init__(**keywords)
        self.subject = subject
        self.line = line

    def setup(self) -> None:
        """Has the board run. An engine that cannot run is an error, and so is what falls short beside the
        items where this test does not fail, and so would not tell it."""
        outcome = self.parent.outcome()
        if outcome.failure:
            _end(outcome.failure)
        item = outcome.items[self.subject]
        if item.passed and self._beside():
            _end("\n".join([*self._beside(), self._why_here(item)]))

    def runtest(self) -> None:
        """Passes, is skipped where nothing could be compared, or fails in plain sentences."""
        item = self.parent.outcome().items[self.subject]
        if not item.passed:
            beside = self._beside() or (self.parent.outcome().beside if self._stops() else ())
            also = ["also, neither limit nor agreement:", *(f"  {words}" for words in beside)]
            first, *others = item.lines
            _end("\n".join([first, *(f"  {words}" for words in others), *(also if beside else [])]))
        if not item.compared:
            why = f"; {item.cause}" if item.cause else ""
            pytest.skip(without_controls(f"{item.title}: nothing to compare, {item.counts}{why}"))

    def reportinfo(self) -> tuple[Path, int, str]:
        """Where the test stands: board file, line from 0, name."""
        return self.path, self.line - 1, self.name

    def _beside(self) -> tuple[str, ...]:
        """What falls short and is no item, for the last test of a board; nothing for the others. A test that
        somebody marked as skipped or as expected to fail would not tell it."""
        of_board = [
            item
            for item in self.session.items
            if item.path == self.path and not any(map(item.get_closest_marker, _QUIET))
        ]
        return self.parent.outcome().beside if of_board and of_board[-1] is self else ()

    def _stops(self) -> bool:
        """Whether pytest stops after this failure (``-x``, ``--maxfail``), so that no later test tells."""
        most: int = self.config.getoption("maxfail") or 0
        return 0 < most <= self.session.testsfailed + 1

    def _why_here(self, item: Item) -> str:
        return (
            f"(neither limit nor agreement, so it stands at the last test of {self.parent.board};"
            f" {self.subject}: {item.verdict})"
        )


def _end(words: str) -> NoReturn:
    pytest.fail(without_controls(words), pytrace=False)
