# SPDX-License-Identifier: GPL-3.0-or-later
"""What ``revision-story.html`` shows: a resistor of the demo board's slicing stage typed with two digits
swapped, and what each command says. Every output on the page is printed by the command itself."""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from jinja2 import Environment

from harness.resources import netlists_folder
from harness.revision.comparison import compare
from harness.revision.pictures import shift_pictures
from harness.revision.sides import Asked, sides

NAME = "kestrel_slicer"
TYPED = ("Rknob wiper thr 68k", "Rknob wiper thr 86k")
MEANT = (('Rknob = "68k 1%"', 'Rknob = "86k 1%"'), ('revision = "A"', 'revision = "B"'))


@dataclass(frozen=True)
class Said:
    """One command, what it printed, and what it ended with."""

    command: str
    output: str
    code: int

    def head(self, number: int) -> str:
        """The first lines that are not empty."""
        return "\n".join([line for line in self.output.splitlines() if line][:number])


def changed(path: Path, *changes: tuple[str, str]) -> None:
    """Puts other text into a file; each has to be there once."""
    text = path.read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")


def said(folder: Path, *arguments: str) -> Said:
    """Runs a command as a user types it."""
    done = subprocess.run(
        [sys.executable, "-m", "harness", *arguments], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode in (0, 1), done.stderr
    return Said(f"ramp-harness {' '.join(arguments)}", done.stdout.rstrip(), done.returncode)


def story(environment: Environment, folder: Path, css: str) -> str:
    """The page; what it tells happens in ``folder``."""
    board = f"{NAME}.board.toml"
    for name in (board, f"{NAME}.cir"):
        shutil.copy(netlists_folder() / "boards" / "kestrel" / name, folder / name)
    first = [said(folder, "run", board), said(folder, "accept", f"reports/{NAME}/A")]
    shutil.copytree(folder / "reports" / NAME / "A", folder / "before")
    changed(folder / f"{NAME}.cir", TYPED)
    steps = [
        said(folder, "check", board),
        said(folder, "run", board),
        said(folder, "compare", "accepted", board),
    ]
    with sides(str(folder / "before"), str(folder / "reports" / NAME / "A"), Asked()) as pair:
        found = compare(*pair)
    pictures = shift_pictures(found, ["duty", "threshold"])
    changed(folder / board, *MEANT)
    meant = said(folder, "compare", "accepted", board)
    duty = found.shifts[found.shifts["name"] == "duty"]
    largest = duty.loc[duty["simulated_change"].abs().idxmax()]
    return environment.get_template("revision-story.html.j2").render(
        css=css,
        first=first,
        check=steps[0],
        run=steps[1],
        compared=steps[2],
        meant=meant,
        finer=said(folder, "compare", "accepted", board, "--accuracy", "1e-5") if meant.code else None,
        pictures=pictures,
        typed=TYPED,
        intended=MEANT,
        predicted=float(largest["predicted_change"]),
        simulated=float(largest["simulated_change"]),
        bar=float(largest["bar"]),
        corners=len(found.joined.table),
    )
