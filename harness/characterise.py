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
import pandas as pd

from harness.engine.library import version_text
from harness.netlist import rewritten
from harness.pins import part_of
from harness.predict.lookup import Table
from harness.units import engineering

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from harness.alone.store import Kept
    from harness.alone.subject import Bench, Refused
    from harness.board import Board
    from harness.netlist import Netlist

    Array = NDArray[np.float64]
    Take = Callable[[Bench], tuple[Kept, bool]]  # figures of a bench, and whether they were measured earlier

SENSE = "slicer.sense"
NOT_YET = "not measured yet"
PIN_ORDER = "slicer.pins"
MOST_VARIANTS = 12  # settings of models that are measured, each of them alone
RAMP_INPUT = "slicer.ramp_input"  # what is unknown where model and board file contradict each other


@dataclass(frozen=True)
class Characteristics:
    """Real-part values by name. ``missing``: (name, why) of those that could not be had; they explain
    nothing. ``reused``: how many of the values come from an earlier measurement.

    ``variants``: where axes have a say in the models themselves (another maker's part), the values at each
    setting of these axes; the object itself then holds those at the nominal one.
    """

    tables: Mapping[str, Table] = field(default_factory=dict)
    missing: tuple[tuple[str, str], ...] = ()
    reused: int = 0
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


def characterise(
    board: Board, netlist: Netlist, store: Path, measure: bool, gave_up: Mapping[str, str] | None = None
) -> Characteristics:
    """The real-part values that the predictions of a board need.

    ``store``: folder of earlier measurements. With ``measure`` only those of this process's engine count;
    what is missing there, or not to be trusted, is measured anew and stored. Without it the engine is not
    touched: the measurements of the newest engine count, and what is missing stays unknown. A model that its
    bench cannot measure stays unknown, too. Raises EngineMissing where ``measure`` finds no engine.

    ``gave_up``: benches in which an engine gave up earlier, key -> why. They are left out, and GaveUp is
    raised where it gives up in another one. Without it all benches behind such a one stay unknown.
    """
    return _taken(board, netlist, _measuring(store, gave_up) if measure else _reading(store))


def kept(board: Board, netlist: Netlist, store: Path, engine: int) -> Characteristics | None:
    """What :func:`characterise` gives with an engine of this version where the store holds all of it; None
    where something is left to measure. The engine is not touched."""
    try:
        return _taken(board, netlist, _keeping(store, engine))
    except _NotKept:
        return None


def _taken(board: Board, netlist: Netlist, take: Take) -> Characteristics:
    """The values of all benches of a board, each bench's figures by ``take``, at every setting of axes that
    change the models."""
    from harness.alone.benches import benches_of

    benches = benches_of(board, netlist)
    axes = _axes_of_models(board, benches)
    if not axes:
        return _characterised(board, netlist, benches, take)
    usual = {axis: board.axes[axis].nominal for axis in axes}
    values = product(*(dict.fromkeys([*board.axes[axis].values, usual[axis]]) for axis in axes))
    settings = [dict(zip(axes, each, strict=True)) for each in values]
    missing = []
    if len(settings) > MOST_VARIANTS:
        words = f"models follow {' and '.join(axes)} to {len(settings)} settings, more than {MOST_VARIANTS}"
        missing.append(("models", f"{words}: measured at the nominal one alone"))
        settings = [usual]
    variants = []
    for at in settings:
        lines = [f".param {board.axes[axis].sets}={value!r}" for axis, value in at.items()]
        drawn = rewritten(netlist, [*(line.text for line in netlist.deck()), *lines])
        variants.append((at, _characterised(board, drawn, benches_of(board, drawn), take)))
    every = [known for _, known in variants]
    missing += dict.fromkeys(entry for known in every for entry in known.missing)
    nominal = next((known for at, known in variants if at == usual), every[0])
    reused = sum(known.reused for known in every)
    return replace(nominal, missing=tuple(missing), reused=reused, variants=tuple(variants))


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


class GaveUp(Exception):
    """The engine gave up in the bench ``key``, with ``why``; no other is measured by this process."""

    def __init__(self, key: str, why: str) -> None:
        super().__init__(key, why)
        self.key, self.why = key, why


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


def _measuring(folder: Path, gave_up: Mapping[str, str] | None) -> Take:
    """Takes what is kept of this process's engine, and measures what is not."""
    from harness.alone import store
    from harness.engine.errors import EngineDead
    from harness.engine.session import EngineError, session

    engine = session().version

    def take(bench: Bench) -> tuple[Kept, bool]:
        try:
            kept = store.read(folder, bench, engine)
        except ValueError:
            store.set_aside(folder, bench, engine)
            kept = None
        if kept is not None:
            return kept, True
        if gave_up is not None and bench.key in gave_up:
            raise _Unknown(gave_up[bench.key])
        try:
            kept = store.Kept(store.checked(bench, bench.measure()), engine)
        except EngineError as error:
            why = f"{bench.title}: {error}"
            if gave_up is not None and isinstance(error, EngineDead):
                raise GaveUp(bench.key, why) from error
            raise _Unknown(why) from error
        except (KeyError, ValueError, FloatingPointError, ZeroDivisionError) as error:
            raise _Unknown(f"{bench.title}: no figure from this model ({error})") from error
        store.write(folder, bench, kept)
        return kept, False

    return take
