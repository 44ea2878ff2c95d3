# SPDX-License-Identifier: GPL-3.0-or-later
"""How many boards of a design keep every limit and rating at every axis corner, from random draws.

A draw is one board: one deviation of every part, the same at every axis corner. Deviations are uniform over
the tolerance, or normal with a standard deviation of a third of it and cut off at it; the report says which.
The share has a Clopper-Pearson interval (C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404), which
holds for independent draws only; low-discrepancy draws have a share and no interval. A draw whose error bar
straddles a limit is neither a pass nor a failure: it widens the interval either way. A board that breaches
an absolute maximum rating at any axis corner does not pass.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from harness.quantities import stem
from harness.ratings import BREACHED
from harness.studies.borne import Watched, board_words
from harness.studies.rows import Array, Outcomes, Study
from harness.studies.trimming import Trimmed, trim_boards, trim_table
from harness.tolerances import column
from harness.verdict import limit_words

DISTRIBUTIONS = {
    "uniform": "uniform over the tolerance",
    "normal": "normal, standard deviation a third of the tolerance, cut off at the tolerance",
}
CONFIDENCE = 0.95
RATINGS = "ratings"  # what decides on a board that breaches one and falls short of no limit
STANDARD_ERRORS = 3.0
FEW = 20_000  # rows at once: memory stays flat with the number of draws


@dataclass(frozen=True)
class Short:
    """What ``boards`` fall short of: a limit, or what else decided; ``corner``: the axis corner where most of
    them do, empty where it is none's."""

    what: str
    boards: int
    corner: str


@dataclass(frozen=True)
class Yield:
    """``draws``: one row a board: draw, verdict (pass, fail, undecided), the limit and axis corner that
    decided it, its ratings, one column a deviation. ``least``, ``most``: the interval of the share that
    passes, NaN without one. ``watched``: the worst of each rating, called by axis corner and draw.
    ``short``: what boards fall short of; one that misses several limits counts at each of them."""

    draws: pd.DataFrame
    passed: int
    failed: int
    undecided: int
    least: float
    most: float
    distribution: str
    seed: int
    blamed: pd.DataFrame
    trimming: pd.DataFrame
    watched: Watched[tuple[str, int]]
    short: tuple[Short, ...]

    @property
    def breached(self) -> int:
        """How many boards breach a rating."""
        return int(self.draws[RATINGS].str.startswith(BREACHED).sum())

    @property
    def share(self) -> float:
        """The share of boards that pass, of those that were decided."""
        decided = self.passed + self.failed
        return self.passed / decided if decided else math.nan


def draw(count: int, draws: int, seed: int, distribution: str, low_discrepancy: bool = False) -> Array:
    """Deviations as shares of the tolerance, -1 to 1, shape (draws, count). The same seed gives the same."""
    if low_discrepancy:
        with warnings.catch_warnings():
            warnings.simplefilter(
                "ignore", UserWarning
            )  # of a number that is no power of two; the answer says it
            points = stats.qmc.Sobol(count, rng=np.random.default_rng(seed)).random(draws)
    else:
        points = np.random.default_rng(seed).random((draws, count))
    if distribution == "uniform":
        return np.asarray(2.0 * points - 1.0)
    cut = stats.norm.cdf(3.0)
    return np.asarray(np.clip(stats.norm.ppf((1.0 - cut) + points * (2.0 * cut - 1.0)) / 3.0, -1.0, 1.0))


