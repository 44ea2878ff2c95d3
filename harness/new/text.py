# SPDX-License-Identifier: GPL-3.0-or-later
"""The board file that a drawing suggests: every proposal with its reason, every doubt as a comment.

The file loads as it stands. Intended values are copies of the drawn ones until the designer confirms them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from harness.new.guess import Guess, intended_parts
from harness.units import PREFIXES, parse_si

UNITS = {"r": "Ohm", "c": "F", "l": "H", "v": "V", "i": "A"}
_WIDEST_REASON = 110
_SHARE = 0.1  # of a supply, up and down
_DIGITS = 12


@dataclass(frozen=True)
class Head:
    """What the board is called and where its drawing lies. ``day``: when the values were copied."""

    name: str
    netlist: str
    dialect: str
    day: str


def board_text(head: Head, found: Guess) -> str:
    """The text of the board file."""
    return "\n".join(_lines(head, found)) + "\n"


def written(value: float, unit: str) -> str:
    """A value as a board file has it, exact: ``4.7 kOhm``."""
    if value == 0.0:
        return f"0 {unit}"
    for prefix, scale in PREFIXES.items():
        mantissa = value / scale
        if 1.0 <= abs(mantissa) < 1000.0:
            text = f"{mantissa:.{_DIGITS}g} {prefix}{unit}"
            if math.isclose(parse_si(text).value, value, rel_tol=1e-11):
                return text
    return f"{value!r} {unit}"


def quoted(text: str) -> str:
    """A text as TOML has it."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def key(name: str) -> str:
    """A key as TOML has it: in quotes where it holds more than letters, digits, ``_`` and ``-``."""
    bare = name.replace("_", "a").replace("-", "a")
    return name if bare.isascii() and bare.isalnum() else quoted(name)


def _entry(name: str, value: str, reason: str = "") -> str:
    line = f"{name} = {value}"
    return f"{line:<34} # {reason}" if reason else line


def _lines(head: Head, found: Guess) -> Iterator[str]:
    yield f"# {head.name}: what was found in {head.netlist}, to be confirmed line by line."
    yield "# Behind each proposal stands why. Correct what is wrong; what nobody could tell is a comment."
    yield ""
    yield "[board]"
    yield "format = 1"
    yield f"name = {quoted(head.name)}"
    yield 'revision = "A"'
    yield f"netlist = {quoted(head.netlist)}"
    if head.dialect != "native":
        yield _entry("dialect", quoted(head.dialect), "the netlist could not be read as native")
    yield "# The values below were copied from the drawing. Compare each with your notes, then delete this:"
    yield "confirmed = false"
    yield ""
    yield from _roles(found)
    yield from _core(found)
    yield from _intended(head, found)
    yield from _axes(found)
    yield from _hand(found)
    yield from _limits(found)


def _roles(found: Guess) -> Iterator[str]:
    yield "[roles]"
    for each in found.roles:
        yield _entry(each.key, quoted(each.value), each.reason)
    if found.supplies:
        rails = ", ".join(f"{key(name)} = {quoted(source)}" for name, source in found.supplies.items())
        yield _entry("supplies", f"{{ {rails} }}", "sources that feed a device or the pull-up")
    if found.amplifiers:
        names = ", ".join(quoted(name) for name in found.amplifiers)
        yield _entry("amplifiers", f"[{names}]", "op-amps with feedback, between sources and the threshold")
    for doubt in found.open:
        yield f"# {doubt}"
    yield ""


def _core(found: Guess) -> Iterator[str]:
    core = found.core
    if core is None:
        yield "# [core] was not recognised. Without it duty and frequency are not explained by name."
        yield '# kind = "ramp source", "charged capacitor", "snapped capacitor" or "integrator"'
        yield ""
        return
    mark = "# " if core.lacking else ""
    if core.lacking:
        yield f"# The core looks like this, but {' and '.join(core.lacking)} could not be told:"
    yield f"{mark}[core]"
    yield f'{mark}kind = "{core.kind}"'
    for name, value, reason in core.keys:
        text = quoted(value) if isinstance(value, str) else f"[{', '.join(quoted(item) for item in value)}]"
        yield mark + _entry(name, text, reason)
    yield ""


