# SPDX-License-Identifier: GPL-3.0-or-later
"""Keys of a board file that a change may loosen: limits and tolerances, and in which direction they went."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace

from harness.board import Limit
from harness.revision.facts import FactChange
from harness.revision.kept import Kept

LOOSENED, TIGHTENED = "loosened", "tightened"


def with_directions(changes: Iterable[FactChange], before: Kept, after: Kept) -> Iterator[FactChange]:
    """The changes; where a limit was only moved outwards or inwards, or a tolerance widened or narrowed, with
    that word."""
    for change in changes:
        table, _, name = change.key.partition(".")
        word = ""
        if change.how == "changed" and table == "limits":
            word = _limit(before.limits[name], after.limits[name])
        elif change.how == "changed" and table == "tolerance":
            word = _tolerance(change.before, change.after)
        yield replace(change, how=word) if word else change


def _limit(before: Limit, after: Limit) -> str:
    """Whether what is allowed grew or shrank at both its ends; "" for one of each."""
    least, most = (
        [-math.inf if limit.least is None else limit.least for limit in (before, after)],
        [math.inf if limit.most is None else limit.most for limit in (before, after)],
    )
    outwards, inwards = (
        least[1] <= least[0] and most[1] >= most[0],
        least[1] >= least[0] and most[1] <= most[0],
    )
    return LOOSENED if outwards else TIGHTENED if inwards else ""


def _tolerance(before: str, after: str) -> str:
    """The same for two tolerances of one scale."""
    (old, _, old_scale), (new, _, new_scale) = (text.partition(" of ") for text in (before, after))
    if old_scale != new_scale:
        return ""
    return LOOSENED if float(new) > float(old) else TIGHTENED
