# SPDX-License-Identifier: GPL-3.0-or-later
"""What can be said without a simulation: drawing against intent, predictions, and warnings about the
netlist."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from harness.characterise import NOT_YET, characterise
from harness.conceded import outcomes, parts_off
from harness.intent.objects import UNCONFIRMED
from harness.predict.refined import Prediction, Predictor
from harness.quantities import stem
from harness.report.concessions import part_words, subject_and_bound
from harness.report.rounding import count
from harness.report.tables import CONCESSION_WORDS
from harness.run import Prepared, prepare
from harness.units import engineering
from harness.verdict import quantities_of
from harness.writing import table_writer, write_together

KINDS = ("hand", "solved", "refined")
PARTLY = "predicted"
#: of what nothing is known before an output was measured, by the curve that it takes: of its low state, and
#: of its high one where it drives both ways
NEED_A_CURVE = {
    "slicer.sink": ("low_level", "fall_time"),
    "slicer.source": ("high_level", "rise_time", "sink_current", "output_resistance"),
}
PARTS_OF_A_BOARD = {
    "slicer": "the slicing comparator",
    "trip": "the comparator that resets the ramp",
    "reset": "the reset switch",
    "pulldown": "the pull-down",
    "mirror": "the current source",
    "snap": "the snapping switch",
    "follower": "the follower",
    "converter": "the converter",
    "integrator": "the integrator",
    "ramp": "what hangs on the ramp",
}
# the word for a value whose name ends or begins so; others are said as they are called
PLAIN_WORDS = (
    ("bias", "bias"), ("delay", "delays"), ("extra", "delays"), ("edge", "delays"), ("sink", "output curve"),
    ("charge", "charge"), ("source", "output curve"),
)  # fmt: skip


@dataclass(frozen=True)
class Checked:
    """``prediction``: its table of effects is empty. ``predictions``: corner, axes, then q.hand, q.solved,
    q.refined for every quantity that has one."""

    prepared: Prepared
    prediction: Prediction
    predictions: pd.DataFrame

    @property
    def falls_short(self) -> bool:
        """True where a part differs between intended and drawn, or is not drawn, and that is not conceded."""
        return not parts_off(self.prepared.check).empty


def check(path: Path) -> Checked:
    """Reads and predicts; the engine is not used. Raises BoardError or NetlistError with all findings."""
    prepared = prepare(path)
    board, netlist = prepared.board, prepared.netlist
    with np.errstate(all="ignore"):  # what a wrong drawing leaves without a figure is NaN
        known = characterise(board, netlist, prepared.store, measure=False)
        prediction = Predictor(board, netlist, prepared.corners, known).without_effects()
    tables = {"hand": prepared.hand, "solved": prediction.solved, "refined": prediction.refined}
    columns = {
        f"{name}.{kind}": table[name]
        for name in quantities_of(*tables.values())
        for kind, table in tables.items()
        if name in table.columns
    }
    return Checked(prepared, prediction, pd.concat([prepared.corners, pd.DataFrame(columns)], axis=1))


def check_lines(checked: Checked) -> list[str]:
    """The result in words and plain tables."""
    prepared = checked.prepared
    board = prepared.board
    lines = [
        f"{board.name}, revision {board.revision}: {count(len(prepared.corners), 'corner')}, nothing"
        " simulated",
        "",
    ]
    lines += _drawing_lines(prepared)
    lines += _concession_lines(prepared)
    lines += ["", *_prediction_lines(checked)]
    if checked.prediction.reused:
        lines += [
            "",
            f"{checked.prediction.reused} values of device models alone, measured by earlier runs, come from"
            f" {prepared.store.parent.name}/{prepared.store.name} beside the board file.",
        ]
    if prepared.lint:
        lines += ["", "The netlist:", *(f"  {finding}" for finding in prepared.lint)]
    if prepared.netlist.notes:
        lines += ["", "Left out on the way to the engine:", *(f"  {note}" for note in prepared.netlist.notes)]
    unknown = _unknown(checked)
    waiting = [name for name, origin in unknown.items() if NOT_YET in origin]
    if waiting:
        lines += ["", "Unknown until the first run measures the models alone:", *_in_plain_words(waiting)]
    if len(waiting) < len(unknown):
        rest = [f"  {name}: {origin}" for name, origin in unknown.items() if name not in waiting]
        lines += ["", "Unknown:", *rest]
    return lines


def _unknown(checked: Checked) -> dict[str, str]:
    """Real-part values that the refined prediction does without, by name, and why."""
    return {name: origin for name, text, origin in checked.prediction.origins if text == "unknown"}


def _in_plain_words(names: Sequence[str]) -> Iterator[str]:
    """A line a part of the board: ``  bias, offset, leakage, output curve and delays of the comparator``."""
    groups: dict[str, dict[str, None]] = {}
    for name in names:
        part, _, value = name.partition(".")
        groups.setdefault(part, {})[_plain_word(value)] = None
    for part, words in groups.items():
        yield f"  {_in_a_row(list(words))} of {PARTS_OF_A_BOARD.get(part, part)}"


def _plain_word(value: str) -> str:
    pieces = value.split("_")
    return next((word for piece, word in PLAIN_WORDS if piece in pieces), " ".join(pieces))


def _in_a_row(words: list[str]) -> str:
    return " and ".join([*([", ".join(words[:-1])] if words[1:] else []), words[-1]])


def _drawing_lines(prepared: Prepared) -> list[str]:
    table = prepared.check
    if not prepared.board.intended:
        return ["The board file intends no part values: a wrong part value cannot be noticed."]
    same = int((table["verdict"] == "same").sum())
    lines = [f"Intended against drawn: {count(same, 'part value')} the same."]
    if not prepared.board.confirmed:
        lines.append(
            f"But {UNCONFIRMED}. Compare each with your notes, then delete `confirmed = false` in [board]."
        )
    for _, row in table[table["verdict"] != "same"].iterrows():
        conceded = CONCESSION_WORDS.get(row["concession"])
        more = f", {conceded}" if conceded else ""
        match row["verdict"]:
            case "differs":
                lines.append(f"  {row['part']}: {row['intended']} intended, {row['drawn']} drawn{more}")
            case "not drawn":
                lines.append(f"  {row['part']}: {row['intended']} intended, not drawn{more}")
            case _:
                lines.append(
                    f"  {row['part']}: {row['drawn']} drawn, no value intended: a slip there goes unnoticed"
                )
    return lines


def _concession_lines(prepared: Prepared) -> list[str]:
    """What the board file concedes; what is said of figures waits for a run."""
    board = prepared.board
    none = pd.DataFrame(columns=["quantity"])
    lines = []
    for one in outcomes(board, prepared.corners, prepared.check, none):
        subject, bound = subject_and_bound(board, one.concession)
        found = "a run shows whether it keeps to it"
        if one.concession.kind == "part":
            found = part_words(prepared.check, one)
        lines.append(f"  {subject}, {bound}: {found}. Reason: {one.concession.reason}")
    return ["", "Conceded in the board file:", *lines] if lines else []


def _prediction_lines(checked: Checked) -> list[str]:
    """Hand, solved and refined along the sweep of the first axis, the other axes at their nominal values."""
    board, table = checked.prepared.board, checked.predictions
    axes = list(board.axes)
    sweep = "control" if "control" in axes else (axes[0] if axes else "")
    mask = np.ones(len(table), dtype=bool)
    for name, axis in board.axes.items():
        if name != sweep:
            mask &= np.isclose(table[name].to_numpy(dtype=float), axis.nominal, rtol=1e-9, atol=0.0)
    rows = table[mask]
    unknown = _unknown(checked)
    names = dict(zip(KINDS, KINDS, strict=True)) | ({"refined": PARTLY} if unknown else {})
    dashed = [name for curve, waiting in NEED_A_CURVE.items() if curve in unknown for name in waiting]
    lines = [f"Predictions over {sweep}, other axes at nominal:" if sweep else "Predictions:"]
    if any(NOT_YET in origin for origin in unknown.values()):
        lines.append(
            "  (predicted: refined on drawn values, device models not measured yet; a dash waits for them)"
        )
    elif unknown:
        lines.append("  (predicted: refined as far as it goes, without what is unknown, which stands below)")
    for _, row in rows.iterrows():
        at = f"{sweep} = {board.axes[sweep].text(float(row[sweep]))}" if sweep else ""
        lines.append(f"  {row['corner']}  {at}")
        for name in sorted({column.partition(".")[0] for column in table.columns if "." in column}):
            figures = [
                f"{names[kind]} {_figure_text(row, name, kind, dashed)}"
                for kind in KINDS
                if f"{name}.{kind}" in table.columns and np.isfinite(row[f"{name}.{kind}"])
            ]
            if figures:
                lines.append(f"      {stem(name).title:<36} {'   '.join(figures)}")
    return lines


def _figure_text(row: pd.Series, name: str, kind: str, dashed: Sequence[str]) -> str:
    if kind == "refined" and name in dashed:
        return "-"
    return engineering(float(row[f"{name}.{kind}"]), stem(name).unit)


def write_check(checked: Checked, folder: Path) -> list[Path]:
    """Writes check.csv and predictions.csv. Returns the paths."""
    return write_together(
        folder,
        {
            "check.csv": table_writer(checked.prepared.check),
            "predictions.csv": table_writer(checked.predictions),
        },
    )