def _intended(head: Head, found: Guess) -> Iterator[str]:
    drawing = found.drawing
    yield f"[intended]                         # copied from the drawing on {head.day}, not yet confirmed"
    for name in intended_parts(found):
        letter = drawing.parts[name].part.letter
        yield f"{key(drawing.shown(name))} = {quoted(written(drawing.value(name), UNITS[letter]))}"
    yield ""


def _axes(found: Guess) -> Iterator[str]:
    drawing, control, supply = found.drawing, found.control, found.role("supply")
    if control is not None:
        value = drawing.value(control)
        values = [0.5 * value, value, 1.5 * value] if value else [0.0, 1.0, 2.0]
        way = found.network.get(control, ())
        via = f" over {', '.join(drawing.shown(name) for name in way)}" if way else ""
        yield f"# {drawing.shown(control)} moves the threshold{via}; choose the range that it is to have"
        yield from _axis("control", values, value, found.axes.get("control"))
    if supply is not None and (value := drawing.value(supply.lower())):
        yield "# the supply by 10 % either way: common practice, no source"
        values = sorted([value * (1 - _SHARE), value, value * (1 + _SHARE)])
        yield from _axis("supply", values, value, found.axes.get("supply"))
    yield "[axes.temperature]"
    yield "values = [0, 25, 50]"
    yield ""


def _axis(name: str, values: list[float], nominal: float, sets: str | None) -> Iterator[str]:
    """An axis in volts; a comment where nothing in the netlist could be set to its values."""
    if sets is None:
        yield "# but its source is drawn as an expression; give it a parameter of its own and set that here"
    mark = "# " if sets is None else ""
    yield f"{mark}[axes.{name}]"
    yield f"{mark}values = [{', '.join(f'{value:.{_DIGITS}g}' for value in values)}]"
    yield f'{mark}unit = "V"'
    yield f"{mark}sets = {quoted(sets or '...')}"
    yield f"{mark}nominal = {nominal:.{_DIGITS}g}"
    yield ""


def formulas(found: Guess) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """Suggestions for ``[given]`` and ``[hand]``; their names are those of the board file."""
    drawing, ramp = found.drawing, found.ramp
    given: list[tuple[str, str]] = []
    hand: list[tuple[str, str]] = []
    if ramp is None:
        return given, hand
    threshold = _threshold_formula(found)
    if threshold:
        hand.append(("threshold", threshold))
    if ramp.source is not None:
        given += [("bottom", written(ramp.low, "V")), ("top", written(ramp.high, "V"))]
        hand += [("ramp_low", "bottom"), ("ramp_high", "top")]
    if threshold and ramp.source is not None:
        share = "(threshold - ramp_low) / (ramp_high - ramp_low)"
        inverted = found.role("ramp_input") == "plus"
        clipped = f"clip({'1 - ' if inverted else ''}{share}, 0, 1)"
        rest = ramp.at_high if inverted else ramp.at_low
        given += [("moving", written(ramp.moving, "s")), ("period", written(ramp.period, "s"))]
        given += [("resting", written(rest, "s"))] if rest else []
        hand.append(
            ("duty", f"({clipped} * moving + resting) / period" if rest else f"{clipped} * moving / period")
        )
    pullup, load = found.role("pullup"), found.role("load_capacitor")
    if pullup and _plain(pullup) and found.pins is not None:
        nodes = drawing.parts[pullup.lower()].nodes
        rail = drawing.source_of(nodes[1] if nodes[0] == found.pins.output else nodes[0])
        name = _source_name(found, rail)
        if name:
            given.append(("saturation", "0.15 V"))
            hand.append(("low_level", "saturation"))
            high = _high_level(found, name, pullup)
            hand += [("high_level", high)] if high else []
            hand.append(("pullup_current", f"({name} - saturation) / {pullup}"))
        if load and _plain(load) and str(found.role("output")).lower() == found.pins.output:
            hand.append(("rise_time", f"ln(9) * {pullup} * {load}"))
    return given, hand


