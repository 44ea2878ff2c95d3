# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether somebody else's comparator model has its pins where a board wires them, tried before the run."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from itertools import permutations
from pathlib import Path

import numpy as np

from harness.alone.bench import PartAlone
from harness.alone.comparator import Pins
from harness.alone.conditions import Conditions, the_engine
from harness.alone.subject import Bench, Value
from harness.characterise import PIN_ORDER
from harness.parts import pin_orders
from harness.parts.foreign import CLASSES
from harness.parts.pin_orders import RAILS, find_order, orders, works
from harness.parts.subject import Subject
from harness.sheets import models, read_sheet

AS_WIRED, IN_NO_ORDER = 0.0, -1.0


def pin_bench(on: Conditions, part: PartAlone, pins: Pins) -> Iterator[Bench]:
    """A bench for a comparator that is no model of the package and has as many pins as its class.

    Its one figure: 0 where the model works as it is wired, else one more than the place of the order in which
    it works among `orders`, or -1 where it works in none.
    """
    class_ = on.board.roles.comparator_class
    sheet_pins = class_pins(class_)
    if part.part.model in models() or class_ is None or len(part.part.nodes) != len(sheet_pins):
        return
    wired = wired_orders(on, part, pins, sheet_pins)
    if not wired:
        return

    def measure() -> dict[str, np.ndarray]:
        support = tuple(line for text in part.support for line in text.splitlines())
        subject = Subject(the_engine(), part.part.model, "subcircuit", support, sheet_pins)
        if any(works(subject.in_order(order), class_) for order in wired):
            return {PIN_ORDER: np.array(AS_WIRED)}
        found = find_order(subject, class_)
        place = IN_NO_ORDER if found is None else 1.0 + list(orders(sheet_pins)).index(found)
        return {PIN_ORDER: np.array(place)}

    values = (Value(PIN_ORDER, "", f"model {part.part.model} alone, its pins tried", {}),)
    tried_by = hashlib.sha256(Path(pin_orders.__file__).read_bytes()).hexdigest()
    subject = {"part": part, "class": class_, "wired": wired, "tried by": tried_by}
    yield Bench("slicer pins", values, subject, measure)


def class_pins(class_: str | None) -> tuple[str, ...]:
    """Pins of a class of comparators in the order of its sheet; none for a class that cannot be tried."""
    if class_ not in RAILS or CLASSES[class_][0] not in models():
        return ()
    return read_sheet(CLASSES[class_][0]).pins


def wired_orders(
    on: Conditions, part: PartAlone, pins: Pins, sheet_pins: Sequence[str]
) -> list[tuple[str, ...]]:
    """The orders of pins that a comparator's line takes for granted, by the nodes that the board file names;
    several where pins share a node, none where the nodes do not tell."""
    plus_is_ramp = on.board.roles.ramp_input == "plus"
    known = {pins.ramp: "plus" if plus_is_ramp else "minus", pins.level: "minus" if plus_is_ramp else "plus"}
    known |= {pins.output: "output"} | ({on.drawn.supply_node: "supply"} if on.drawn.supply_node else {})
    if pins.reference is not None and "emitter" in sheet_pins:
        known[pins.reference] = "emitter"
    taken = [known.get(node.lower(), "") for node in part.part.nodes]
    free = [pin for pin in sheet_pins if pin not in taken]
    named = [pin for pin in taken if pin]
    if len(set(named)) != len(named) or taken.count("") != len(free) or not {"plus", "minus"} <= set(named):
        return []
    filled = []
    for rest in permutations(free):
        places = iter(rest)
        filled.append(tuple(pin or next(places) for pin in taken))
    return filled


def pins_sentence(part: str, model: str, class_: str, place: float) -> str:
    """What to say of a figure of the bench, nothing where the pins are as wired."""
    if place == AS_WIRED:
        return ""
    if place == IN_NO_ORDER:
        return (
            f"{part}: {model} works as a {class_} in no order of its pins;"
            " ramp-harness parts --model FILE tests it"
        )
    found = " ".join(list(orders(class_pins(class_)))[round(place) - 1])
    return (
        f"{part}: pins of {model} seem to be: {found}, in the order of its header, which is not how it is"
        " wired; mend the header or the line"
    )
