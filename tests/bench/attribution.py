# SPDX-License-Identifier: GPL-3.0-or-later
"""Pairs of boards that differ in one real-part effect, and what the prediction and the engine make of each.

Workers import this module.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd
from whole_job import At, Job, result_and_prediction

from harness.predict import effects as named
from harness.predict.cores import charged, source
from harness.predict.effects import Effect
from harness.predict.refined import INTERACTION
from harness.resources import netlists_folder

Edit = tuple[str, str]
CLOSE, NOTHING = 0.10, 0.05  # of an effect, of a tolerance

COMPARATOR = "comparator_393"
FET, PNP = "mosfet_small_n", "pnp_small"
#: effects that depend on the trip comparator's own speed and on what it drives
SWITCHING = (charged.CLOSE_DELAY, charged.OPEN_DELAY)


@dataclass(frozen=True)
class Pair:
    """A board with an effect and the same board without it.

    ``effects``: those that the change is about; ``given``, ``removed``: edits of the netlist (pattern, text)
    for the board with the effect and, on top of these, for the one without; ``intent``: edits of the board
    file for the one without.
    """

    board: str
    name: str
    effects: tuple[Effect, ...]
    removed: tuple[Edit, ...]
    given: tuple[Edit, ...] = ()
    intent: tuple[Edit, ...] = ()
    given_intent: tuple[Edit, ...] = ()


def parameter(part: str, text: str) -> Edit:
    """A comparator's line with a parameter of its model."""
    return rf"(?m)^({part} .*{COMPARATOR}.*)$", rf"\1 {text}"


def own_model(part: str, model: str, **figures: float) -> tuple[Edit, Edit]:
    """A part with a model of its own: the library's text with other figures."""
    text = (netlists_folder() / "parts" / f"{model}.inc").read_text()
    card = re.sub(r"\n\+", " ", text[text.index(".model") :])
    for name, value in figures.items():
        card, count = re.subn(rf"\b{name}=[^\s)]+", f"{name}={value!r}", card)
        assert count == 1, name
    fresh = f"{model}_of_{part.lower()}"
    card = card.replace(f".model {model} ", f".model {fresh} ").strip()
    return (rf"(?m)^({part} .*)\b{model}\b", rf"\1{fresh}"), (r"(?m)^\.end$", f"{card}\n.end")


SLICER, TONE_BOX = "kestrel_slicer", "kestrel"

