# SPDX-License-Identifier: GPL-3.0-or-later
"""The one place where predictions and measurements meet: agreement, limits, and the chain of effects, whose
rows :mod:`harness.chain` makes."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.board import Board, Limit
from harness.chain import Witnesses, chain_of
from harness.conceded import literal_word, with_concessions
from harness.findings import Finding
from harness.quantities import STEMS, is_stem, stem
from harness.report.rounding import count
from harness.tolerances import COARSE_SHARE, Column, absolute_tolerance, column, first_known, scales

Places = NDArray[np.intp]
LARGER_PART = 0.5  # of the gap between hand and simulated may stay without a name where it is explained
#: states in which figures may exist but are never a pass: beyond the model, or not one pulse a cycle
NO_PASS = ("out of range", "chatter")
EXPECTED_COLUMNS = ["quantity", "corner", "expected", "simulated", "bar", "agreement", "concession"]
#: what a prediction of a described core is for, whether or not the board file has a formula of it
MADE_BY_A_CORE = ("frequency", "duty")
#: quantities that still speak where the comparator's inputs are out of range: they are the rule itself
ROOMS = ("headroom", "floor_room")


def agreement(
    hand: Column,
    refined: Column,
    simulated: Column,
    bar: Column,
    tolerance: Column,
    trusted: NDArray[np.bool_],
    unnamed: Column,
) -> NDArray[np.str_]:
    """The agreement word of each corner.

    ``trusted``: the hand formula is the right one along this sweep; ``unnamed``: what named effects with an
    origin leave open between hand and simulated (formula gap, slip and remainder together). It has to lie
    within the tolerance, and named effects have to be the larger part of the gap.
    """
    known = np.isfinite(hand) & np.isfinite(simulated) & np.isfinite(tolerance)
    with np.errstate(invalid="ignore"):
        coarse = known & ~(bar <= COARSE_SHARE * tolerance)
        inside = known & (np.abs(simulated - hand) <= tolerance)
        closed = np.abs(unnamed) <= np.minimum(tolerance, LARGER_PART * np.abs(simulated - hand))
        explained = known & trusted & closed & (np.abs(simulated - refined) <= tolerance)
    return np.select(
        [~known, coarse, inside, explained], ["no figure", "too coarse", "agrees", "explained"], "disagrees"
    )


def limit_words(figure: Column, bar: Column, limit: Limit | None) -> tuple[NDArray[np.str_], Column]:
    """The limit word and the margin (to the nearest limit, bar subtracted) of each corner."""
    if limit is None:
        return np.full(len(figure), "no limit"), np.full(len(figure), math.nan)
    room = np.full(len(figure), math.inf)
    if limit.least is not None:
        room = np.minimum(room, figure - limit.least)
    if limit.most is not None:
        room = np.minimum(room, limit.most - figure)
    known = np.isfinite(figure)
    with np.errstate(invalid="ignore"):
        width = np.where(np.isnan(bar), math.inf, bar)
        words = np.select(
            [~known, room >= width, room < -width], ["no figure", "within", "outside"], "too close to call"
        )
        margin = np.where(known & np.isfinite(width), room - width, math.nan)
    return words, margin


def trusted_formula(sweeps: Places, gap: Column, tolerance: Column) -> NDArray[np.bool_]:
    """Whether the hand formula is right along the whole sweep of the control that a corner belongs to.

    A wrong formula can come right by chance at one control voltage; it explains nothing along that sweep.
    ``sweeps``: of :func:`sweeps_of`.
    """
    with np.errstate(invalid="ignore"):
        wrong = ~(np.abs(gap) <= tolerance) & np.isfinite(gap) & np.isfinite(tolerance)
    return ~_somewhere_along(sweeps, wrong)


def trusted_formulas(
    board: Board,
    corners: pd.DataFrame,
    hand: pd.DataFrame,
    hand_on_drawn: pd.DataFrame,
    ideal: pd.DataFrame,
    refined: pd.DataFrame,
) -> pd.DataFrame:
    """A column a hand quantity: whether its formula is right along the sweep that each corner belongs to.

    ``corners`` is the board's whole table, whatever is run of it. Right means within the tolerance of the
    ideal form on drawn values; where there is no ideal form, of the same formula on drawn values.
    """
    swing, ramp = scales(refined, hand)
    sweeps = sweeps_of(corners, list(board.axes))
    columns = {}
    for name in (name for name in hand.columns if is_stem(str(name))):
        by_hand, predicted = column(hand, name), column(refined, name)
        gap = first_known(column(ideal, name), column(hand_on_drawn, name)) - by_hand
        tolerance = absolute_tolerance(board.tolerance_of(name), first_known(predicted, by_hand), swing, ramp)
        columns[name] = trusted_formula(sweeps, gap, tolerance)
    return pd.DataFrame(columns, index=corners.index)


def sweeps_of(corners: pd.DataFrame, axes: Sequence[str]) -> Places:
    """A number a corner: which sweep of the control it belongs to, all other axes fixed."""
    sweep = "control" if "control" in axes else (axes[0] if axes else "")
    others = [axis for axis in axes if axis != sweep]
    if not others:
        return np.zeros(len(corners), dtype=np.intp)
    return np.asarray(corners.groupby(others, sort=False).ngroup().to_numpy(dtype=np.intp))


def _somewhere_along(sweeps: Places, found: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether something is found at any corner of the sweep that each belongs to."""
    return np.isin(sweeps, sweeps[found])


