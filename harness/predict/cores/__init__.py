# SPDX-License-Identifier: GPL-3.0-or-later
"""The kinds of ramp core that the prediction knows, a module each.

A module holds a ``CoreKind`` called ``KIND`` and is entered here. What it may name in ``[core]`` stands in
`harness.intent.cores`, its benches in `harness.alone.cores`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.predict.cores import charged, integrator, snapped, source
from harness.predict.cores.kind import CoreKind
from harness.predict.effects import ALWAYS, Effect

if TYPE_CHECKING:
    from harness.predict.drawn import Drawn

KINDS: dict[str, CoreKind] = {
    kind.name: kind for kind in (source.KIND, charged.KIND, snapped.KIND, integrator.KIND)
}

#: every effect that any board may have
ALL_EFFECTS: tuple[Effect, ...] = tuple(
    dict.fromkeys((*ALWAYS, *(effect for kind in KINDS.values() for effect in kind.effects)))
)


def kind_of(drawn: Drawn) -> CoreKind | None:
    """The kind of a board's core; None where the board file states none."""
    return None if drawn.board.core is None else KINDS[drawn.board.core.kind]
