# SPDX-License-Identifier: GPL-3.0-or-later
"""Which pin of a comparator is which: by the names in its header, else by trying the model alone in the
engine, else by the order that most models have.

Trying: the rails at their drawn voltages, the output pulled up, the inputs a tenth of a volt apart one way
and the other. The output is the pin that follows; which input inverts is seen by which way it goes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations

from harness.engine.errors import EngineDead, EngineError, EngineMissing
from harness.findings import NetlistError
from harness.netlist import words
from harness.new.drawing import Device, Drawing
from harness.pins import GROUND, PIN_WORDS

USUAL = ("plus", "minus", "supply", "negative", "output")
_MORE: Mapping[str, tuple[str, ...]] = {
    "plus": ("p", "+", "inp", "in+", "vinp", "pos", "ip", "in1", "non_inverting", "noninv"),
    "minus": ("n", "-", "inn", "in-", "vinn", "neg", "im", "in2", "inv"),
    "output": ("o", "q", "vo", "out1", "oc", "collector"),
    "supply": ("vs", "vs+", "vp+", "vpos", "vccp", "v_plus", "vcc+", "avdd", "pos_supply"),
    "negative": ("vs-", "vneg", "vccn", "v_minus", "vcc-", "0v", "agnd", "com", "neg_supply"),
    "emitter": ("e", "gnd_out", "emit"),
}
#: words that mean an input where no other word does, and a supply where the inputs have words of their own
_EITHER = (("vp", "plus", "supply"), ("vn", "minus", "negative"))
_APART = 0.1  # V between the inputs
_LEVEL = 0.3  # of the span between the rails: where comparators and op-amps of these classes work
_FOLLOWS = 0.25  # of the span: so far the output of a working one goes at least


@dataclass(frozen=True)
class Pins:
    """Nodes of a comparator's line, lower case, and how they were told."""

    plus: str
    minus: str
    supply: str
    negative: str
    output: str
    reason: str


@dataclass(frozen=True)
class Trial:
    """A model to be tried alone: what it is, its lines, and the orders to try, each with the voltages that
    the drawing gives its supply and its negative pin."""

    model: str
    lines: tuple[str, ...]
    parameters: str
    orders: tuple[tuple[tuple[str, ...], float, float], ...]


def pins_of(drawing: Drawing, devices: Sequence[Device]) -> dict[str, Pins]:
    """The pins of each device of which they can be told, by full name; the engine is started only for
    those whose headers say nothing."""
    found: dict[str, Pins] = {}
    trials: dict[str, Trial] = {}
    for device in devices:
        named = _by_name(device)
        if named is not None:
            found[device.name] = named
        elif (trial := _trial(drawing, device)) is not None:
            trials[device.name] = trial
    orders = _tried(list(trials.values()))
    for device in devices:
        if device.name in found or device.name not in trials:
            continue
        order = orders.get(trials[device.name].model)
        told = f"its pins were found by trying {device.model} alone"
        if order is None and len(device.nodes) == len(USUAL):
            order, told = (
                USUAL,
                f"the order that most models have, for {device.model} does not name its pins; check it",
            )
        if order is not None:
            nodes = dict(zip(order, device.nodes, strict=False))
            found[device.name] = Pins(**{pin: nodes[pin] for pin in USUAL}, reason=told)
    return found


def _by_name(device: Device) -> Pins | None:
    nodes: dict[str, str] = {}
    for pin in (*USUAL, "emitter"):
        valid = {*PIN_WORDS[pin], *_MORE[pin]}
        drawn = [
            node for header, node in zip(device.header, device.nodes, strict=True) if header.lower() in valid
        ]
        if len(drawn) == 1:
            nodes[pin] = drawn[0]
    for word, first, second in _EITHER:
        meant = first if first not in nodes else second
        for header, node in zip(device.header, device.nodes, strict=True):
            if header.lower() == word:
                nodes.setdefault(meant, node)
    if not set(USUAL) <= set(nodes):
        return None
    return Pins(**{pin: nodes[pin] for pin in USUAL}, reason=f"the pins have names in {device.model}")


def _trial(drawing: Drawing, device: Device) -> Trial | None:
    """What to try: rails are where the drawing has rails, the order that most models have comes first."""
    rails = drawing.rails
    if len(device.nodes) != len(USUAL):
        return None
    orders = []
    for order in [USUAL, *(other for other in permutations(USUAL) if other != USUAL)]:
        nodes = dict(zip(order, device.nodes, strict=True))
        supply, negative = rails.get(nodes["supply"]), rails.get(nodes["negative"])
        if supply is not None and negative is not None and supply > negative:
            orders.append((order, supply, negative))
    if not orders:
        return None
    model = device.instance.part.model
    try:
        lines = tuple(drawing.netlist.subcircuit_text(model).splitlines())
    except NetlistError:
        return None
    given = device.instance.part.parameters
    parameters = " ".join(f"{name}={value}" for name, value in given.items() if words.is_number(value))
    usual = orders[0][0] == USUAL
    first, rest = orders[: int(usual)], orders[int(usual) :]
    return Trial(model, lines, parameters, (*first, *sorted(rest, key=lambda each: each[2] - each[1])))


def _tried(trials: Sequence[Trial]) -> dict[str, tuple[str, ...]]:
    """The first order of each model in which it works, tried in a worker of its own; none without an
    engine."""
    from harness.engine.pool import run_all

    if not trials:
        return {}
    found: dict[str, tuple[str, ...]] = {}
    try:
        for index, outcome in run_all(trials, _first_that_works, workers=1, seconds=60.0):
            if outcome.value is not None:
                found[trials[index].model] = outcome.value
    except EngineMissing:
        return {}
    return found


def _first_that_works(trial: Trial) -> tuple[str, ...] | None:
    return next((order for order, *rails in trial.orders if _works(trial, order, *rails)), None)


def _works(trial: Trial, order: tuple[str, ...], supply: float, negative: float) -> bool:
    from harness.engine.session import session

    span = supply - negative
    level = negative + _LEVEL * span
    levels = []
    for sign in (1.0, -1.0):
        deck = [
            *trial.lines,
            f"xtried {' '.join(order)} {trial.model} {trial.parameters}",
            f"vsupply supply 0 {supply!r}",
            f"vnegative negative 0 {negative!r}",
            f"vminus minus 0 {level!r}",
            f"vplus plus 0 {level + sign * _APART!r}",
            "rpull supply output 10k",
        ]
        try:
            engine = session()
            engine.load(deck, "a model alone")
            rest = engine.operating_point()
        except EngineDead:
            raise  # nothing else can be tried in this process
        except EngineError:
            return False
        levels.append(rest["output"])
    inside = all(negative - 0.1 * span <= at <= supply + 0.1 * span for at in levels)
    return inside and levels[0] - levels[1] > _FOLLOWS * span


def other_input(pins: Pins, node: str) -> str | None:
    """The input that is not ``node``; None where ``node`` is no input, or both are."""
    if pins.plus == pins.minus or node not in (pins.plus, pins.minus):
        return None
    return pins.minus if node == pins.plus else pins.plus


def is_rail(drawing: Drawing, node: str) -> bool:
    """Whether a plain source holds this node, or it is ground."""
    return node == GROUND or node in drawing.rails
