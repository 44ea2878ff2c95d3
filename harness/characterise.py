# SPDX-License-Identifier: GPL-3.0-or-later
"""Real-part values of a board's models: measured once, each model alone on a bench, and kept under what was
measured.

What a model does alone is a property of the model and of the conditions, never of the board's behaviour. The
store is keyed by all that decides a measurement: model text, pins, conditions, the sources that measure, and
the engine. Anything else is measured anew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from harness.engine.library import version_text
from harness.netlist import rewritten
from harness.pins import part_of
from harness.predict.lookup import Table
from harness.units import engineering

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from harness.alone.store import Kept
    from harness.alone.subject import Bench, Refused
    from harness.board import Board
    from harness.netlist import Netlist

    Array = NDArray[np.float64]
    Take = Callable[[Bench], tuple[Kept, bool]]  # figures of a bench, and whether they were measured earlier
    Found = tuple[Kept, bool] | str  # the same, or why there are none

SENSE = "slicer.sense"
NOT_YET = "not measured yet"
PIN_ORDER = "slicer.pins"
MOST_VARIANTS = 12  # settings of models that are measured, each of them alone
RAMP_INPUT = "slicer.ramp_input"  # what is unknown where model and board file contradict each other


@dataclass(frozen=True)
class Characteristics:
    """Real-part values by name. ``missing``: (name, why) of those that could not be had; they explain
    nothing. ``reused``: how many of the values come from an earlier measurement. ``engine_seconds``: what
    measuring the others took inside the engine, all workers together.

    ``variants``: where axes have a say in the models themselves (another maker's part), the values at each
    setting of these axes; the object itself then holds those at the nominal one.
    """

    tables: Mapping[str, Table] = field(default_factory=dict)
    missing: tuple[tuple[str, str], ...] = ()
    reused: int = 0
    engine_seconds: float = 0.0
    variants: tuple[tuple[Mapping[str, float], Characteristics], ...] = ()

    def has(self, name: str) -> bool:
        """Whether the value is known at every condition."""
        return name in self.tables and bool(np.isfinite(self.tables[name].figures).all())

    def table(self, name: str) -> Table:
        """The value over its conditions. Raises KeyError where it is unknown."""
        return self.tables[name]

    def by_rows(self, corners: pd.DataFrame) -> Iterator[tuple[NDArray[np.bool_], Characteristics]]:
        """Rows of a corner table, as a mask, with the values that hold there. At a setting that was not
        measured nothing is known."""
        left = np.ones(len(corners), dtype=bool)
        if not self.variants:
            yield left, self
            return
        for at, known in self.variants:
            rows = left.copy()
            for axis, value in at.items():
                rows &= np.isclose(corners[axis].to_numpy(dtype=float), value, rtol=1e-9, atol=0.0)
            left &= ~rows
            if rows.any():
                yield rows, known
        if left.any():
            yield left, Characteristics()

    def summary(self) -> list[tuple[str, str, str]]:
        """(name, value text, origin) of every value, unknown ones included."""
        rows = []
        every = [known for _, known in self.variants] or [self]
        for name, table in self.tables.items():
            figures = [known.tables[name].figures.ravel() for known in every if name in known.tables]
            text, origin = "unknown", table.origin
            if not all(known.has(name) for known in every):
                known = np.concatenate(figures)
                blank = int((~np.isfinite(known)).sum())
                origin += f": no figure at {blank} of {known.size} conditions"
            else:
                low, high = (float(extreme(np.concatenate(figures))) for extreme in (np.min, np.max))
                text = engineering(low, table.unit)
                if high - low > 1e-3 * abs(high):
                    text += f" to {engineering(high, table.unit)}"
            rows.append((name, text, origin))
        return rows + [(name, "unknown", why) for name, why in self.missing]


def characterise(board: Board, netlist: Netlist, store: Path, measure: bool) -> Characteristics:
    """The real-part values that the predictions of a board need.

    ``store``: folder of earlier measurements. With ``measure`` only those of this process's engine count;
    what is missing there, or not to be trusted, is measured anew and stored. Without it the engine is not
    touched: the measurements of the newest engine count, and what is missing stays unknown. A model that its
    bench cannot measure stays unknown, too. Raises EngineMissing where ``measure`` finds no engine, and
    EngineDead where it gives up for good.
    """
    return Models.of(board, netlist).taken(_measuring(store) if measure else _reading(store))


def kept(board: Board, netlist: Netlist, store: Path, engine: int) -> Characteristics | None:
    """What :func:`characterise` gives with an engine of this version where the store holds all of it; None
    where something is left to measure. The engine is not touched."""
    try:
        return Models.of(board, netlist).taken(_keeping(store, engine))
    except _NotKept:
        return None


def name_of(bench: Bench) -> tuple[str, str]:
    """What tells a bench from all others: several measure the same subject."""
    return bench.title, bench.key


def measured(bench: Bench, store: Path) -> Found:
    """The figures of one bench on this process's engine, or what is kept of it. Raises EngineMissing, and
    EngineDead where the engine is not to be used again."""
    try:
        return _measuring(store)(bench)
    except _Unknown as reason:
        return str(reason)


@dataclass(frozen=True)
class _Setting:
    """The axes that change models, where they stand, and the benches of the board with these models."""

    at: Mapping[str, float]
    netlist: Netlist
    benches: Sequence[Bench | Refused]


@dataclass(frozen=True)
class Models:
    """The benches of a board at every setting of axes that change its models. ``missing``: what is to be said
    where not all of these count."""

    board: Board
    settings: tuple[_Setting, ...]
    missing: tuple[tuple[str, str], ...] = ()

    @classmethod
    def of(cls, board: Board, netlist: Netlist) -> Models:
        """Always in the same order."""
        from harness.alone.benches import benches_of

        usual = benches_of(board, netlist)
        axes = _axes_of_models(board, usual)
        if not axes:
            return cls(board, (_Setting({}, netlist, usual),))
        each = (dict.fromkeys([*board.axes[axis].values, board.axes[axis].nominal]) for axis in axes)
        settings = [dict(zip(axes, values, strict=True)) for values in product(*each)]
        missing = []
        if len(settings) > MOST_VARIANTS:
            words = (
                f"models follow {' and '.join(axes)} to {len(settings)} settings, more than {MOST_VARIANTS}"
            )
            missing.append(("models", f"{words}: measured at the nominal one alone"))
            settings = [{axis: board.axes[axis].nominal for axis in axes}]
        found = []
        for at in settings:
            lines = [f".param {board.axes[axis].sets}={value!r}" for axis, value in at.items()]
            drawn = rewritten(netlist, [*(line.text for line in netlist.deck()), *lines])
            found.append(_Setting(at, drawn, benches_of(board, drawn)))
        return cls(board, tuple(found), tuple(missing))

    def benches(self) -> list[Bench]:
        """Every bench, those that differ at no setting once."""
        from harness.alone.subject import Bench

        every = [bench for one in self.settings for bench in one.benches if isinstance(bench, Bench)]
        return list({name_of(bench): bench for bench in every}.values())

    def put_together(self, found: Mapping[tuple[str, str], Found]) -> Characteristics:
        """What :func:`characterise` gives, from what was found on every bench, by :func:`name_of`."""
        before: set[tuple[str, str]] = set()

        def take(bench: Bench) -> tuple[Kept, bool]:
            outcome = found[name_of(bench)]
            if isinstance(outcome, str):
                raise _Unknown(outcome)
            kept, old = outcome
            old = old or name_of(bench) in before
            before.add(name_of(bench))
            return kept, old

        return self.taken(take)

    def taken(self, take: Take) -> Characteristics:
        """The values of all benches, each bench's figures by ``take``."""
        variants = [
            (one.at, _characterised(self.board, one.netlist, one.benches, take)) for one in self.settings
        ]
        if not variants[0][0]:
            return variants[0][1]
        every = [known for _, known in variants]
        missing = (*self.missing, *dict.fromkeys(entry for known in every for entry in known.missing))
        usual = {axis: self.board.axes[axis].nominal for axis in variants[0][0]}
        nominal = next((known for at, known in variants if at == usual), every[0])
        reused = sum(known.reused for known in every)
        return replace(nominal, missing=missing, reused=reused, variants=tuple(variants))


def _axes_of_models(board: Board, benches: Sequence[Bench | Refused]) -> list[str]:
    """Axes whose netlist parameter is part of what a model needs to run alone."""
    from harness.alone.subject import Bench

    texts = [bench.text for bench in benches if isinstance(bench, Bench)]
    return [
        name
        for name, axis in board.axes.items()
        if axis.sets and any(f".param {axis.sets.lower()}=" in text for text in texts)
    ]


def _characterised(
    board: Board, netlist: Netlist, benches: Sequence[Bench | Refused], take: Take
) -> Characteristics:
    """The values of benches whose models are as this netlist has them."""
    from harness.alone.subject import Refused

    tables: dict[str, Table] = {}
    missing: list[tuple[str, str]] = []
    reused = 0
    for bench in benches:
        if isinstance(bench, Refused):
            missing += [(name, f"{bench.title}: {bench.why}") for name in bench.names]
            continue
        try:
            found, old = take(bench)
        except _Unknown as reason:
            missing += [(name, str(reason)) for name in bench.names if name not in (SENSE, PIN_ORDER)]
            continue
        for value in bench.values:
            if value.name == SENSE:
                missing += _contradiction(board, found.figures[SENSE])
                continue
            if value.name == PIN_ORDER:
                missing += _pin_order(board, netlist, float(found.figures[PIN_ORDER]))
                continue
            reused += old
            origin = f"{value.origin}, by {version_text(found.engine)}"
            tables[value.name] = Table(value.axes, found.figures[value.name], value.unit, origin)
    return Characteristics(tables, tuple(missing), reused)


def _contradiction(board: Board, sense: Array) -> Iterator[tuple[str, str]]:
    """What to say where the output is high on the other side of the threshold than ``ramp_input`` says."""
    said = board.roles.ramp_input or "minus"
    side, expected = ("below", 1.0) if said == "plus" else ("above", -1.0)
    if (sense == -expected).any():
        yield (
            RAMP_INPUT,
            f"{board.roles.comparator} alone: the output is high while the ramp is {side} the threshold;"
            f" the board file says ramp_input = {said}: inputs swapped, in the drawing or in the board file",
        )


def _pin_order(board: Board, netlist: Netlist, place: float) -> Iterator[tuple[str, str]]:
    """What to say where a model's pins are not where the board wires them."""
    from harness.alone.pin_bench import pins_sentence

    part, class_ = part_of(netlist, board.roles.comparator), board.roles.comparator_class
    if part is not None and class_ is not None:
        sentence = pins_sentence(part.name, part.model, class_, place)
        if sentence:
            yield PIN_ORDER, sentence


class _Unknown(Exception):
    """Why a bench has no figures."""


class _NotKept(Exception):
    """A bench has to measure."""


def _keeping(folder: Path, engine: int) -> Take:
    """Takes what is kept of one engine, and nothing else."""
    from harness.alone import store

    def take(bench: Bench) -> tuple[Kept, bool]:
        try:
            found = store.read(folder, bench, engine)
        except ValueError as error:
            raise _NotKept from error
        if found is None:
            raise _NotKept
        return found, True

    return take


def _reading(folder: Path) -> Take:
    """Takes what is kept, of the newest engine."""
    from harness.alone import store

    def take(bench: Bench) -> tuple[Kept, bool]:
        try:
            kept = store.read_newest(folder, bench)
        except ValueError as error:
            raise _Unknown(f"{error}; the next run measures anew") from None
        if kept is None:
            raise _Unknown(NOT_YET)
        return kept, True

    return take


def _measuring(folder: Path) -> Take:
    """Takes what is kept of this process's engine, and measures what is not."""
    from harness.alone import store
    from harness.engine.session import EngineDead, EngineError, session

    engine = session().version

    def take(bench: Bench) -> tuple[Kept, bool]:
        try:
            kept = store.read(folder, bench, engine)
        except ValueError:
            store.set_aside(folder, bench, engine)
            kept = None
        if kept is not None:
            return kept, True
        try:
            kept = store.Kept(store.checked(bench, bench.measure()), engine)
        except EngineDead:  # nothing after it could be measured
            raise
        except EngineError as error:
            raise _Unknown(f"{bench.title}: {error}") from error
        except (KeyError, ValueError, FloatingPointError, ZeroDivisionError) as error:
            raise _Unknown(f"{bench.title}: no figure from this model ({error})") from error
        store.write(folder, bench, kept)
        return kept, False

    return take
