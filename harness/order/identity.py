# SPDX-License-Identifier: GPL-3.0-or-later
"""What was verified: files as they lie on disk, the version that holds them, tools and settings."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from harness.findings import InputError
from harness.order.records import File, Identity
from harness.report import tables
from harness.report.details import settings_rows
from harness.report.story import facts
from harness.results import RunResult
from harness.revision.repository import git_bytes


def identity_of(result: RunResult, left_out: str) -> Identity:
    """The identity of a run's board. ``left_out``: words on corners that were not asked for."""
    board = result.board
    paths = [board.path, board.netlist]
    commit, date = version_of(paths)
    told = dict(facts(result))
    tools = [(name, text) for name, text in tables.flat(result.run["versions"]).items() if name != "engine"]
    settings = [row for row in settings_rows(result) if row[0].startswith("settings.")]
    return Identity(
        title=board.title or board.name,
        board=board.name,
        revision=board.revision,
        files=files_of(result),
        commit=commit,
        date=date,
        engine=told["Engine"],
        corners=told["Corners"],
        left_out=left_out,
        tools=tuple(tools),
        settings=tuple((name.removeprefix("settings."), text) for name, text in settings),
    )


def files_of(result: RunResult) -> tuple[File, ...]:
    """Board file, netlist and every include with the sha256 that the run wrote down."""
    board = result.board
    roles = {board.path.name: "board file", board.netlist.name: "netlist"}
    found = [File(roles.get(name, "include"), name, sha) for name, sha in result.run["hashes"].items()]
    order = ("netlist", "board file", "include")
    return tuple(sorted(found, key=lambda file: order.index(file.role)))


def version_of(paths: Sequence[Path]) -> tuple[str, str]:
    """A sentence on the git commit that holds these files as they are, and its day; where the files were
    changed since, or are in no repository, the sentence says so and the day is empty."""
    folder = paths[0].resolve().parent
    names = [path.name for path in paths]
    last = _git(folder, "log", "-1", "--format=%H %cs", "--", *names)
    if last is None and _git(folder, "rev-parse", "--is-inside-work-tree") != "true":
        return "not under version control, as far as git says", ""
    if not last:
        return "not committed to the repository that it lies in", ""
    commit, _, day = last.partition(" ")
    changed = _git(folder, "status", "--porcelain", "--untracked-files=all", "--", *names)
    if changed is None or changed:
        return f"last committed as {commit[:12]} of {day} and changed since, not committed", ""
    return f"git commit {commit[:12]} of {day}", day


def _git(folder: Path, *arguments: str) -> str | None:
    """What git says about a folder; None where there is no git or no repository."""
    try:
        said, complaint = git_bytes(arguments, folder, str(folder))
    except InputError:
        return None
    return None if complaint else said.decode("utf-8", "replace").strip()
