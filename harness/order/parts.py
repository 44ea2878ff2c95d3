# SPDX-License-Identifier: GPL-3.0-or-later
"""The parts to be ordered: value, tolerance as stated, and the tolerance that is needed."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass

import pandas as pd

from harness.board import Board
from harness.netlist import Netlist
from harness.order.records import DeviceRow, PartRow
from harness.order.tolerances import CLASSES, CLOSEST, Bound, Needed, Tolerances
from harness.order.vertices import REACH
from harness.quantities import stem
from harness.report import rounding, tables
from harness.report.page import SHAPES
from harness.units import engineering

ENOUGH, TIGHTER, SHORT, FREE, UNKNOWN = "enough", "tighter", "short", "free", "unknown"
MARKS = {
    ENOUGH: SHAPES["within"],
    TIGHTER: SHAPES["outside"],
    SHORT: SHAPES["outside"],
    FREE: SHAPES["no limit"],
    UNKNOWN: SHAPES["no figure"],
}
_DEVICES = "xqmjdsw"


def part_rows(
    board: Board, check: pd.DataFrame, found: Tolerances, moved: Mapping[str, bool] | None
) -> tuple[PartRow, ...]:
    """One row a part of ``[intended]`` and of the drawing. ``moved``: of each deviation whether the simulated
    worst case saw any limited quantity move with it; None where it was not run."""
    by_part = {part.lower(): one for one in found.needed for part in one.parts}
    set_by = {axis.sets.lower(): axis.name for axis in board.axes.values() if axis.sets}
    trims = {trim.part.lower(): trim.name for trim in board.trims.values()}
    written = {name.lower(): name for name in board.intended}
    rows, listed = [], set[str]()
    for record in check.to_dict("records"):
        part, verdict = str(record["part"]), str(record["verdict"])
        key, name = part.lower(), written.get(part.lower(), part)
        intended = board.intended.get(name)
        if key in listed or (verdict != "not intended" and intended is None):
            continue  # a part that is not connected as its role says: it stands among the slips
        listed.add(key)
        one = by_part.get(key)
        if key in set_by:
            mark, needed, why = FREE, "set by an axis", set_by[key]
        elif key in trims:
            mark, needed, why = FREE, "a trimmer, set on each board", trims[key]
        elif one is None:
            mark, needed, why = UNKNOWN, "not shown", _why_none(board, verdict)
        else:
            mark, needed, why = needed_words(board, one, moved)
            aside = _aside(found, mark) if moved is None or moved.get(one.name, True) else ""
            if aside:
                mark, needed = UNKNOWN, f"{needed}, {aside} aside"
            together = [other for other in one.parts if other.lower() != key]
            why += f"; deviates together with {', '.join(together)}" if together else ""
        if verdict == "differs":
            why = f"around the drawn value{'; ' if why else ''}{why}"
        conceded = tables.CONCESSION_WORDS.get(str(record.get("concession", "")), "")
        tolerance = "" if intended is None or intended.tolerance is None else percent(intended.tolerance)
        rows.append(
            PartRow(
                part=name,
                value=tables.value_text(record["intended"]),
                drawn=tables.value_text(record["drawn"]),
                mark=SHAPES[verdict],
                verdict=f"{verdict}, {conceded}" if conceded else verdict,
                tolerance=tolerance or ("none stated" if intended is not None else "not intended"),
                needed_mark=MARKS[mark],
                needed=needed,
                why=why,
            )
        )
    return tuple(rows)


def _aside(found: Tolerances, kind: str) -> str:
    """Limited quantities that a part was not held against: no closed form speaks of them, or they are not
    kept as drawn at some corners, which are left out. Empty where nothing is called enough."""
    quantities = list(found.without) if kind in (ENOUGH, FREE) else []
    if kind == ENOUGH:
        quantities += [quantity for quantity, _, _ in (*found.open_corners, *found.hopeless)]
    titles = [stem(quantity).title for quantity in dict.fromkeys(quantities)]
    return titles[0] if len(titles) == 1 else rounding.count(len(titles), "limit") if titles else ""


def _why_none(board: Board, verdict: str) -> str:
    otherwise = "it has no single value that could deviate" if board.limits else "no limit is set"
    return {
        "not intended": "no intended value and no tolerance: nothing is known of it",
        "not drawn": "it is not drawn",
    }.get(verdict, otherwise)


def needed_words(board: Board, one: Needed, moved: Mapping[str, bool] | None) -> tuple[str, str, str]:
    """(kind, what is needed, why) of one deviation."""
    spread = one.name in board.spread
    if math.isnan(one.most):
        return UNKNOWN, "not shown", "no limit is kept anywhere that the closed forms could speak of"
    if not one.depends:
        if one.known:
            return FREE, "no limit depends on it", ""
        if moved is not None and moved.get(one.name) is False:
            return (
                FREE,
                "no limit depends on it",
                "not in the closed forms; simulated, no limit moves with it",
            )
        why = "no closed form holds it"
        if moved is None and not math.isnan(one.stated):
            why += "; worst tells by simulation"
        elif math.isnan(one.stated):
            why += ", and without a stated tolerance worst leaves it as drawn"
        return UNKNOWN, "not shown", why
    if one.short:
        rest = "" if math.isinf(one.most) else f"; every other limit: {allowed(one)}"
        why = f"{listed_ends(board, one.short)} falls short even with this part exact{rest}"
        return SHORT, "alone not enough", why
    if math.isinf(one.most):
        return ENOUGH, "20 times the spread" if spread else f"any up to {percent(REACH)}", ""
    why = f"{end_words(board, one.quantity, one.end)} falls short beyond {allowed(one)}, in {one.corner}"
    usual = [each for each in CLASSES if each <= one.most * (1 + 1e-9)]
    if not math.isnan(one.counted):
        return TIGHTER, f"{percent(usual[-1] if usual else one.counted)} needed", why
    if spread:
        return (TIGHTER, allowed(one), why) if one.most < one.stated else (ENOUGH, "as stated is enough", why)
    if not math.isnan(one.stated) and one.most < one.stated:
        return TIGHTER, f"{percent(usual[-1])} needed" if usual else f"{allowed(one)} needed", why
    stated = 0.0 if math.isnan(one.stated) else one.stated
    if usual and usual[-1] >= stated:
        return ENOUGH, f"{percent(usual[-1])} is enough", why
    return (ENOUGH, "as stated is enough", why) if stated else (TIGHTER, f"{allowed(one)} needed", why)


def allowed(one: Needed) -> str:
    """How far it may go, rounded towards nothing: ``± 6.3 %``."""
    share = not one.unit
    size = one.most * (100.0 if share else 1.0)
    place = 10.0 ** (math.floor(math.log10(size)) - 1) if size > 0.0 else 1.0
    floor = math.floor(size / place + 1e-9) * place
    return (
        f"\N{PLUS-MINUS SIGN}{percent(floor / 100.0)}"
        if share
        else f"\N{PLUS-MINUS SIGN}{engineering(floor, one.unit)}"
    )


def percent(share: float) -> str:
    """A tolerance as people write it."""
    return engineering(share, "%", 3)


def end_words(board: Board, quantity: str, end: str) -> str:
    """``Duty factor, most 0.85,``: one end of a limit."""
    bound = rounding.figure(float(getattr(board.limits[quantity], end)), stem(quantity).unit)
    return f"{stem(quantity).title} (at {end} {bound})"


def listed_ends(board: Board, ends: Sequence[tuple[str, str]]) -> str:
    """Ends of limits in a row."""
    return " and ".join(end_words(board, quantity, end) for quantity, end in ends)


def tolerance_words(found: Tolerances) -> str:
    """What the first page says of parts that are not at their drawn values."""
    if not found.looked_at:
        return ""
    short = dict.fromkeys(stem(bound.quantity).title for bound in found.bounds if bound.room < 0.0)
    start = "With all stated tolerances at their worst, by the closed forms:"
    if not short:
        where = " where it is kept as drawn" if found.open_corners else ""
        return f"{start} no limit falls short{where}."
    return f"{start} falls short, {', '.join(short)}; see the parts to order."


def tolerance_notes(board: Board, found: Tolerances) -> tuple[str, ...]:
    """How the tolerances were found, what they leave out, and where no tolerance of one part is enough."""
    if not board.limits:
        return ("No limit is set, so no tolerance is needed for any.",)
    if not found.looked_at:
        return ("Nothing can be said: no limit is kept anywhere that the closed forms could speak of.",)
    notes = [
        "Needed means: all other parts and devices at their worst, one part at a time, before a limit falls"
        " short. By the closed forms, shifted to the simulated figures of the drawn board, at"
        f" {rounding.count(found.looked_at, 'corner')}; not simulated. Whoever widens several tolerances at"
        " once uses up the same room more than once: then ask worst again."
    ]
    notes += [_short_words(board, bound) for bound in found.bounds if bound.room < 0.0]
    if found.tightened:
        closer = ", ".join(
            f"{name} {percent(to)} instead of {percent(at)}" for name, at, to in found.tightened
        )
        aside = " but what is left out below" if found.open_corners or found.hopeless or found.without else ""
        kept = "that keeps every limit" if found.mended else "and even that does not keep every limit"
        notes.append(
            f"One way to closer tolerances: {closer}; {kept}{aside}. The list below counts with these."
        )
    if found.hopeless:
        notes.append(
            f"Kept as drawn by so little that even tolerances of {percent(CLOSEST)} do not keep it:"
            f" {_places(board, found.hopeless)}. Values have to change for that; left out of the list below."
        )
    if found.open_corners:
        places = _places(board, found.open_corners)
        notes.append(
            f"Left out, since no tolerance mends what is not kept as drawn: {places}. What stands below as"
            " enough leaves these limits aside."
        )
    if found.without:
        titles = ", ".join(stem(quantity).title for quantity in found.without)
        notes.append(
            f"No closed form speaks of: {titles}. What these limits need of parts is not shown, and what"
            " stands below as enough leaves them aside."
        )
    return tuple(notes)


def _places(board: Board, found: Sequence[tuple[str, str, tuple[str, ...]]]) -> str:
    """Ends of limits, each with its corners."""
    return "; ".join(
        f"{end_words(board, quantity, end)} in {rounding.listed(list(corners))}"
        for quantity, end, corners in found
    )


def _short_words(board: Board, bound: Bound) -> str:
    heavy = ", ".join(f"{name} {100 * share:.0f} %" for name, share in bound.heaviest)
    return (
        f"{end_words(board, bound.quantity, bound.end)} is kept as drawn and falls short with all stated"
        f" tolerances at their worst, in {bound.corner}; kept with every tolerance at"
        f" {math.floor(100 * bound.share)} % of what is stated. What uses up its room there: {heavy}."
    )


def device_rows(board: Board, netlist: Netlist) -> tuple[DeviceRow, ...]:
    """Transistors, diodes and subcircuits of the drawing's top level, with model and role."""
    roles = {}
    if board.roles.comparator:
        class_ = f", class {board.roles.comparator_class}" if board.roles.comparator_class else ""
        roles[board.roles.comparator.lower()] = f"slicing comparator{class_}"
    for name in board.roles.amplifiers:
        roles.setdefault(name.lower(), "amplifier")
    for words, name in _of_the_core(board):
        roles.setdefault(name.lower(), f"core: {words}")
    rows = []
    for key, part in netlist.parts.items():
        if part.letter in _DEVICES:
            spread = [
                f"{name.rpartition('.')[2]} \N{PLUS-MINUS SIGN}{size}"
                for name, size in board.spread.items()
                if name.rpartition(".")[0].lower() == key
            ]
            role, stated = roles.get(key, "\N{EN DASH}"), ", ".join(spread) or "none stated: as its model"
            rows.append(DeviceRow(part.name, part.model, role, stated))
    return tuple(rows)


def _of_the_core(board: Board) -> Iterator[tuple[str, str]]:
    """(role, part) of everything that ``[core]`` names, its converter included."""
    waiting: list[object] = [board.core]
    while waiting:
        core = waiting.pop()
        for field in fields(core) if is_dataclass(core) and not isinstance(core, type) else ():
            value = getattr(core, field.name)
            for name in value if isinstance(value, tuple) else (value,):
                if isinstance(name, str):
                    yield field.name.replace("_", " "), name
                else:
                    waiting.append(name)
