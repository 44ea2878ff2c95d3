# SPDX-License-Identifier: GPL-3.0-or-later
"""What a run hands on: tables, waveforms and settings. Writers and readers share this one object."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.board import Board
from harness.findings import Finding

if TYPE_CHECKING:
    from harness.revision.kept import Kept

CURE_COLUMNS = ["limit", "part", "drawn", "value", "series", "predicted_margin", "words"]
Waveforms = Mapping[str, NDArray[np.float64]]


@dataclass(frozen=True, repr=False)
class RunResult:
    """Everything a report draws on.

    ``corners``: one row a corner: ``corner``, one column an axis, ``state``, ``reason`` (text where a
    corner has no figures), ``ratings`` (a word of `ratings.WORDS`, then what is breached), then for each
    quantity q the columns q.hand, q.solved, q.refined, q.simulated, q.bar, q.difference, q.agreement,
    q.limit, q.margin, q.tolerance (absolute, in the unit of q; for frequency in Hz), and q.concession
    ("within", "beyond" or nothing) where the board file concedes a deviation of q.
    ``harmonics``: corner, harmonic (1..16), amplitude (V, peak), phase (rad).
    ``effects``: corner, quantity, effect, amount, origin; rows of one quantity add up to q.difference.
    ``check``: part, intended, drawn, verdict ("same", "differs", "not drawn", "not intended"), concession,
    with unit text. ``expected``: quantity, corner, expected, simulated, bar, agreement, concession, for
    literal figures.
    ``waveforms``: corner -> {"time", "ramp", "threshold", "output"} of one settled cycle and a little more,
    telling corners only. ``telling``: corner -> why it is shown. ``formulas``: quantity -> (formula text,
    the same with the numbers put in, of the corner nearest to the nominal one). ``parts_text``: origin notes
    of real-part values used in the refined form: rows (name, value text, origin). ``lint``: warnings about
    the netlist.
    ``ratings``: one row an absolute maximum rating at its worst corner, columns of `ratings.COLUMNS`.
    ``cures``: one row a limit that is outside somewhere, columns of `CURE_COLUMNS`.
    ``drawing``: drawing and board file as they were, so that a later revision can be compared.
    ``notes``: what was skipped or overridden on the way to the engine. ``run``: the content of run.json:
    corners, simulated, reused, not_simulated, engine_seconds, callback_seconds, wall_seconds, workers,
    versions, hashes, settings, assumed.
    """

    board: Board
    corners: pd.DataFrame
    harmonics: pd.DataFrame
    effects: pd.DataFrame
    check: pd.DataFrame
    expected: pd.DataFrame
    run: Mapping[str, Any]
    waveforms: Mapping[str, Waveforms] = field(default_factory=dict)
    telling: Mapping[str, str] = field(default_factory=dict)
    formulas: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    parts_text: tuple[tuple[str, str, str], ...] = ()
    lint: tuple[Finding, ...] = ()
    notes: tuple[Finding, ...] = ()
    folder: Path | None = None
    ratings: pd.DataFrame = field(default_factory=pd.DataFrame)
    cures: pd.DataFrame = field(default_factory=pd.DataFrame)
    drawing: Kept | None = None

    def waveform(self, corner: str) -> Waveforms:
        """Waveforms of one corner: "time" (s), "ramp", "threshold" and "output" (V), each of shape (n,).

        Raises KeyError with a sentence where none is kept: a corner without figures, or one that was not
        asked for.
        """
        if corner not in self.waveforms:
            kept = ", ".join(sorted(self.waveforms)) or "none"
            raise KeyError(f'no waveform of corner "{corner}" is kept (kept: {kept})')
        return self.waveforms[corner]

    def report(self, path: str | Path) -> Path:
        """Writes the report, one self-contained HTML file, and returns its path."""
        from harness.report.page import write_report

        write_report(self, Path(path))
        return Path(path)

    def __repr__(self) -> str:
        states = ", ".join(
            f"{count} {state}" for state, count in self.corners["state"].value_counts().items()
        )
        board = f"{self.board.name}, revision {self.board.revision}"
        return f"<run of {board}: {len(self.corners)} corners, {states}>"

    def _repr_html_(self) -> str:
        """What a notebook shows: the story in words, then the first corners."""
        from html import escape

        from harness.report.terminal import summary_lines

        words = escape("\n".join(summary_lines(self)))
        return f"<pre>{words}</pre>{self.corners.head(10).to_html(max_cols=12)}"
