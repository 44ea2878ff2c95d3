# SPDX-License-Identifier: GPL-3.0-or-later
"""What to run for one corner, and what comes back."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.engine.gaps import suffixed
from harness.engine.session import EngineError, Session

Record = Mapping[str, NDArray[np.float64]]
Figures = Mapping[str, float | str]
Measure = Callable[[Record, float, float], Figures]

_INITIAL = re.compile(r"\s*\.ic\b", re.IGNORECASE)
_NODE = re.compile(r"v\(\s*([^)\s]+)\s*\)", re.IGNORECASE)
_SOURCE = re.compile(r"v\S*\s+(\S+)\s+(\S+)\s+(?:dc\s+|pulse\s*\(?\s*)?([-+]?[.\d]\S*)")


class NoCycle(Exception):
    """The ramp makes no whole cycle; ``args[0]`` says what it does instead, ``record`` is the run that shows
    it."""

    def __init__(self, words: str, record: Record) -> None:
        super().__init__(words)
        self.record = record


@dataclass(frozen=True)
class Plan:
    """What to run for one corner.

    ``deck``: netlist lines as the engine takes them, without analysis and options. ``alterations``: device
    values set after loading. ``saved``: currents through parts to save, ``@rpull[i]``. ``period`` (s),
    ``ramp_level`` and ``output_level`` (V) are hints of where edges fall, never values; what is not known
    is not a number. ``threshold``: node that the ramp is sliced at, or an empty text; points are placed
    where the ramp passes it. ``temperature`` in degC. ``accuracy``: share of the period that the duty bar
    should reach. ``wanted``: further bars that a finer run may narrow, (quantity, most, what that is a share
    of: ``figure``, ``swing``, ``ramp``, or ``absolute`` in SI). ``seconds``: wall time after which a corner
    gives up.
    """

    deck: tuple[str, ...]
    ramp: str
    output: str
    period: float
    ramp_level: float
    output_level: float
    temperature: float = 25.0
    alterations: tuple[tuple[str, float], ...] = ()
    saved: tuple[str, ...] = ()
    threshold: str = ""
    accuracy: float = 1e-4
    wanted: tuple[tuple[str, float, str], ...] = ()
    seconds: float = 60.0


@dataclass
class Settled:
    """Figures of the settled cycle with bars, the finest run's record, and how it was obtained.

    ``reached``: the duty and frequency bars are as small as asked for and no guard objected. ``notes``:
    what the ladder of settings and the guards had to say. ``unread``: lines that may switch unseen.
    """

    figures: dict[str, float]
    bars: dict[str, float]
    words: dict[str, str]
    record: Record
    begin: float
    end: float
    setting: str
    decade: int
    reached: bool
    points: int
    notes: list[str] = field(default_factory=list)
    unread: tuple[str, ...] = ()


def too_small(error: EngineError) -> bool:
    """True where the engine gave up on its own step size."""
    return "too small" in str(error).lower()


def in_words(error: EngineError) -> str:
    """What stopped a run, without the engine's own chatter where that is known to mean one thing."""
    return "the engine's step became too small" if too_small(error) else str(error)


def load(
    session: Session,
    plan: Plan,
    options: str,
    start: Mapping[str, float] | None = None,
    kept: bool = False,
) -> None:
    """Loads the deck with these options; ``start`` (node voltages) takes the place of the deck's own
    ``.ic``, or is added to it where that is ``kept``."""
    deck = [line for line in plan.deck if start is None or kept or not _INITIAL.match(line)]
    if plan.saved:
        deck.append(".save all " + " ".join(plan.saved))
    deck += [f".ic v({node})={value!r}" for node, value in (start or {}).items()]
    deck.append(f".options {options} temp={plan.temperature!r}")
    session.load(deck, "corner")
    for device, value in plan.alterations:
        session.alter(device, value)


def initial_nodes(deck: Sequence[str]) -> frozenset[str]:
    """Nodes whose first voltage the deck's ``.ic`` lines name, lower case."""
    return frozenset(n.lower() for line in deck if _INITIAL.match(line) for n in _NODE.findall(line))


def altered(listing: Sequence[str], alterations: Sequence[tuple[str, float]]) -> list[str]:
    """A flattened listing with the values of altered parts put in, lower case, without line numbers."""
    values = {_flat(name): value for name, value in alterations}
    lines = [re.sub(r"^\s*\d+\s*:\s*", "", line).strip().lower() for line in listing]
    found = []
    for line in lines:
        words = line.split()
        if words and words[0] in values:
            line = " ".join([*words[:3], repr(values[words[0]]), *(w for w in words[3:] if "(" in w)])
        found.append(line)
    return found


def _flat(name: str) -> str:
    """A part's name as a flattened listing spells it: ``r.xslice.rload`` for ``xslice.rload``."""
    name = name.lower()
    return f"{name.rpartition('.')[2][0]}.{name}" if name.startswith("x") and "." in name else name


def source_levels(listing: Sequence[str]) -> dict[str, float]:
    """Node -> voltage (V) at the begin of a run, of each voltage source against ground in a flattened
    listing."""
    levels: dict[str, float] = {}
    for line in listing:
        found = _SOURCE.match(line)
        if found and (found[1] == "0") != (found[2] == "0"):
            sign, node = (1.0, found[1]) if found[2] == "0" else (-1.0, found[2])
            with suppress(ValueError):
                levels[node] = sign * suffixed(found[3])
    return levels


def measured(
    measure: Measure, record: Record, begin: float, end: float
) -> tuple[dict[str, float], dict[str, str]]:
    """Numbers and words of one cycle; the frequency is that of the cycle's own ends."""
    found = measure(record, begin, end)
    figures = {name: float(value) for name, value in found.items() if not isinstance(value, str)}
    figures["frequency"] = 1.0 / (end - begin)
    return figures, {name: value for name, value in found.items() if isinstance(value, str)}
