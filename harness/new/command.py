# SPDX-License-Identifier: GPL-3.0-or-later
"""``ramp-harness new``: writes a board file beside a netlist, or both from what ships with the package."""

from __future__ import annotations

import datetime
import re
import shutil
from dataclasses import dataclass
from pathlib import Path

from harness.board import load_board
from harness.findings import BoardError, Finding, InputError, NetlistError
from harness.netlist import Netlist, read_netlist
from harness.netlist.dialects import COMMERCIAL, NATIVE, Dialects
from harness.netlist.dialects.files import HINT
from harness.new.drawing import Drawing
from harness.new.guess import Guess, guess
from harness.new.starters import Choice, starter
from harness.new.text import Head, board_text
from harness.writing import make_folder

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
ENDING = ".board.toml"


@dataclass(frozen=True)
class Started:
    """``files`` that were written, and what is to be told."""

    files: tuple[Path, ...]
    lines: tuple[str, ...]


def new_from(name: str, netlist: Path, out: Path | None = None) -> Started:
    """A board file for an exported netlist: beside it, or with a copy of it and of what it includes in
    ``out``. Raises InputError with every finding; nothing is written then, and nothing is overwritten."""
    name = sound_name(name)
    if not netlist.is_file():
        raise InputError([Finding(netlist, "there is no such file; expected a netlist")])
    drawn, dialect = read_either(netlist)
    folder = out if out is not None else netlist.parent
    board = folder / f"{name}{ENDING}"
    copies = {} if out is None else _copies(drawn, netlist.parent, folder)
    refuse_existing([board, *copies.values()])
    found = guess(Drawing(drawn))
    _require_roles(netlist, found)
    day = datetime.datetime.now(tz=datetime.UTC).date().isoformat()
    text = board_text(Head(name, netlist.name, dialect, day), found)
    make_folder(folder)
    for source, target in copies.items():
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, target)
    board.write_text(text, encoding="utf-8")
    _must_load(board, drawn)
    return Started((board, *copies.values()), tuple(_told(board, found, drawn)))


def new_starter(name: str, choice: Choice, out: Path | None = None) -> Started:
    """A board to begin with, netlist and board file, in ``out`` or the current folder. Raises InputError with
    every finding; nothing is overwritten."""
    name = sound_name(name)
    made = starter(name, choice)
    folder = out if out is not None else Path()
    netlist, board = folder / f"{name}.cir", folder / f"{name}{ENDING}"
    refuse_existing([netlist, board])
    make_folder(folder)
    netlist.write_text(made.netlist, encoding="utf-8")
    board.write_text(made.board, encoding="utf-8")
    _must_load(board, read_netlist(netlist))
    lines = (
        f"Written: {netlist} and {board}",
        "A board to begin with: change the netlist to what you draw, the board file to what you mean. Then:",
        f"  ramp-harness check {board}",
    )
    return Started((netlist, board), lines)


def sound_name(name: str) -> str:
    """The name of a board, with or without the ending of a board file. Raises InputError."""
    bare = name.removesuffix(ENDING)
    if not _NAME.fullmatch(bare):
        message = f'"{name}" becomes the name of files; use letters, digits, ".", "_" and "-" only'
        raise InputError([Finding(None, message, "NAME")])
    return bare


def refuse_existing(files: list[Path]) -> None:
    """Raises InputError for files that are there already."""
    there = [file for file in files if file.exists()]
    if there:
        message = "is there already and is not overwritten; choose another name, or another folder with --out"
        raise InputError([Finding(file, message) for file in there])


def read_either(path: Path) -> tuple[Netlist, str]:
    """The netlist and the notation that it could be read in; native first. Raises NetlistError: the findings
    of the commercial notation where the native one points to it or finds more, else those of the native."""
    try:
        return read_netlist(path), NATIVE
    except NetlistError as native:
        try:
            return read_netlist(path, (), Dialects(COMMERCIAL)), COMMERCIAL
        except NetlistError as commercial:
            pointed = any(HINT in finding.message for finding in native.findings)
            fewer = len(commercial.findings) < len(native.findings)
            raise (commercial if pointed or fewer else native) from None


def _copies(netlist: Netlist, base: Path, folder: Path) -> dict[Path, Path]:
    """Where each file of a netlist goes; what ships with the package is found from everywhere."""
    root = base.resolve()
    return {path: folder / path.relative_to(root) for path, _ in netlist.files if path.is_relative_to(root)}


def _require_roles(netlist: Path, found: Guess) -> None:
    missing = [role for role in ("ramp", "threshold", "output") if found.role(role) is None]
    if not missing:
        return
    findings = [Finding(netlist, sentence) for sentence in found.open]
    message = (
        f"so {', '.join(missing)} could not be told; write the board file by hand, beginning with one that"
        " `ramp-harness new NAME` writes"
    )
    raise InputError([*findings, Finding(netlist, message)])


def _must_load(board: Path, netlist: Netlist) -> None:
    """A file that we wrote and that does not load is a fault of ours, and no use to anybody."""
    try:
        findings = load_board(board).check_against(netlist)
    except BoardError as error:
        findings = list(error.findings)
    if findings:
        raise RuntimeError("; ".join(str(finding) for finding in findings))


def _told(board: Path, found: Guess, netlist: Netlist) -> list[str]:
    lines = [f"Written: {board}", "", "Check these against what you meant:"]
    lines += [f"  {each.key:<17} {each.value:<16} {each.reason}" for each in found.roles]
    if found.core is None:
        lines.append(
            "  core              not recognised: duty and frequency are compared, not explained by name"
        )
    else:
        lines.append(f"  core              {found.core.kind}")
    if found.control is not None:
        lines.append(f"  control           {found.drawing.shown(found.control):<16} moves the threshold")
    if found.open:
        lines += ["", "Please decide:", *(f"  {sentence}" for sentence in found.open)]
    how = [note for note in netlist.notes if "read as" in note.message or "read so" in note.message]
    left_out = [note for note in netlist.notes if note not in how]
    if how:
        lines += ["", "Read as:", *(f"  {note}" for note in how)]
    if left_out:
        lines += ["", "Left out of the netlist:", *(f"  {note}" for note in left_out)]
    lines += [
        "",
        "The intended values are copies of the drawn ones: compare each with your notes, then delete",
        "`confirmed = false` in [board]; until then a wrong part value cannot be noticed. Formulas and",
        "limits wait as comments. Then:",
        f"  ramp-harness check {board}",
    ]
    return lines
