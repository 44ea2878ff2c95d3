# SPDX-License-Identifier: GPL-3.0-or-later
"""Two drawings part by part: what was added, removed, changed, and whether the board file says so, too."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace

from harness.revision.drawn import DRIVEN, SAME, DrawnPart, inside
from harness.revision.nodes import Nodes, may_be_turned, nodes_of

Drawing = Mapping[str, DrawnPart]
FINEST = 12  # digits with which two values are written apart
RENAMED = "renamed"


@dataclass(frozen=True)
class PartChange:
    """What became of one part: ``how`` is ``added``, ``removed``, ``changed`` or ``renamed``; ``before`` and
    ``after`` say what differs, in words, of a renamed one both names. ``valued``: its value changed, came or
    went. ``along``: the instance that it lies in, where parameters of that changed, too. ``announced``: the
    board file says the same, under another revision."""

    name: str
    how: str
    before: str
    after: str
    valued: bool
    along: str = ""
    announced: bool = False

    @property
    def verdict(self) -> str:
        """``changed, unannounced``; a new name alone changes no circuit and needs no announcement."""
        if self.how == RENAMED:
            return RENAMED
        return f"{self.how}, {'announced' if self.announced else 'unannounced'}"

    @property
    def stands_alone(self) -> bool:
        """Whether it is a change of the circuit by itself, and no consequence of another one."""
        return self.how != RENAMED and not self.along

    @property
    def words(self) -> str:
        """``Rknob: 68 kOhm before, 86 kOhm after (changed, unannounced)``."""
        what = " to ".join(text for text in (self.before, self.after) if text)
        return f"{self.name}: {what} ({self.verdict}{f', along with {self.along}' if self.along else ''})"


def part_changes(before: Drawing, after: Drawing) -> list[PartChange]:
    """Every part that differs, in the order of the drawings. Parts inside an instance that came, went or
    has another subcircuit are not told one by one; a node that only has another name is no change, and a part
    that only has another name is told as ``renamed``."""
    new_names = _renamed(before, after)
    found = [
        PartChange(after[new].name, RENAMED, before[old].name, after[new].name, False)
        for old, new in new_names.items()
    ]
    before = _under_new_names(before, new_names)
    nodes = nodes_of(before, after)
    gone, common, come = _told(before, after)
    for name in gone:
        part = before[name]
        found.append(PartChange(part.name, "removed", part.words(), "", part.value is not None))
    for name in common:
        found += _changed(name, before[name], after[name], nodes, _set_anew(name, before, after))
    for name in come:
        part = after[name]
        found.append(PartChange(part.name, "added", "", part.words(), part.value is not None))
    return found


def _told(before: Drawing, after: Drawing) -> tuple[list[str], list[str], list[str]]:
    """Names of the parts that went, are in both, and came, without those inside an instance that is told as a
    whole."""
    common = [name for name in before if name in after]
    replaced = {name for name in common if before[name].model != after[name].model}
    come, gone = ([n for n in one if n not in other] for one, other in ((after, before), (before, after)))
    silent = {*replaced, *come, *gone}
    first, second, third = ([n for n in names if not inside(n, silent)] for names in (gone, common, come))
    return first, second, third


def _renamed(before: Drawing, after: Drawing) -> dict[str, str]:
    """Name before -> name after of each part that went while one of the same kind, value, nodes, model and
    parameters came in the same circuit. Of several alike, such as two in parallel, the first goes with the
    first."""
    nodes = nodes_of(before, after)
    gone, _, come = _told(before, after)
    left = [name for name in come if not name.startswith(".")]
    found = {}
    for old in gone:
        for new in left:
            alike = _kind(old) == _kind(new) and before[old].text == after[new].text
            if alike and not any(_differences(new, before[old], after[new], nodes)):
                found[old] = new
                left.remove(new)
                break
    return found


def _kind(name: str) -> tuple[str, str]:
    """The circuit that a part lies in, and the letter of its kind."""
    around, _, own = name.rpartition(".")
    return around, own[:1]


def _under_new_names(drawing: Drawing, new_names: Mapping[str, str]) -> Drawing:
    """A drawing with parts under other names, and with them what lies inside of an instance."""
    if not new_names:
        return drawing

    def put(name: str) -> str:
        pieces = name.split(".")
        for count in range(len(pieces), 0, -1):
            if new := new_names.get(".".join(pieces[:count])):
                return ".".join([new, *pieces[count:]])
        return name

    return {
        put(name): replace(part, nodes=tuple(put(node) for node in part.nodes))
        for name, part in drawing.items()
    }


def _set_anew(name: str, before: Drawing, after: Drawing) -> str:
    """The outermost instance around a part that has other parameters after than before; "" without one."""
    pieces = name.split(".")
    around = (".".join(pieces[:count]) for count in range(1, len(pieces)))
    both = (one for one in around if one in before and one in after)
    return next((after[one].name for one in both if before[one].parameters != after[one].parameters), "")


def _changed(
    name: str, before: DrawnPart, after: DrawnPart, nodes: Nodes, set_anew: str
) -> Iterator[PartChange]:
    pairs = list(_differences(name, before, after, nodes))
    if pairs:
        old, new = ("; ".join(pair[side] for pair in pairs) for side in (0, 1))
        valued = not same_value(before.value, after.value)
        same_place = not any(each.startswith(("nodes ", "model ")) for each, _ in pairs)
        yield PartChange(after.name, "changed", old, new, valued, set_anew if same_place else "")


def _differences(name: str, before: DrawnPart, after: DrawnPart, nodes: Nodes) -> Iterator[tuple[str, str]]:
    """What differs of one part, before and after, in words."""
    driven = before.text.startswith(DRIVEN) and after.text.startswith(DRIVEN)  # by whatever name
    if not driven and (before.text != after.text or not same_value(before.value, after.value)):
        yield apart(before, after)
    if before.model != after.model:
        yield (f"model {before.model or 'none'}", f"model {after.model or 'none'}")
    turned = may_be_turned(before) and nodes.same(name, before.nodes, after.nodes[::-1])
    if not turned and not nodes.same(name, before.nodes, after.nodes):
        yield (f"nodes {' '.join(before.nodes)}", f"nodes {' '.join(after.nodes)}")
    for key in sorted({*before.parameters, *after.parameters}):
        old, new = (part.parameters.get(key, "not given") for part in (before, after))
        if old != new:
            yield (
                f"{key}={old}" if old != "not given" else f"{key} {old}",
                f"{key}={new}" if new != "not given" else f"{key} {new}",
            )


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
        if change.how == RENAMED:
            told.append(change)
            continue
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