def _high_level(found: Guess, rail: str, pullup: str) -> str | None:
    """The level that a pull-up from ``rail`` gives at the output over resistors in a row and with a load to
    ground; None for other networks."""
    drawing, pins, output = found.drawing, found.pins, str(found.role("output")).lower()
    way = drawing.beyond(pins.output, "r", 4).get(output) if pins else None
    load = found.role("load_resistor")
    if pins is None or way is None:
        return None
    row = [pullup.lower(), *way, *([load.lower()] if load else [])]
    inner = [pins.output, *(node for name in way for node in drawing.parts[name].nodes)]
    if {name for node in inner for name, _ in drawing.at(node, "r")} - set(row):
        return None
    if load is None:
        return rail
    names = [drawing.shown(name) for name in row]
    return f"{rail} * {load} / ({' + '.join(names)})" if all(map(_plain, names)) else None


def _plain(name: str) -> bool:
    return name.replace("_", "a").isalnum() and name.isascii()


def _source_name(found: Guess, source: str | None) -> str | None:
    """What a source is called in the formulas: its axis, or its part."""
    if source is None:
        return None
    shown = found.drawing.shown(source)
    if source == found.control and "control" in found.axes:
        return "control"
    if shown == found.role("supply") and "supply" in found.axes:
        return "supply"
    return shown if _plain(shown) else None


def _threshold_formula(found: Guess) -> str | None:
    """Millman's theorem where every source reaches the threshold over resistors in a row, none of them
    shared, and nothing leads to ground in between; None for other networks."""
    drawing, node = found.drawing, str(found.role("threshold")).lower()
    if not found.network:
        return None
    branches: list[tuple[str, str]] = []
    used: list[str] = []
    for source, way in found.network.items():
        name = _source_name(found, source)
        if name is None or any(not _plain(drawing.shown(part)) for part in way):
            return None
        if not way:
            return name
        branches.append((name, " + ".join(drawing.shown(part) for part in way)))
        used += way
    ground = drawing.beyond(node, "r", 8).get("0")
    if ground:
        branches.append(("0 V", " + ".join(drawing.shown(part) for part in ground)))
        used += ground
    inner = {end for part in used for end in drawing.parts[part].nodes} - set(drawing.rails) - {node}
    crowded = any(len([name for name, _ in drawing.at(end, "r")]) != 2 for end in inner)
    at_the_node = [name for name, _ in drawing.at(node, "r")]
    if len(set(used)) < len(used) or crowded or set(at_the_node) - set(used) or len(branches) < 2:
        return None
    bracketed = [(name, f"({way})" if " + " in way else way) for name, way in branches]
    total = " + ".join(f"{name} / {way}" for name, way in bracketed if name != "0 V")
    return f"({total}) * parallel({', '.join(way for _, way in branches)})"


def _hand(found: Guess) -> Iterator[str]:
    given, hand = formulas(found)
    core = {name: value for name, value, _ in found.core.keys} if found.core else {}
    if hand:
        yield "# Suggestions for your own calculation; delete the # where you agree. Units are checked."
        if given:
            yield "# [given]"
            yield from (f"# {name} = {quoted(value)}" for name, value in given)
        yield "# [hand]"
        yield from (f"# {name} = {quoted(text)}" for name, text in hand)
    if "capacitor" in core:
        current = core.get("current", "current")
        yield "# Once you have formulas for the ends of the ramp, ramp_low and ramp_high, frequency is about"
        yield f"# {current} / ({core['capacitor']} * (ramp_high - ramp_low)), and duty follows from the"
        yield "# threshold between them."
    yield ""


def _limits(found: Guess) -> Iterator[str]:
    yield "# What the board has to keep to: fill in your own figures and delete the #."
    yield "# [limits]"
    yield "# duty = { least = 0.05, most = 0.95 }"
    yield '# low_level = { most = "0.4 V" }'
    if found.role("pullup"):
        yield '# pullup_current = { most = "4 mA" }'
    if found.role("comparator_class"):
        yield '# headroom = { least = "0 V" }'