PAIRS = (
    Pair(SLICER, "saturation", (named.SATURATION,), (parameter("Xslice", "saturation=0"),)),
    Pair(SLICER, "bias", (named.THRESHOLD_BIAS,), (parameter("Xslice", "bias=0"),)),
    Pair(
        SLICER, "leakage of 2 uA", (named.LEAKAGE,),
        ((r"leakage=2u", "leakage=0"),), (parameter("Xslice", "leakage=2u"),),
    ),
    Pair(
        SLICER, "offset of 20 mV", (named.OFFSET,),
        ((r"offset=20m", "offset=0"),), (parameter("Xslice", "offset=20m"),),
    ),
    Pair(SLICER, "delay", (named.SLICER_DELAY, named.TURN_ON), (parameter("Xslice", "delay=0"),)),
    Pair(SLICER, "load capacitor", (named.EDGES,), ((r"(?m)^Cload out 0 1n$", "Cload out 0 1f"),)),
    Pair(
        SLICER, "time of the fall", (source.RESET,), ((r"fall=10u dwell=0.2u", "fall=10n dwell=1n"),),
    ),
    Pair(TONE_BOX, "saturation", (named.SATURATION,), (parameter("Xslice", "saturation=0"),)),
    Pair(
        TONE_BOX, "bias of the slicer", (named.THRESHOLD_BIAS, charged.RAMP_BIAS),
        (parameter("Xslice", "bias=0"),),
    ),
    Pair(
        TONE_BOX, "bias of the trip comparator", (charged.TRIP_BIAS, charged.RAMP_BIAS),
        (parameter("Xtrip", "bias=0"),),
    ),
    Pair(
        TONE_BOX, "delay of the slicer", (named.SLICER_DELAY, named.TURN_ON),
        (parameter("Xslice", "delay=0"),),
    ),
    Pair(TONE_BOX, "delay of the trip comparator", SWITCHING, (parameter("Xtrip", "delay=0"),)),
    Pair(
        TONE_BOX, "trip offset of 20 mV", (charged.TRIP_OFFSET,),
        ((r"offset=20m", "offset=0"),), (parameter("Xtrip", "offset=20m"),),
    ),
    Pair(
        TONE_BOX, "switch of 40 Ohm", (charged.ON_RESISTANCE, *SWITCHING),
        ((r"rd=40\.0", "rd=1e-6"),), own_model("Mreset", FET, rd=40.0, rs=1e-6),
    ),
    Pair(
        TONE_BOX, "pull-down switch of 40 Ohm", (charged.FOOT_RESISTANCE, *SWITCHING),
        ((r"rd=40\.0", "rd=1e-6"),), own_model("Mpull", FET, rd=40.0, rs=1e-6),
    ),
    Pair(
        TONE_BOX, "ideal mirror", (charged.MIRROR, charged.RAMP_CAPACITANCE),
        (
            (r"(?m)^Q[1-4] .*\n", ""),
            (r"(?m)^Ipitch .*$", "Ipitch pitch 0 15u\nVsense vcc pitch 0\nFmirror vcc ramp Vsense 1"),
        ),
        intent=((r"(?m)^mirror = .*\n", ""),),
    ),
    Pair(
        TONE_BOX, "mirror of two transistors", (charged.MIRROR, charged.RAMP_CAPACITANCE),
        (
            (r"(?m)^Q[12] .*\n", ""),
            (r"(?m)^Ipitch .*$", "Ipitch pitch 0 15u\nVsense vcc pitch 0\nFmirror vcc ramp Vsense 1"),
        ),
        (
            (r"(?m)^Q[34] .*\n", ""),
            (r"(?m)^Q1 .*$", "Q1 pitch pitch vcc pnp_small"),
            (r"(?m)^Q2 .*$", "Q2 ramp pitch vcc pnp_small"),
        ),
        intent=((r"(?m)^mirror = .*\n", ""),),
        given_intent=((r"(?m)^mirror = .*$", 'mirror = ["Q1", "Q2"]'),),
    ),
    Pair(
        TONE_BOX, "60 pF of the mirror", (charged.RAMP_CAPACITANCE,),
        ((r"cjc=6e-11", "cjc=0"), ), own_model("Q4", PNP, cjc=6e-11),
    ),
    Pair(
        TONE_BOX, "reset resistor and its delays", (charged.RESET, *SWITCHING),
        ((r"(?m)^Rreset ramp drain 1k$", "Rreset ramp drain 700"),),
        intent=((r'(?m)^Rreset = "1k 5%"$', 'Rreset = "700 5%"'),),
    ),
)  # fmt: skip

CORNERS: dict[str, tuple[At, ...]] = {
    SLICER: ({}, {"control": 0, "supply": 13.5, "temperature": 0}, {"control": 10, "temperature": 50}),
    TONE_BOX: ({}, {"supply": 13.5, "temperature": 0}, {"supply": 16.5, "temperature": 50}, {"pitch": 60e-6}),
}


@dataclass(frozen=True)
class Side:
    """One board of a pair, worked through. ``states``: of each corner; ``amounts``: corner, quantity,
    effect, amount; ``figures`` and ``bars``: rows a corner, columns a quantity; ``refined`` likewise."""

    corners: tuple[str, ...]
    states: tuple[str, ...]
    amounts: pd.DataFrame
    figures: pd.DataFrame
    bars: pd.DataFrame
    tolerances: pd.DataFrame
    refined: pd.DataFrame
    ideal: pd.DataFrame = field(default_factory=pd.DataFrame)


@dataclass(frozen=True)
class Task:
    """A board with edits, to be worked through at corners with bars of ``accuracy`` of the period."""

    board: str
    netlist_edits: tuple[Edit, ...]
    board_edits: tuple[Edit, ...]
    at: tuple[At, ...]
    accuracy: float


def edited(text: str, edits: tuple[Edit, ...]) -> str:
    """Every edit found something to change."""
    for pattern, new in edits:
        text, count = re.subn(pattern, new, text)
        assert count, pattern
    return text