def _along_sweeps(sweeps: Places, words: NDArray[np.str_]) -> NDArray[np.str_]:
    """An explanation that fails at one control voltage is no explanation at the others of the same sweep."""
    fails = _somewhere_along(sweeps, words == "disagrees")
    return np.where((words == "explained") & fails, "disagrees", words)


def quantities_of(*tables: pd.DataFrame, also: Iterable[str] = ()) -> list[str]:
    """Every quantity that any table holds, and those of ``also``, in the order of the stems."""
    names = {name for table in tables for name in table.columns if is_stem(str(name))} | set(also)
    return [name for name in STEMS if name in names] + sorted(names - set(STEMS))


def judge(
    board: Board,
    corners: pd.DataFrame,
    hand: pd.DataFrame,
    hand_on_drawn: pd.DataFrame,
    predicted: Mapping[str, pd.DataFrame],
    effects: pd.DataFrame,
    trusted: pd.DataFrame,
    figures: pd.DataFrame,
    widths: pd.DataFrame,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """All verdicts: the corner table with its columns a quantity, and the table of effects.

    ``corners``: corner, axes, state, reason. ``predicted``: "solved", "ideal", "refined" tables.
    ``effects``: corner, quantity, effect, amount, origin between ideal and refined. ``trusted``: of
    :func:`trusted_formulas`. ``figures``, ``widths``: simulated figures and bars. All tables share the
    order of rows. A hand formula without a figure disagrees with a simulated one.
    """
    refined = predicted["refined"]
    swing, ramp = scales(figures, refined, hand)
    beyond = corners["state"].isin(NO_PASS).to_numpy()
    sweeps = sweeps_of(corners, list(board.axes))
    names = quantities_of(hand, predicted["solved"], refined, figures, also=board.limits)
    tables = (hand, hand_on_drawn, predicted["ideal"], refined, figures)
    witnesses = Witnesses(*(np.array([column(table, name) for name in names]) for table in tables))
    chain, left_open = chain_of(corners["corner"], names, witnesses, effects)
    pieces: dict[str, object] = {}
    for place, name in enumerate(names):
        by_hand, by_refined, simulated = (
            each[place] for each in (witnesses.hand, witnesses.refined, witnesses.simulated)
        )
        bar = column(widths, name)
        judged = np.where(beyond & (name not in ROOMS), math.nan, simulated)
        tolerance = absolute_tolerance(
            board.tolerance_of(name), first_known(simulated, by_refined, by_hand), swing, ramp
        )
        words = agreement(
            by_hand, by_refined, judged, bar, tolerance,
            trusted[name].to_numpy(dtype=bool) if name in trusted else np.zeros(len(corners), dtype=bool),
            left_open[place],
        )  # fmt: skip
        if name in board.hand:  # a division by zero is no figure, and no silence either
            words = np.where(~np.isfinite(by_hand) & np.isfinite(judged), "disagrees", words)
        words = _along_sweeps(sweeps, words)
        limits, margin = limit_words(judged, bar, board.limits.get(name))
        pieces |= {
            f"{name}.hand": by_hand,
            f"{name}.solved": column(predicted["solved"], name),
            f"{name}.refined": by_refined,
            f"{name}.simulated": simulated,
            f"{name}.bar": bar,
            f"{name}.difference": simulated - by_hand,
            f"{name}.agreement": _held_once(words),
            f"{name}.limit": _held_once(limits),
            f"{name}.margin": margin,
            f"{name}.tolerance": tolerance,
        }
    table = pd.concat([corners.reset_index(drop=True), pd.DataFrame(pieces)], axis=1)
    return with_concessions(board, table), chain


def _held_once(words: NDArray[np.str_]) -> pd.Series:
    """A column of a few words without a copy of its word in every cell."""
    held: dict[str, str] = {}
    return pd.Series([held.setdefault(word, word) for word in words.tolist()], dtype=str)


def expected_figures(board: Board, table: pd.DataFrame, asked: Collection[str]) -> pd.DataFrame:
    """Literal figures against the simulation at the corner they were given for, nowhere else.

    ``asked``: names of the corners that were to run; literals of other corners are left out. A literal that
    stands in for a formula has the word of its row in the corner table.
    """
    rows = []
    for literal in (literal for literal in board.expected if literal.corner in asked):
        name = literal.quantity
        found = table[table["corner"] == literal.corner].iloc[0]
        simulated, bar = (float(found.get(f"{name}.{kind}", math.nan)) for kind in ("simulated", "bar"))
        if name in board.hand or f"{name}.agreement" not in table.columns:
            tolerance = float(found.get(f"{name}.tolerance", math.nan))
            hand, none, got, width, within = (
                np.array([x]) for x in (literal.value, math.nan, simulated, bar, tolerance)
            )
            word = str(agreement(hand, none, got, width, within, np.array([False]), none)[0])
        else:
            word = str(found[f"{name}.agreement"])
        conceded = literal_word(board, name, table[table["corner"] == literal.corner], literal.value, word)
        rows.append((name, literal.corner, literal.value, simulated, bar, word, conceded))
    return pd.DataFrame(rows, columns=EXPECTED_COLUMNS)


def apart(board: Board, table: pd.DataFrame) -> Iterator[Finding]:
    """Of the quantities that the board file speaks of, and of what a described core makes: those whose
    refined and simulated figures part by more than the tolerance, whatever the hand says, and those that
    nothing refined stands beside.
    """
    of_core = MADE_BY_A_CORE if board.core is not None else ()
    sound = table[~table["state"].isin(NO_PASS)]
    off, bare = [], []
    for name in (name for name in STEMS if name in board.hand or name in board.limits or name in of_core):
        refined, simulated = (column(sound, f"{name}.{kind}") for kind in ("refined", "simulated"))
        with np.errstate(invalid="ignore"):
            number = int((np.abs(simulated - refined) > column(sound, f"{name}.tolerance")).sum())
        if number:
            off.append(f"{stem(name).title} (in {number} of {count(len(table), 'corner')})")
        if name in board.hand and np.isfinite(simulated).any() and not np.isfinite(refined).any():
            bare.append(stem(name).title)
    if off:
        yield Finding(
            board.path,
            f"refined and simulated part by more than the tolerance: {', '.join(off)}; a role or [core] is"
            " wrong, or the board does what the prediction does not know",
        )
    if bare and board.core is not None:
        yield Finding(
            board.path,
            f"no refined prediction of: {', '.join(bare)}; what it lacks stands under Origins, and"
            " differences between hand and simulated have no names",
        )


def literal_hand(board: Board, corners: pd.DataFrame, hand: pd.DataFrame) -> pd.DataFrame:
    """The hand table with literal figures put in where the designer gave no formula: at their corner only."""
    table = hand.copy()
    for literal in board.expected:
        if literal.quantity in board.hand:
            continue
        if literal.quantity not in table.columns:
            table[literal.quantity] = math.nan
        table.loc[corners["corner"] == literal.corner, literal.quantity] = literal.value
    return table
