# SPDX-License-Identifier: GPL-3.0-or-later
"""Benches for the parts of a core, a module a kind; a kind that is not entered needs none."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from harness.alone.conditions import Conditions
from harness.alone.cores import charged, integrator, snapped
from harness.alone.subject import Bench, Refused
from harness.intent.cores import ChargedCore, IntegratorCore, SnappedCore

#: kind of core -> its benches
BENCHES: dict[str, Callable[[Conditions], Iterator[Bench | Refused]]] = {
    ChargedCore.kind: charged.benches,
    IntegratorCore.kind: integrator.benches,
    SnappedCore.kind: snapped.benches,
}
