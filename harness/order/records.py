# SPDX-License-Identifier: GPL-3.0-or-later
"""What an order document holds, as plain records of text: nothing here knows how a page looks."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class File:
    """A file that was verified, as it lies on disk. ``role``: board file, netlist or include."""

    role: str
    name: str
    sha256: str

    @property
    def short(self) -> str:
        """The first digits, which stand on every page."""
        return self.sha256[:12]


@dataclass(frozen=True)
class Identity:
    """Which board was verified and by what. ``commit``: a sentence on the version that holds the files;
    ``date``: of that version, empty where the files are in none. ``tools``, ``settings``: (name, text)."""

    title: str
    board: str
    revision: str
    files: tuple[File, ...]
    commit: str
    date: str
    engine: str
    corners: str
    left_out: str
    tools: tuple[tuple[str, str], ...]
    settings: tuple[tuple[str, str], ...]

    @property
    def netlist(self) -> File:
        """The netlist."""
        return next(file for file in self.files if file.role == "netlist")


@dataclass(frozen=True)
class Said:
    """The statement on limits: its mark, its words, the reasons beside it, what the closed forms say of the
    stated tolerances, and what else is said at once."""

    mark: str
    words: str
    reasons: tuple[str, ...]
    tolerances: str
    beside: tuple[str, ...]
    holds: str


@dataclass(frozen=True)
class StudyState:
    """A study that the document draws on: what it found in a sentence, or that it was not run and which
    command adds it, empty where none can. ``short``: something falls short in it."""

    name: str
    title: str
    run: bool
    words: str
    command: str
    short: bool = False


@dataclass(frozen=True)
class LimitRow:
    """A limit at the corner with least room. ``counts``: every verdict with its number of corners."""

    quantity: str
    title: str
    limit: str
    mark: str
    verdict: str
    counts: str
    figure: str
    margin: str
    corner: str
    place: str
    cure: str


@dataclass(frozen=True)
class HandRow:
    """A hand calculation with the numbers of one corner, what it gives there beside the other witnesses, and
    what became of it over all corners (``counts``; ``most``: how far apart at most, ``where``)."""

    name: str
    title: str
    formula: str
    numbers: str
    hand: str
    refined: str
    simulated: str
    limit: str
    mark: str
    verdict: str
    counts: str
    most: str
    where: str


@dataclass(frozen=True)
class ChainStep:
    """One step from hand to simulated. ``begin``, ``end``: shares of the drawing's width, 0 to 1; ``kind`` is
    ``effect``, ``slip`` or ``remainder``."""

    name: str
    amount: str
    kind: str
    begin: float
    end: float


@dataclass(frozen=True)
class Chain:
    """From hand to simulated in one corner. ``band``: the tolerance around hand, shares of the width."""

    title: str
    corner: str
    place: str
    verdict: str
    mark: str
    hand: str
    simulated: str
    total: str
    at_hand: float
    at_simulated: float
    band: tuple[float, float]
    steps: tuple[ChainStep, ...]


@dataclass(frozen=True)
class PartRow:
    """A part to be ordered. ``tolerance``: as the board file states it; ``needed``: what it has to be, all
    others at their worst; ``why``: which limit falls short beyond that; ``mark``: of ``needed``."""

    part: str
    value: str
    drawn: str
    mark: str
    verdict: str
    tolerance: str
    needed_mark: str
    needed: str
    why: str


@dataclass(frozen=True)
class DeviceRow:
    """A device: its model, what it is on the board, and how far a parameter may deviate."""

    part: str
    model: str
    role: str
    spread: str


@dataclass(frozen=True)
class Table:
    """A plain table: headings, rows of text, which columns hold figures, and how wide columns are against
    each other; empty where the page says that."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    figures: tuple[int, ...] = ()
    widths: tuple[float, ...] = ()


@dataclass(frozen=True)
class Section:
    """What a study adds: sentences, then tables with a caption each, then what it assumed."""

    title: str
    words: tuple[str, ...]
    tables: tuple[tuple[str, Table], ...] = ()
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True)
class Figure:
    """A drawing, SVG of its own colours and fonts, with its words."""

    title: str
    caption: str
    alternative: str
    svg: str


@dataclass(frozen=True)
class Contents:
    """The whole document in the order of its pages."""

    identity: Identity
    statement: Said
    studies: tuple[StudyState, ...]
    limits: tuple[LimitRow, ...]
    slips: tuple[str, ...]
    unintended: str
    hand: tuple[HandRow, ...]
    hand_corner: str
    helpers: tuple[tuple[str, str, str], ...]
    expected: Table
    far: tuple[str, ...]
    chains: tuple[Chain, ...]
    figures: tuple[Figure, ...]
    parts: tuple[PartRow, ...]
    part_notes: tuple[str, ...]
    devices: tuple[DeviceRow, ...]
    sections: tuple[Section, ...]
    ratings_words: str
    ratings: Table
    rating_sources: tuple[str, ...]
    concessions: Table
    conceded_words: str
    not_shown: tuple[str, ...]
    not_covered: tuple[str, ...]
    cautions: tuple[str, ...]
    open_points: tuple[str, ...]
    assumed: tuple[str, ...]
    notes: tuple[str, ...]
    words: tuple[tuple[str, str], ...]
