# SPDX-License-Identifier: GPL-3.0-or-later
"""Which pin of a model is which, found by trying: the order in which it works as its class does.

Orders are tried from the class's own outwards, so that of several that work the nearest is named.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import permutations

from harness.alone.bench import ohms, volts
from harness.engine.errors import EngineDead, EngineError
from harness.parts.subject import ROOM, Subject

INPUT_CURRENT = 20e-6  # A, more than any input of these classes takes; what takes more is no input
OUTPUT_SHARE = 0.3  # of the swing that an output may lie away from where it belongs
LEAST_DRIVE = 1e-6  # A, of some 4 uA that a base is offered through 1 MOhm
LEAST_GAIN = 20.0  # of a bipolar transistor that is the right way round; the other way it is some units


@dataclass(frozen=True)
class Rails:
    """Where a comparator or op-amp is tried.

    ``supply``, ``negative``: rails (V); ``feed``: what 5.1 kOhm pull its output to (V), None: 100 kOhm to
    the middle; ``middle``: where its inputs lie, as a share of the supply; ``follower``: also tried with its
    output at its minus input; ``others``: further supplies that the class works on.
    """

    supply: float
    negative: float
    feed: float | None
    middle: float
    follower: bool
    others: tuple[tuple[float, float], ...]


RAILS: dict[str, Rails] = {
    "393": Rails(5.0, 0.0, 5.0, 0.05, False, ((2.0, 0.0), (30.0, 0.0))),
    "311": Rails(15.0, -15.0, 5.0, 0.5, False, ((5.0, 0.0), (15.0, 0.0))),
    "push-pull": Rails(5.0, 0.0, None, 0.5, False, ((2.7, 0.0), (5.5, 0.0))),
    "07x": Rails(15.0, -15.0, None, 0.5, True, ((5.0, -5.0), (12.0, -12.0))),
    "rail-to-rail": Rails(5.0, 0.0, None, 0.5, True, ((2.7, 0.0), (5.5, 0.0))),
}

#: levels (V) of both inputs, above the positive supply or the negative one, at which a class has lost them:
#: 393 1.5 V below the supply (SLCS005Y 6.6), 311 1.5 V below it (SLCS007H), 07x 4 V above the negative one
_LOST = {"393": ("supply", -0.2), "311": ("supply", -0.2), "07x": ("negative", 0.5)}


def beyond(class_: str) -> Rails | None:
    """Rails and a common mode at which a class is out of range, both inputs; None where there is no such."""
    if class_ not in _LOST:
        return None
    rails, (rail, away) = RAILS[class_], _LOST[class_]
    level = (rails.supply if rail == "supply" else rails.negative) + away
    share = (level - rails.negative) / (rails.supply - rails.negative)
    return replace(rails, middle=share, follower=False)


def works(part: Subject, class_: str, rails: Rails | None = None, temperature: float = ROOM) -> bool:
    """True where a model does what its class is for: its output follows the sign of its input difference and
    its inputs take no current; a transistor conducts and shuts. One that fails in the engine does not work.

    Raises EngineDead.
    """
    try:
        if class_ in RAILS:
            return _compares(part, rails or RAILS[class_], temperature)
        return _TRANSISTORS[class_](part, temperature)
    except EngineDead:
        raise
    except EngineError:
        return False


def orders(pins: Sequence[str]) -> Iterator[tuple[str, ...]]:
    """Every order of some pins, those with the fewest out of place first."""
    yield from sorted(
        permutations(pins), key=lambda order: sum(a != b for a, b in zip(order, pins, strict=True))
    )


def find_order(part: Subject, class_: str) -> tuple[str, ...] | None:
    """The first order of its pins in which a model works as ``class_``, or None."""
    for order in orders(part.pins):
        if works(replace(part, pins=order), class_):
            return order
    return None


def _compares(part: Subject, rails: Rails, temperature: float) -> bool:
    span = rails.supply - rails.negative
    level = rails.negative + rails.middle * span
    ground = rails.negative if "emitter" not in part.pins else 0.0
    nodes = {
        "plus": "p", "minus": "m", "supply": "vcc", "output": "out", "ground": "vee", "negative": "vee",
        "emitter": "0",
    }  # fmt: skip
    pull = ohms("pull", "feed", "out", 5.1e3 if rails.feed is not None else 1e5)
    feed = rails.feed if rails.feed is not None else (rails.supply + rails.negative) / 2
    fixed = [
        volts("cc", "vcc", rails.supply),
        volts("ee", "vee", rails.negative),
        volts("feed", "feed", feed),
        pull,
        "cload out 0 100p",  # without any the engine may find no rest for a hard limit in a follower
    ]
    top = rails.feed if rails.feed is not None else rails.supply
    for sign in (1.0, -1.0):
        for lower in (0.0, 0.02 * span):
            plus, minus = level + lower, level + lower - 0.1 * sign
            rest = part.at_rest(nodes, [volts("p", "p", plus), volts("m", "m", minus), *fixed], temperature)
            if max(abs(rest["vp#branch"]), abs(rest["vm#branch"])) > INPUT_CURRENT:
                return False
            if rest["vcc#branch"] > INPUT_CURRENT:  # a supply pin takes current, it gives none
                return False
            right = top if sign > 0 else ground
            if abs(rest["out"] - right) > OUTPUT_SHARE * (top - ground):
                return False
    return not rails.follower or _follows(part, nodes, fixed, level, temperature)


def _follows(
    part: Subject, nodes: Mapping[str, str], fixed: Sequence[str], level: float, temperature: float
) -> bool:
    """True where the output tied to the minus input lies at the plus input."""
    tied = {**nodes, "minus": "out"}
    rest = part.at_rest(tied, [volts("p", "p", level + 0.5), *fixed], temperature)
    return abs(rest["out"] - level - 0.5) < 0.05


_FET = {"drain": "d", "gate": "g", "source": "0", "bulk": "0"}


def _fet(part: Subject, temperature: float, on: float, off: float) -> bool:
    """Conducts 5 mA at one gate voltage, nothing at another, and its gate takes no current."""
    drains = []
    for gate in (on, off):
        around = [volts("g", "g", gate), volts("f", "feed", 5.0), ohms("f", "feed", "d", 1e3)]
        rest = part.at_rest(_FET, around, temperature)
        if abs(rest["vg#branch"]) > INPUT_CURRENT:
            return False
        drains.append(rest["d"])
    return drains[0] < 0.5 and drains[1] > 4.9


def _bipolar(part: Subject, temperature: float) -> bool:
    """Amplifies a base current of some microamperes, and shuts with the base at the emitter."""
    sign = -1.0 if "pnp" in (part.kind, part.polarity) else 1.0
    nodes = {"collector": "c", "base": "b", "emitter": "0"}
    collectors = []
    for base in (5.0, 0.0):
        around = [
            volts("b", "drive", sign * base), ohms("b", "drive", "b", 1e6),
            volts("c", "feed", sign * 5.0), ohms("c", "feed", "c", 1e3),
        ]  # fmt: skip
        rest = part.at_rest(nodes, around, temperature)
        collectors.append(-sign * rest["vc#branch"])
        if base:
            driven = -sign * rest["vb#branch"]
    amplifies = driven > LEAST_DRIVE and collectors[0] > LEAST_GAIN * driven
    return amplifies and abs(collectors[1]) < INPUT_CURRENT


def _diode(part: Subject, temperature: float) -> bool:
    nodes = {"anode": "a", "cathode": "0"}
    currents = [
        part.at_rest(nodes, [volts("a", "feed", level), ohms("a", "feed", "a", 1e3)], temperature)[
            "va#branch"
        ]
        for level in (5.0, -5.0)
    ]
    return currents[0] < -1e-3 and abs(currents[1]) < INPUT_CURRENT


_TRANSISTORS: dict[str, Callable[[Subject, float], bool]] = {
    "mosfet": lambda part, temperature: _fet(part, temperature, 5.0, 0.0),
    "jfet": lambda part, temperature: _fet(part, temperature, 0.0, -10.0),
    "bipolar": _bipolar,
    "diode": _diode,
}
