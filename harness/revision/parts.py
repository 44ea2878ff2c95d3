# SPDX-License-Identifier: GPL-3.0-or-later
"""Two drawings part by part: what was added, removed, changed, and whether the board file says so, too."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace

from harness.revision.drawn import DRIVEN, SAME, DrawnPart, inside

Drawing = Mapping[str, DrawnPart]
FINEST = 12  # digits with which two values are written apart


@dataclass(frozen=True)
class PartChange:
    """What became of one part: ``how`` is ``added``, ``removed`` or ``changed``; ``before`` and ``after``
    say what differs, in words. ``valued``: its value changed, came or went. ``along``: the instance that it
    lies in, where parameters of that changed, too. ``announced``: the board file says the same, under another
    revision."""

    name: str
    how: str
    before: str
    after: str
    valued: bool
    along: str = ""
    announced: bool = False

    @property
    def verdict(self) -> str:
        """``changed, unannounced``."""
        return f"{self.how}, {'announced' if self.announced else 'unannounced'}"

    @property
    def words(self) -> str:
        """``Rknob: 68 kOhm before, 86 kOhm after (changed, unannounced)``."""
        what = " to ".join(text for text in (self.before, self.after) if text)
        return f"{self.name}: {what} ({self.verdict}{f', along with {self.along}' if self.along else ''})"


def part_changes(before: Drawing, after: Drawing) -> list[PartChange]:
    """Every part that differs, in the order of the drawings. Parts inside an instance that came, went or
    has another subcircuit are not told one by one; a node that only has another name is no change."""
    names = node_names(before, after)
    common = [name for name in before if name in after]
    replaced = {name for name in common if before[name].model != after[name].model}
    come, gone = ([n for n in one if n not in other] for one, other in ((after, before), (before, after)))
    silent = {*replaced, *come, *gone}
    found = []
    for name in gone:
        if not inside(name, silent):
            part = before[name]
            found.append(PartChange(part.name, "removed", part.words(), "", part.value is not None))
    for name in common:
        if not inside(name, silent):
            found += _changed(before[name], after[name], names, _set_anew(name, before, after))
    for name in come:
        if not inside(name, silent):
            part = after[name]
            found.append(PartChange(part.name, "added", "", part.words(), part.value is not None))
    return found


def _set_anew(name: str, before: Drawing, after: Drawing) -> str:
    """The outermost instance around a part that has other parameters after than before; "" without one."""
    pieces = name.split(".")
    around = (".".join(pieces[:count]) for count in range(1, len(pieces)))
    both = (one for one in around if one in before and one in after)
    return next((after[one].name for one in both if before[one].parameters != after[one].parameters), "")


def _changed(
    before: DrawnPart, after: DrawnPart, names: Mapping[str, str], set_anew: str
) -> Iterator[PartChange]:
    pairs = list(_differences(before, after, names))
    if pairs:
        old, new = ("; ".join(pair[side] for pair in pairs) for side in (0, 1))
        valued = not same_value(before.value, after.value)
        same_place = not any(each.startswith(("nodes ", "model ")) for each, _ in pairs)
        yield PartChange(after.name, "changed", old, new, valued, set_anew if same_place else "")


def _differences(before: DrawnPart, after: DrawnPart, names: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """What differs of one part, before and after, in words."""
    driven = before.text.startswith(DRIVEN) and after.text.startswith(DRIVEN)  # by whatever name
    if not driven and (before.text != after.text or not same_value(before.value, after.value)):
        yield apart(before, after)
    if before.model != after.model:
        yield (f"model {before.model or 'none'}", f"model {after.model or 'none'}")
    went = tuple(names.get(node, node) for node in before.nodes)
    if went != after.nodes and not (_turns(before) and went[::-1] == after.nodes):
        yield (f"nodes {' '.join(before.nodes)}", f"nodes {' '.join(after.nodes)}")
    for key in sorted({*before.parameters, *after.parameters}):
        old, new = (part.parameters.get(key, "not given") for part in (before, after))
        if old != new:
            yield (
                f"{key}={old}" if old != "not given" else f"{key} {old}",
                f"{key}={new}" if new != "not given" else f"{key} {new}",
            )


def _turns(part: DrawnPart) -> bool:
    """Whether a part is the same with its ends exchanged, as a drawing program exports one that was turned:
    a resistor, or a capacitor that begins without a charge of its own."""
    letter = part.name.rpartition(".")[2][:1].lower()
    return letter == "r" or (letter == "c" and "ic" not in part.parameters)


def same_value(one: float | None, other: float | None) -> bool:
    """Two values that are the same but for rounding."""
    if one is None or other is None:
        return one is other
    return math.isclose(one, other, rel_tol=SAME, abs_tol=0.0)


def apart(before: DrawnPart, after: DrawnPart) -> tuple[str, str]:
    """Two different values with as many digits as it takes to tell them apart."""
    for digits in (4, 6, 9):
        old, new = before.value_words(digits), after.value_words(digits)
        if old != new:
            return old or "no value", new or "no value"
    return before.value_words(FINEST), after.value_words(FINEST)


def node_names(before: Drawing, after: Drawing) -> dict[str, str]:
    """Node before -> node after, by where the pins of common parts went: a drawing program numbers nodes anew
    when a part is added, and a pin that went elsewhere than most pins of its node was moved. A part that may
    be turned also speaks, more quietly, for its ends exchanged."""
    went: dict[str, Counter[str]] = defaultdict(Counter)
    for name, part in before.items():
        other = after.get(name)
        if other is not None and len(other.nodes) == len(part.nodes):
            for old, new in zip(part.nodes, other.nodes, strict=True):
                went[old][new] += 2
            if _turns(part):
                for old, new in zip(part.nodes, reversed(other.nodes), strict=True):
                    went[old][new] += 1
    return {
        old: old if old == "0" else max(counts, key=lambda new: (counts[new], new == old, new))
        for old, counts in went.items()
    }


def announced(
    changes: Collection[PartChange],
    intended: tuple[Mapping[str, float], Mapping[str, float]],
    drawn: Drawing,
    other_revision: bool,
    conceded: Collection[str] = (),
) -> list[PartChange]:
    """The changes, each with whether the board file announces it.

    ``intended``: values by name of part in lower case, before and after; ``drawn``: the parts after. A change
    is announced where the revision has another name and ``[intended]`` changed along: its entry is new or
    other and is what is drawn, or went with the part; or a concession that is new or other covers what is
    drawn (``conceded``: names in lower case). What ``[intended]`` cannot hold (connections, models,
    parameters, and what changed along with them inside of an instance) the name of the revision announces by
    itself.
    """
    told = []
    for change in changes:
        key = change.name.lower()
        old, new = (table.get(key) for table in intended)
        if not change.valued or (change.along and new is None):
            along = True
        elif change.how == "removed":
            along = old is not None and new is None
        else:
            along = key in conceded or (new is not None and new != old and same_value(new, drawn[key].value))
        told.append(replace(change, announced=along and other_revision))
    return told
