# SPDX-License-Identifier: GPL-3.0-or-later
"""Loading a board file: what a designer intends, with every mistake found at once and pointed at."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from harness.findings import BoardError, Finding, nearest
from harness.intent.axes import name_corners, read_axes, read_grids
from harness.intent.formulas import check_formulas, check_names, read_hand
from harness.intent.objects import (
    Axis,
    Board,
    Core,
    Expected,
    Intended,
    Limit,
    Roles,
    Simulation,
    Tolerance,
)
from harness.intent.parts import read_core, read_given, read_intended, read_roles
from harness.intent.tables import Table
from harness.intent.targets import read_expected, read_limits, read_simulation, read_tolerance
from harness.intent.toml_source import read_source
from harness.units import Quantity

__all__ = [
    "Axis", "Board", "BoardError", "Core", "Expected", "Finding", "Intended", "Limit", "Quantity", "Roles",
    "Simulation", "Tolerance", "load_board",
]  # fmt: skip

FORMAT = 1
_FILE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
_NETLIST_ENDINGS = (".cir", ".net", ".sp", ".ckt")


def load_board(path: Path | str) -> Board:
    """The content of a board file; file names in it count from its own folder.

    Raises BoardError with every finding: file, key, line, what was expected, and the nearest valid name. The
    netlist has to be there, but it is not read; ``Board.check_against`` does that.
    """
    source = read_source(Path(path))
    root = Table(source, (), source.data)
    head = _read_head(root)
    roles = read_roles(root)
    core = read_core(root)
    intended = read_intended(root)
    given = read_given(root)
    before = len(source.findings)
    axes = read_axes(root)
    grids = read_grids(root, axes)
    # Where axes or grids are wrong, the names of corners would be wrong, too: one mistake, one finding.
    corners = name_corners(root, axes, grids) if len(source.findings) == before else {}
    hand = read_hand(root)
    check_names(root)
    order, units = check_formulas(source, intended, given, axes, hand)
    expected = read_expected(root, axes, corners)
    tolerance = read_tolerance(root)
    limits = read_limits(root)
    simulation = read_simulation(root, corners)
    root.finish()
    if source.findings or head is None or roles is None:
        raise BoardError(sorted(source.findings, key=lambda finding: finding.line or 0))
    return Board(
        path=source.path,
        format=FORMAT,
        name=head.name,
        title=head.title,
        revision=head.revision,
        netlist=head.netlist,
        include=head.include,
        roles=roles,
        core=core,
        intended=intended,
        given=given,
        axes=axes,
        grids=grids,
        hand=hand,
        hand_order=order,
        hand_units=units,
        expected=expected,
        tolerance=tolerance,
        limits=limits,
        simulation=simulation,
        sha256=source.sha256,
        lines=source.lines,
    )


@dataclass(frozen=True)
class _Head:
    name: str
    title: str
    revision: str
    netlist: Path
    include: tuple[Path, ...]


def _read_head(root: Table) -> _Head | None:
    table = root.table("board", "a table [board] with format, name, revision and netlist", required=True)
    if "board" not in root:
        return None
    number = table.whole("format", f"the number {FORMAT}", required=True)
    if number not in (None, FORMAT):
        table.wrong("format", f"format {number} is not known; this version reads format {FORMAT}")
    name = table.text("name", 'a short name such as "kestrel"', required=True)
    revision = table.text("revision", 'a text such as "A"', required=True)
    for key, value in (("name", name), ("revision", revision)):
        if value and not _FILE_NAME.fullmatch(value):
            message = f'"{value}" becomes part of a folder name; use letters, digits, ".", "_" and "-" only'
            table.wrong(key, message)
    title = table.text("title")
    netlist = _read_netlist(table)
    folder = table.source.path.parent
    include = tuple(folder / text for text in table.texts("include", 'a list of folders such as ["models"]'))
    for place, included in enumerate(include):
        if not included.is_dir():
            table.source.add((*table.path, "include", place), f'there is no folder "{included}"')
    table.finish()
    if name is None or revision is None or netlist is None:
        return None
    return _Head(name, title or name, revision, netlist, include)


def _read_netlist(table: Table) -> Path | None:
    text = table.text("netlist", 'a file beside the board file such as "kestrel.cir"', required=True)
    if text is None:
        return None
    folder = table.source.path.parent
    if Path(text).is_absolute() or ".." in Path(text).parts:
        table.wrong(
            "netlist", f'the netlist lies beside the board file; write its bare name instead of "{text}"'
        )
        return None
    if not (folder / text).is_file():
        there = [file.name for file in folder.iterdir() if file.suffix.lower() in _NETLIST_ENDINGS]
        table.wrong("netlist", f'there is no file "{text}" beside the board file{nearest(text, there)}')
    return folder / text