def clopper_pearson(passed: int, count: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """The two-sided interval of a share from independent trials (Clopper and Pearson 1934).

    Law: the ends are the shares at which ``passed`` or more, and ``passed`` or fewer, of ``count`` have half
    the remaining probability; by the quantiles of the beta distribution.
    """
    tail = 0.5 * (1.0 - confidence)
    least = 0.0 if passed == 0 else float(stats.beta.ppf(tail, passed, count - passed + 1))
    most = 1.0 if passed == count else float(stats.beta.ppf(1.0 - tail, passed + 1, count - passed))
    return least, most


def draws_needed(share: float, confidence: float = CONFIDENCE) -> int:
    """How many draws without a failure show that at least ``share`` of the boards passes (S. S. Wilks,
    Annals of Mathematical Statistics 12 (1941) 91: the smallest n with 1 - share^n >= confidence)."""
    return math.ceil(math.log(1.0 - confidence) / math.log(share))


def yield_of(
    study: Study, draws: int, seed: int, distribution: str = "uniform", low_discrepancy: bool = False
) -> Yield:
    """Draws boards, simulates each at every axis corner of the study, and counts those that keep every
    limit."""
    shares = draw(study.count, draws, seed, distribution, low_discrepancy)
    deviations = shares * study.widths
    corners = len(study.corners)
    verdicts: list[tuple[str, str, str]] = []
    ratings: list[str] = []
    watched: Watched[tuple[str, int]] = Watched(study.rated)
    corner_names = [str(name) for name in study.corners["corner"]]
    trims: list[pd.DataFrame] = []
    missed = {quantity: np.zeros(1 + corners, dtype=int) for quantity in study.varied.board.limits}
    width = len(str(draws))
    block = max(1, FEW // corners)
    for start in range(0, draws, block):
        some = range(start, min(start + block, draws))
        places = [place for _ in some for place in range(corners)]
        names = [
            f"{study.corners['corner'][place]}/{board + 1:0{width}}"
            for board in some
            for place in range(corners)
        ]
        trimmed = trim_boards(study, deviations[list(some)])
        rows = study.rows(
            places,
            np.repeat(deviations[list(some)], corners, axis=0),
            names,
            np.repeat(trimmed.settings, corners, axis=0),
        )
        outcomes = study.simulated(rows)
        watched.take(outcomes, [(name, board + 1) for board in some for name in corner_names])
        found = _verdicts(study, outcomes, len(some), missed)
        for row, (words, where) in enumerate(board_words(study.rated, outcomes, len(some))):
            ratings.append(words)
            if where >= 0 and found[row][0] != "fail":
                found[row] = ("fail", RATINGS, corner_names[where])
        for row, name in enumerate(_out_of_reach(study, trimmed)):
            if name:
                found[row] = ("fail", f"trimmer {name}", "")
        verdicts += found
        trims.append(trim_table(study, trimmed, outcomes))
    table = pd.DataFrame(verdicts, columns=["verdict", "limit", "corner"])
    table.insert(0, "draw", np.arange(1, draws + 1))
    table[RATINGS] = ratings
    columns = [deviation.name for deviation in study.varied.deviations]
    trimming = pd.concat(trims, ignore_index=True)
    table = pd.concat([table, trimming, pd.DataFrame(deviations, columns=columns)], axis=1)
    passed, failed = (int((table["verdict"] == word).sum()) for word in ("pass", "fail"))
    undecided = draws - passed - failed
    least, most = clopper_pearson(passed, draws)[0], clopper_pearson(passed + undecided, draws)[1]
    if low_discrepancy:
        least = most = math.nan
    text = DISTRIBUTIONS[distribution] + (low_discrepancy_words(draws) if low_discrepancy else "")
    return Yield(
        table, passed, failed, undecided, least, most, text, seed, blame_of(table, shares, columns), trimming,
        watched, _short(table, missed, corner_names),
    )  # fmt: skip


def low_discrepancy_words(draws: int) -> str:
    """What is said of such draws: Sobol's points are balanced at powers of two alone (documentation of
    scipy.stats.qmc.Sobol)."""
    next_one = 1 << (draws - 1).bit_length()
    uneven = f", not quite even: a power of two such as {next_one} would be" if next_one != draws else ""
    return f", low-discrepancy points (Sobol{uneven})"


def _out_of_reach(study: Study, trimmed: Trimmed) -> list[str]:
    """For each board the first trimmer that does not reach its target, or an empty text: such a board cannot
    be set, whatever its limits say."""
    names = [trim.name for trim in study.varied.trims]
    return [
        next((name for name, reached in zip(names, row, strict=True) if not reached), "")
        for row in trimmed.reached
    ]


def _verdicts(
    study: Study, outcomes: Outcomes, boards: int, missed: dict[str, NDArray[np.int_]]
) -> list[tuple[str, str, str]]:
    """(verdict, limit, axis corner) of each board: where it falls short first, else what is in doubt. Adds to
    ``missed`` how many boards miss each limit, anywhere and at each axis corner."""
    corners = [str(name) for name in study.corners["corner"]]
    worst = np.zeros((boards, len(corners)), dtype=int)  # 0 within, 1 undecided, 2 outside or no figure
    which = np.full((boards, len(corners)), "", dtype=object)
    shape = (boards, len(corners))
    bad = np.isin(outcomes.states, ("no ramp", "chatter", "out of range")).reshape(shape)
    unknown = (outcomes.states == "not simulated").reshape(shape)
    for quantity, limit in study.varied.board.limits.items():
        words, _ = limit_words(outcomes.judged(quantity), column(outcomes.bars, quantity), limit)
        grade = np.select([words == "within", words == "too close to call"], [0, 1], 2).reshape(shape)
        misses = (grade == 2) & ~unknown
        missed[quantity] += [misses.any(axis=1).sum(), *misses.sum(axis=0)]
        which = np.where(grade > worst, quantity, which)
        worst = np.maximum(worst, grade)
    which = np.where(bad & (worst < 2), "state", which)
    worst = np.where(bad, 2, worst)
    which, worst = np.where(unknown, "not simulated", which), np.where(unknown, 1, worst)
    rows = []
    for board in range(boards):
        place = int(np.argmax(worst[board]))
        word = ("pass", "undecided", "fail")[int(worst[board, place])]
        rows.append((word, str(which[board, place]), corners[place] if word != "pass" else ""))
    return rows


def _short(table: pd.DataFrame, missed: dict[str, NDArray[np.int_]], corners: list[str]) -> tuple[Short, ...]:
    """What boards fall short of, limits in the order of the board file, then what else decided."""
    found = [
        Short(quantity, int(counts[0]), corners[int(np.argmax(counts[1:]))])
        for quantity, counts in missed.items()
        if counts[0]
    ]
    others = table[(table["verdict"] == "fail") & ~table["limit"].isin(list(missed))]
    for what, some in others.groupby("limit", sort=False):
        where = some["corner"][some["corner"] != ""].value_counts()
        found.append(Short(str(what), len(some), str(where.index[0]) if len(where) else ""))
    return tuple(found)


def blame_of(table: pd.DataFrame, shares: Array, names: list[str]) -> pd.DataFrame:
    """Deviations by how far apart the boards that fail and those that pass lie in them, the farthest first.

    ``apart``: the difference of the two means, as a share of the tolerance; NaN where all pass or all fail.
    ``by_chance``: three standard errors of that difference, which chance alone hardly ever passes.
    """
    failing, passing = ((table["verdict"] == word).to_numpy() for word in ("fail", "pass"))
    apart = _mean(shares, failing) - _mean(shares, passing)
    with np.errstate(divide="ignore"):
        wide = np.sqrt(1.0 / failing.sum() + 1.0 / passing.sum()) if len(shares) else np.inf
    chance = STANDARD_ERRORS * shares.std(axis=0) * wide
    order = np.argsort(-np.nan_to_num(np.abs(apart)), kind="stable")
    return pd.DataFrame(
        {"part": [names[row] for row in order], "apart": apart[order], "by_chance": chance[order]}
    )


def _mean(shares: Array, rows: NDArray[np.bool_]) -> Array:
    return shares[rows].mean(axis=0) if rows.any() else np.full(shares.shape[1], np.nan)


def limits_text(study: Study) -> str:
    """The limits that count, in words."""
    return ", ".join(stem(name).title for name in study.varied.board.limits)