def work(task: Task) -> Side:
    """Predicts and simulates one board."""
    source = netlists_folder() / "boards" / "kestrel"
    with TemporaryDirectory() as name:
        folder = Path(name)
        for suffix, edits in ((".cir", task.netlist_edits), (".board.toml", task.board_edits)):
            text = (source / f"{task.board}{suffix}").read_text()
            if suffix == ".board.toml":
                text = re.sub(r"(?m)^accuracy = .*$", "", text)
                text = text.replace("[simulation]", f"[simulation]\naccuracy = {task.accuracy}")
            (folder / f"{task.board}{suffix}").write_text(edited(text, edits))
        result, prediction = result_and_prediction(Job(folder / f"{task.board}.board.toml", task.at))
    table = result.corners

    def columns(kind: str) -> pd.DataFrame:
        found = [column for column in table.columns if column.endswith(f".{kind}")]
        return table[found].rename(columns=lambda column: column.removesuffix(f".{kind}"))

    return Side(
        tuple(table["corner"]), tuple(table["state"]), prediction.effects, columns("simulated"),
        columns("bar"), columns("tolerance"), prediction.refined, prediction.ideal,
    )  # fmt: skip


def tasks_of(pair: Pair, accuracy: float) -> tuple[Task, Task]:
    """The board with the effect and the board without."""
    at = CORNERS[pair.board]
    return (
        Task(pair.board, pair.given, pair.given_intent, at, accuracy),
        Task(pair.board, pair.given + pair.removed, pair.given_intent + pair.intent, at, accuracy),
    )


def booked(side: Side, corner: str, quantity: str) -> Mapping[str, float]:
    """Effect -> amount in one corner."""
    mine = (side.amounts["corner"] == corner) & (side.amounts["quantity"] == quantity)
    return dict(side.amounts.loc[mine].groupby("effect")["amount"].sum())


def compared(pair: Pair, whole: Side, without: Side) -> list[dict[str, object]]:
    """One row a corner and quantity.

    ``predicted``: what the pair's effects lose between the two boards; ``others``: what the same change of
    the circuit does to other effects and to the ideal form; ``interaction``: a term of its own;
    ``simulated``: the change that the engine sees; ``bar``: of both runs together.
    """
    rows: list[dict[str, object]] = []
    names = {effect.name for effect in pair.effects}
    for k, corner in enumerate(whole.corners):
        for quantity in whole.refined.columns.intersection(whole.figures.dropna(axis=1, how="all").columns):
            if quantity not in whole.figures or quantity not in without.figures:
                continue
            before, after = booked(whole, corner, quantity), booked(without, corner, quantity)
            lost = {e: before.get(e, 0.0) - after.get(e, 0.0) for e in sorted({*before, *after})}
            ideal = float(whole.ideal[quantity].iloc[k] - without.ideal[quantity].iloc[k])
            rows.append(
                {
                    "board": pair.board,
                    "change": pair.name,
                    "corner": corner,
                    "quantity": quantity,
                    "effect": " + ".join(e.name for e in pair.effects),
                    "predicted": sum(amount for effect, amount in lost.items() if effect in names),
                    "others": ideal + sum(a for e, a in lost.items() if e not in names and e != INTERACTION),
                    "interaction": lost.get(INTERACTION, 0.0),
                    "simulated": float(whole.figures[quantity].iloc[k] - without.figures[quantity].iloc[k]),
                    "bar": float(whole.bars[quantity].iloc[k] + without.bars[quantity].iloc[k]),
                    "tolerance": float(whole.tolerances[quantity].iloc[k]),
                    "states": f"{whole.states[k]}, {without.states[k]}",
                }
            )
    return rows


def judged(rows: list[dict[str, object]]) -> pd.DataFrame:
    """The rows with ``removed`` (the simulated change, less what the prediction has for other effects and for
    the interaction), ``ratio`` (predicted over removed) and a verdict.

    An effect that stands out of the bars ``closes`` where predicted and removed are within 10 % of it or the
    bars, else it is ``off``. What is smaller is ``small`` where both are within the bars or 5 % of a
    tolerance, else ``off`` too.
    """
    table = pd.DataFrame(rows)
    table["removed"] = table["simulated"] - table["others"] - table["interaction"]
    table["ratio"] = table["predicted"] / table["removed"].where(table["removed"] != 0)
    size, apart = table["predicted"].abs(), (table["predicted"] - table["removed"]).abs()
    large = size > table["bar"]
    closes = apart <= np.maximum(CLOSE * size, table["bar"])
    small = apart <= np.maximum(table["bar"], NOTHING * table["tolerance"])
    table["verdict"] = np.select([large & closes, large, small], ["closes", "off", "small"], "off")
    return table
