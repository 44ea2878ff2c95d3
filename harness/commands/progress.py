# SPDX-License-Identifier: GPL-3.0-or-later
"""How far a command is, told while it works."""

from __future__ import annotations

import sys


class Progress:
    """One line that is rewritten on a terminal, a plain line each tenth otherwise."""

    def __init__(self, what: str = "corner") -> None:
        self.what = what
        self.terminal = sys.stderr.isatty()
        self.tenth = 0

    def __call__(self, done: int, count: int, text: str) -> None:
        if self.terminal:
            filled = 30 * done // count
            print(
                f"\r[{'#' * filled}{'.' * (30 - filled)}] {done} of {count}  {text:<40.40}",
                end="",
                file=sys.stderr,
            )
        elif 10 * done // count != self.tenth:
            self.tenth = 10 * done // count
            print(f"{done} of {count} {self.what}{'' if count == 1 else 's'} done", file=sys.stderr)

    def end(self) -> None:
        """Leaves the line on a terminal."""
        if self.terminal:
            print(file=sys.stderr)
