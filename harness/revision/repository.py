# SPDX-License-Identifier: GPL-3.0-or-later
"""A board as a git revision has it: board file, netlist and includes, put into a folder of their own."""

from __future__ import annotations

import os
import subprocess
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from harness.findings import Finding, InputError, nearest

LARGEST = 20_000_000  # bytes of a file that may be part of a drawing
_REGULAR = ("100644", "100755")
SECONDS = 120.0  # longest wait for git


@dataclass(frozen=True)
class Extracted:
    """``board``: the board file put down; ``commit``: short name of the revision; ``place``: its folder in
    the working tree, which need not be there any more."""

    board: Path
    commit: str
    place: Path


def extract(revision: str, path: str, folder: Path) -> Extracted:
    """Puts the board file ``path`` of a revision, its folder and the folders that it includes from into
    ``folder``. ``path`` counts from the top of the repository, as git has it, or else from the folder in
    which the command was given; from there alone where it begins with ``./`` or ``../``. Raises InputError
    for no git, no repository, an unknown revision or path.
    """
    word = f"{revision}:{path}"
    top = Path(_git(["rev-parse", "--show-toplevel"], word, "this folder lies in no git repository").strip())
    no_revision = f'git knows no revision "{revision}"; `git log --oneline` lists those that there are'
    commit = _git(
        ["rev-parse", "--verify", "--quiet", "--end-of-options", f"{revision}^{{commit}}"], word, no_revision
    ).strip()
    inside = _inside(commit, path, top, word)
    home = PurePosixPath(inside).parent
    wanted = [home, *_included(_blob(commit, inside, top, word), home)]
    names = list(_names(commit, wanted, top, word))
    for name in names:
        target = folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(_blob(commit, name, top, word))
    short = _git(["rev-parse", "--short", commit], word, no_revision).strip()
    return Extracted(folder / inside, short, top / home)


def _inside(commit: str, path: str, top: Path, word: str) -> str:
    """The path from the top of the repository."""
    relative = path.startswith(("./", "../"))  # as git itself reads it: from here and from nowhere else
    tried = [] if relative else [PurePosixPath(path).as_posix()]
    here = Path.cwd().resolve()
    if here.is_relative_to(top.resolve()):
        tried.append(_plain((here.relative_to(top.resolve()) / path).as_posix()))
    for name in tried:
        if name and git_bytes(["cat-file", "-t", f"{commit}:{name}"], top, word)[0] == b"blob\n":
            return name
    boards = [
        name for name in _names(commit, [PurePosixPath(".")], top, word) if name.endswith(".board.toml")
    ]
    hint = nearest(path, boards) if boards else "; it has no board file at all"
    raise InputError([Finding(None, f'{word}: the revision has no file "{path}"{hint}')])


def _plain(path: str) -> str:
    """A path without ``.`` and ``..``; "" where it leaves the repository."""
    pieces: list[str] = []
    for piece in path.split("/"):
        if piece == "..":
            if not pieces:
                return ""
            pieces.pop()
        elif piece not in ("", "."):
            pieces.append(piece)
    return "/".join(pieces)


def _included(content: bytes, home: PurePosixPath) -> Iterator[PurePosixPath]:
    """Folders that a board file names under ``include``; a file that cannot be read says so when it is
    loaded."""
    try:
        table = tomllib.loads(content.decode("utf-8")).get("board", {})
    except (UnicodeDecodeError, tomllib.TOMLDecodeError):
        return
    folders = table.get("include", []) if isinstance(table, dict) else []
    for folder in folders if isinstance(folders, list) else []:
        if inside := _plain((home / str(folder)).as_posix()):
            yield PurePosixPath(inside)


def _names(commit: str, folders: Sequence[PurePosixPath], top: Path, word: str) -> Iterator[str]:
    """Files of a revision below some folders that can be part of a drawing. Raises InputError for a name that
    leads out of the folder that they are put into: git checks none such out, but a repository can hold
    one."""
    chosen = sorted({folder.as_posix() for folder in folders})
    paths = [] if "." in chosen else ["--", *(f"{folder}/" for folder in chosen)]
    listing, _ = git_bytes(["ls-tree", "-r", "-z", "-l", "--full-tree", commit, *paths], top, word)
    for entry in listing.split(b"\0"):
        head, _, name = entry.partition(b"\t")
        fields = head.split()
        if len(fields) == 4 and fields[0].decode() in _REGULAR and int(fields[3]) <= LARGEST:
            path = name.decode("utf-8", "surrogateescape")
            if _plain(path) != path:
                raise InputError(
                    [Finding(None, f"{word}: the revision has a file {path!r}, which leads away")]
                )
            yield path


def _blob(commit: str, name: str, top: Path, word: str) -> bytes:
    content, complaint = git_bytes(["cat-file", "blob", f"{commit}:{name}"], top, word)
    if complaint:
        raise InputError([Finding(None, f"{word}: {name} cannot be read from the repository: {complaint}")])
    return content


def _git(arguments: Sequence[str], word: str, otherwise: str) -> str:
    """What git prints; an InputError with ``otherwise`` where it fails."""
    output, complaint = git_bytes(arguments, Path.cwd(), word)
    if complaint:
        raise InputError([Finding(None, f"{word}: {otherwise}")])
    return output.decode("utf-8", "surrogateescape")


def git_bytes(arguments: Sequence[str], folder: Path, word: str) -> tuple[bytes, str]:
    """What git prints, and its complaint where it fails, "" where it does not. ``word``: what the user asked
    for, for a sentence. Never through a shell; no hook or monitor of the repository is run. Raises
    InputError where there is no git or no answer."""
    call = ["git", "-c", "core.fsmonitor=false", "-c", "core.hooksPath=", *arguments]
    try:
        done = subprocess.run(
            call, cwd=folder, env={**os.environ, "GIT_OPTIONAL_LOCKS": "0", "LC_ALL": "C"},
            capture_output=True, check=False, timeout=SECONDS, stdin=subprocess.DEVNULL,
        )  # fmt: skip
    except FileNotFoundError as error:
        message = f"{word}: git is not installed here; name a board file or a run folder instead"
        raise InputError([Finding(None, message)]) from error
    except subprocess.TimeoutExpired as error:
        raise InputError([Finding(None, f"{word}: git gave no answer within {SECONDS:g} s")]) from error
    except ValueError as error:  # a NUL in the words of the user
        raise InputError([Finding(None, f"{word}: {error}")]) from error
    words = done.stderr.decode("utf-8", "replace").strip().splitlines()
    return done.stdout, "" if done.returncode == 0 else (words[-1] if words else "git failed")


def commit_here() -> str:
    """The commit of the folder in which the command was given, `` with changes`` behind it where files under
    version control differ from it; "" without git or a repository."""
    try:
        name, complaint = git_bytes(["rev-parse", "HEAD"], Path.cwd(), "")
        status, failed = git_bytes(["status", "--porcelain", "--untracked-files=no"], Path.cwd(), "")
    except InputError:
        return ""
    return "" if complaint or failed else name.decode().strip() + (" with changes" if status.strip() else "")
