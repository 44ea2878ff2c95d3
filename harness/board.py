# SPDX-License-Identifier: GPL-3.0-or-later
"""Loading a board file: what a designer intends, with every mistake found at once and pointed at.

A board file is TOML, ``NAME.board.toml`` beside its netlist. Its tables:

* ``[board]`` format, name, title, revision, netlist, include, dialect, include_dialect, confirmed;
* ``[roles]`` and ``[core]`` nodes and parts;
* ``[intended]`` part = "3.3k 1%", independent of the netlist; ``[given]`` constant = "0.15 V";
* ``[axes.NAME]`` values, unit, sets, nominal; ``[corners]`` grids, the axes of each full grid;
* ``[hand]`` quantity or helper = "formula"; ``[expected]`` quantity = { value, at = { axis = value } };
* ``[tolerance]`` name = 0.01, "50 mV", "2 % of swing" or "5 cents"; ``[limits]`` name = { least, most };
* ``[concession]`` quantity or part = { most, reason, at };
* ``[ratings]`` part = "0.25 W"; ``[simulation]`` accuracy, period, seconds, report_corners.

Numbers are SI (``1M`` is one mega) or have the marks of IEC 60062 (``4K7``).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from harness.findings import BoardError, Finding, NetlistError, nearest
from harness.intent.axes import name_corners, read_axes, read_grids
from harness.intent.concessions import read_concessions
from harness.intent.cores import Core
from harness.intent.formulas import check_formulas, check_names, read_hand
from harness.intent.objects import (
    Axis,
    Board,
    Concession,
    Expected,
    Intended,
    Limit,
    Roles,
    Simulation,
    Tolerance,
)
from harness.intent.parts import read_core, read_given, read_intended, read_roles
from harness.intent.ratings import read_ratings
from harness.intent.spread import read_spread, read_tracking
from harness.intent.tables import Table
from harness.intent.targets import read_expected, read_limits, read_simulation, read_tolerance
from harness.intent.toml_source import Source, read_source
from harness.intent.trims import read_trims
from harness.netlist.dialects.files import MODES, NATIVE, Dialects
from harness.units import Quantity

__all__ = [
    "Axis", "Board", "BoardError", "Concession", "Core", "Expected", "Finding", "Intended", "Limit",
    "Quantity", "Roles", "Simulation", "Tolerance", "load_board",
]  # fmt: skip

FORMAT = 1
FILE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")  # names of boards and revisions, parts of paths
_NETLIST_ENDINGS = (".cir", ".net", ".sp", ".ckt")


def load_board(path: Path | str) -> Board:
    """The content of a board file; file names in it count from its own folder.

    Raises BoardError with every finding: file, key, line, what was expected, and the nearest valid name. The
    netlist has to be there; nothing is taken from it. Whether it has what a sound board file names is for
    ``Board.check_against`` to say; where the board file is wrong already, that is said along with the rest.
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
    spread, tracking = read_spread(root), read_tracking(root, intended)
    trims = read_trims(root, axes)
    ratings = read_ratings(root)
    concessions = read_concessions(root, axes, corners, intended)
    root.finish()
    if source.findings or head is None:
        _try_netlist(source, head, roles, core, axes)
        raise BoardError(sorted(source.findings, key=lambda it: (it.path != source.path, it.line or 0)))
    return Board(
        path=source.path,
        format=FORMAT,
        name=head.name,
        title=head.title,
        revision=head.revision,
        netlist=head.netlist,
        include=head.include,
        dialects=head.dialects,
        confirmed=head.confirmed,
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
        spread=spread,
        tracking=tracking,
        trims=trims,
        ratings=ratings,
        concessions=concessions,
        sha256=source.sha256,
        lines=source.lines,
    )


def _try_netlist(
    source: Source, head: _Head | None, roles: Roles, core: Core | None, axes: dict[str, Axis]
) -> None:
    """Adds what is wrong with the netlist to what is wrong with the board file: all is said at once."""
    if head is None or not head.netlist.is_file():
        return
    from harness.intent.against import lacking
    from harness.netlist import read_netlist

    try:
        netlist = read_netlist(head.netlist, head.include, head.dialects)
        for path, message in lacking(netlist, roles, core, axes):
            source.add(path, message)
    except NetlistError as error:
        source.findings.extend(error.findings)


@dataclass(frozen=True)
class _Head:
    name: str
    title: str
    revision: str
    netlist: Path
    include: tuple[Path, ...]
    dialects: Dialects
    confirmed: bool


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
        if value and not FILE_NAME.fullmatch(value):
            message = f'"{value}" becomes part of a folder name; use letters, digits, ".", "_" and "-" only'
            table.wrong(key, message)
    title = table.text("title")
    netlist = _read_netlist(table)
    folder = table.source.path.parent
    include = tuple(folder / text for text in table.texts("include", 'a list of folders such as ["models"]'))
    for place, included in enumerate(include):
        if not included.is_dir():
            table.source.add((*table.path, "include", place), f'there is no folder "{included}"')
    dialects = _read_dialects(table, (folder, *include))
    confirmed = table.flag("confirmed", default=True)
    table.finish()
    if name is None or revision is None or netlist is None:
        return None
    return _Head(name, title or name, revision, netlist, include, dialects, confirmed)


def _read_dialects(table: Table, folders: tuple[Path, ...]) -> Dialects:
    """``dialect`` of the netlist and all it includes, and ``include_dialect`` of single files."""
    whole = table.choice("dialect", MODES) or NATIVE
    single = table.table("include_dialect", 'a table such as { "models/opamp.lib" = "commercial" }')
    files: dict[Path, str] = {}
    for name in single.names():
        mode = single.choice(name, MODES)
        found = next((folder / name for folder in folders if (folder / name).is_file()), None)
        if found is None:
            single.wrong(name, f'there is no file "{name}" beside the board file or in a folder of include')
        elif mode:
            files[found.resolve()] = mode
    return Dialects(whole, files)


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
    if _leads_out(folder, text):
        table.wrong(
            "netlist", f'"{text}" leads out of the folder of the board file; put the netlist itself there'
        )
        return None
    if not (folder / text).is_file():
        there = [file.name for file in folder.iterdir() if file.suffix.lower() in _NETLIST_ENDINGS]
        table.wrong("netlist", f'there is no file "{text}" beside the board file{nearest(text, there)}')
    return folder / text


def _leads_out(folder: Path, text: str) -> bool:
    """Whether a link takes a file of ``folder`` elsewhere; what cannot be followed is no file either way."""
    try:
        return not (folder / text).resolve().is_relative_to(folder.resolve())
    except (OSError, ValueError, RuntimeError):
        return False
