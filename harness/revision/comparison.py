# SPDX-License-Identifier: GPL-3.0-or-later
"""Two sides compared: parts, board file, corners, quantities, limits; and whether the later one is worse."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from harness.conceded import within_share
from harness.report import rounding
from harness.revision import joined as corners
from harness.revision import shifts, standing
from harness.revision.facts import FactChange, conceded_share, fact_changes
from harness.revision.joined import Joined, join
from harness.revision.judged_facts import with_directions
from harness.revision.kept import Kept
from harness.revision.parts import RENAMED, PartChange, announced, part_changes, same_value
from harness.revision.side import Side, checked_parts
from harness.writing import place_from

COLUMNS = [
    "kind", "name", "corner", "before", "after", "predicted_change", "simulated_change", "bar", "verdict",
]  # fmt: skip
_FORMULAS = ("hand.", "given.")


@dataclass(frozen=True)
class Comparison:
    """Everything that differs between two sides.

    ``slips``: parts that are newly drawn otherwise than intended; ``shifts``: columns of
    :data:`shifts.COLUMNS`; ``limits``, ``agreements``: of :data:`standing.COLUMNS`. In all three ``row`` is a
    row of ``joined.table``. ``lacking``: what could not be compared, in sentences; ``remarks``: what else a
    reader has to know, versions above all.
    """

    before: Side
    after: Side
    parts: tuple[PartChange, ...]
    slips: tuple[str, ...]
    facts: tuple[FactChange, ...]
    joined: Joined
    shifts: pd.DataFrame
    limits: pd.DataFrame
    agreements: pd.DataFrame
    lacking: tuple[str, ...]
    remarks: tuple[str, ...]

    def corners_that(self, *verdicts: str) -> int:
        """How many corners have one of these verdicts."""
        return int(self.joined.table["verdict"].isin(verdicts).sum())

    @cached_property
    def moved(self) -> pd.DataFrame:
        """Shifts beyond the bars, figures that came or went, and those whose bar is not known."""
        return self.shifts[self.shifts["verdict"] != shifts.UNMOVED]

    @cached_property
    def unseen(self) -> pd.DataFrame:
        """Shifts that were predicted and do not show."""
        return self.shifts[shifts.unseen(self.shifts)]

    @cached_property
    def nothing_changed(self) -> bool:
        """No part, key of the board file, corner, figure or word of a verdict differs, and all was there to
        be compared."""
        tables = (self.moved, self.limits, self.agreements)
        told = any((self.parts, self.facts, self.slips)) or any(len(table) for table in tables)
        return not told and not (self.joined.table["verdict"] != "").any()

    @cached_property
    def worse(self) -> tuple[str, ...]:
        """The reasons for exit code 1: a part changed unannounced, a corner is missing, or the later side is
        worse. Empty where there is none."""
        silent = sum(not part.announced for part in self.parts if part.stands_alone)
        reasons = [f"{rounding.count(silent, 'part')} changed unannounced"] if silent else []
        if self.slips:
            reasons.append(f"newly not drawn as intended: {', '.join(self.slips)}")
        for verdict, words in (
            (corners.MISSING, "missing"),
            (corners.NOT_SIMULATED, "not simulated"),
            (corners.WORSE_STATE, "in a worse state"),
        ):
            if number := self.corners_that(verdict):
                reasons.append(f"{rounding.count(number, 'corner')} {words}")
        for table, worse in (
            (self.limits, standing.WORSE_LIMITS),
            (self.agreements, standing.WORSE_AGREEMENTS),
        ):
            for verdict, rows in table[table["verdict"].isin(worse)].groupby("verdict", sort=False):
                names = rounding.listed(list(dict.fromkeys(rows["name"])), 3)
                where = rounding.count(rows["row"].nunique(), "corner")
                reasons.append(f"{verdict} in {where}: {names}")
        return tuple(reasons)

    def table(self) -> pd.DataFrame:
        """The content of compare.csv."""
        rows: list[tuple[Any, ...]] = []
        for part in self.parts:
            rows.append(("part", part.name, "", part.before, part.after, None, None, None, part.verdict))
        for fact in self.facts:
            rows.append((fact.kind, fact.key, "", fact.before, fact.after, None, None, None, fact.how))
        names = self.joined.table["corner"].to_numpy()
        for each in self.shifts.itertuples():
            rows.append(
                (
                    "quantity", each.name, names[each.row], each.before, each.after, each.predicted_change,
                    each.simulated_change, each.bar, each.verdict,
                )
            )  # fmt: skip
        for kind, table in (("quantity", self.agreements), ("limit", self.limits)):
            for each in table.itertuples():
                name = each.name if kind == "limit" else f"{each.name}.agreement"
                rows.append(
                    (kind, name, names[each.row], each.before, each.after, None, None, None, each.verdict)
                )
        for row, each in enumerate(self.joined.table.itertuples()):
            if each.verdict:
                place = self.joined.places[row] or each.corner
                states = (each.state_before, each.state_after)
                rows.append(("corner", place, each.corner, *states, None, None, None, each.verdict))
        return pd.DataFrame(rows, columns=COLUMNS)


def compare(before: Side, after: Side) -> Comparison:
    """All that differs between two sides."""
    lacking = list(_lacking(before, after))
    parts, slips, facts = _drawings(before, after)
    side_by_side = join(before, after)
    told = before.kept is not None and after.kept is not None
    formulas_stand = told and not any(fact.key.startswith(_FORMULAS) for fact in facts)
    return Comparison(
        before=before,
        after=after,
        parts=tuple(parts),
        slips=tuple(slips),
        facts=tuple(facts),
        joined=side_by_side,
        shifts=shifts.shifts_of(before, after, side_by_side, formulas_stand),
        limits=standing.limit_changes(before, after, side_by_side),
        agreements=standing.agreement_changes(before, after, side_by_side),
        lacking=tuple(lacking),
        remarks=(*_versions(before, after), *side_by_side.remarks, *_runs(before, after)),
    )


def _drawings(before: Side, after: Side) -> tuple[list[PartChange], list[str], list[FactChange]]:
    """Parts, parts newly not drawn as intended, keys of the board file; as far as both sides hold them."""
    old, new = before.kept, after.kept
    if old is None or new is None:
        first, last = checked_parts(before), checked_parts(after)
        common = [name for name in first if name in last]
        pair = ({name: side[name] for name in common} for side in (first, last))
        return part_changes(*pair), [], []
    revised = before.revision != after.revision
    fresh = dict(_conceded(new).items() - _conceded(old).items())
    intended = (old.intended, new.intended)
    changes = announced(part_changes(old.parts, new.parts), intended, new.parts, revised, fresh)
    told = {f"intended.{change.name}".lower() for change in changes if change.announced}
    told |= set(_renamed_along(changes, old, new))
    facts = [
        fact
        for fact in with_directions(fact_changes(old.facts, new.facts), old, new)
        if fact.key.lower() not in told
    ]
    slips = [
        new.parts[name].name if name in new.parts else _as_written(new, name)
        for name in _slips(new)
        if name not in _slips(old)
    ]
    return changes, slips, facts


def _renamed_along(changes: Sequence[PartChange], old: Kept, new: Kept) -> Iterator[str]:
    """Keys of ``[intended]`` in lower case that a renamed part took along as they were."""
    facts = [{key.lower(): text for key, text in side.facts.items()} for side in (old, new)]
    for change in changes:
        keys = [f"intended.{name}".lower() for name in (change.before, change.after)]
        if change.how == RENAMED and facts[0].get(keys[0]) == facts[1].get(keys[1]):
            yield from keys


def _slips(kept: Kept) -> list[str]:
    """Parts in lower case that are not drawn as intended, without those that a concession covers."""
    found = []
    for name, value in kept.intended.items():
        part = kept.parts.get(name)
        off = part is None or (part.value is not None and not same_value(value, part.value))
        if off and name not in _conceded(kept):
            found.append(name)
    return found


def _conceded(kept: Kept) -> dict[str, str]:
    """Name in lower case -> entry of ``[concession]`` of each part whose drawn value it covers."""
    found = {}
    for key, text in kept.facts.items():
        name = key.removeprefix("concession.").lower()
        part = kept.parts.get(name)
        if not key.startswith("concession.") or name not in kept.intended:
            continue
        if part and part.value and within_share(part.value, kept.intended[name], conceded_share(text)):
            found[name] = text
    return found


def _as_written(kept: Kept, name: str) -> str:
    """A part that is not drawn, as the board file writes it."""
    keys = (key.removeprefix("intended.") for key in kept.facts if key.startswith("intended."))
    return next((key for key in keys if key.lower() == name), name)


def _lacking(before: Side, after: Side) -> Iterator[str]:
    old = [side.label for side in (before, after) if side.kept is None]
    if old:
        yield (
            f"{' and '.join(old)}: written by an earlier version of ramp-harness, without drawing.json; parts"
            " are compared by the four digits of check.csv. Parts that came or went, connections, models and"
            " the board file could not be compared: run it again"
        )


def _versions(before: Side, after: Side) -> Iterator[str]:
    """Engine and tool, where they differ, with both."""
    pair = [dict(side.run.get("versions", {})) for side in (before, after)]
    for key, name in (("engine", "Engine"), ("ramp-harness", "ramp-harness")):
        old, new = (str(versions.get(key, "not stated")) for versions in pair)
        if old != new:
            yield f"{name}: {old} before, {new} after; a change may come from that"


def _runs(before: Side, after: Side) -> Iterator[str]:
    """Boards of two names, runs of a part of the corners, and two accuracies."""
    if before.board != after.board:
        yield f"two boards of different names: {before.board} and {after.board}"
    elif places := _places_of_a_reference(before, after):
        yield (
            f"of the board file {places[0]} before, of {places[1]} after: a reference is named after its"
            " board, so if these are two boards, give each a name of its own"
        )
    first, last = (int(side.run.get("left_out", 0) or 0) for side in (before, after))
    told = [(f"{before.label} (before) was", first), (f"{after.label} (after) was", last)]
    for words, number in [("both sides were", first)] if first == last else told:
        if number:
            yield f"{words} run without {rounding.count(number, 'corner')} of the table"
    old, new = (_accuracy(side.run) for side in (before, after))
    if old != new:
        yield f"accuracy asked for: {old} before, {new} after"


def _places_of_a_reference(before: Side, after: Side) -> tuple[str, str] | None:
    """Where both board files lie, where one side is a reference and they are not the same one."""
    one_is = any("commit" in side.run for side in (before, after))
    if not one_is or before.file is None or after.file is None:
        return None
    if before.file.resolve() == after.file.resolve():
        return None
    return place_from(Path(), before.file), place_from(Path(), after.file)


def _accuracy(run: Mapping[str, Any]) -> str:
    value = dict(run.get("settings", {})).get("accuracy")
    return "not stated" if value is None else f"{value:g}"
