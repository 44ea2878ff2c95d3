# SPDX-License-Identifier: GPL-3.0-or-later
"""One corner: figures of the settled cycle, each with a computed error bar.

Runs a decade apart in *every* limit (engine tolerances, longest step, growth after an event, step at an
event) give a best value and a bar; a decade finer follows until the bar is as small as asked for. The
engine's default step control is never used: on switch-reset cores it is wrong by up to 0.3 in duty, without
a word.

Where a setting aborts, the next of this ladder is used and named in the result: charge tolerance 1e-14,
1e-12, 1e-11; the same from a cold start; uniform steps (Gear, reltol 1e-6, period/1000) with bars of at
least 5e-3. Uniform steps also take a ramp that ripples, whose cycles steered runs cannot tell.
"""

from __future__ import annotations

import math

from harness.engine.decades import FEWEST, Decades
from harness.engine.errors import Rippled
from harness.engine.plan import Figures, Measure, NoCycle, Plan, Record, Settled, in_words, load, too_small
from harness.engine.scout import cross_check, driven, scout, uniform
from harness.engine.session import EngineDead, EngineError, Session

__all__ = [
    "PILOT",
    "Figures",
    "Measure",
    "NoCycle",
    "Plan",
    "Record",
    "Settled",
    "load",
    "settle",
    "too_small",
]

PILOT = "nothing was known of the cycle; a pilot run found it"
CAREFUL = 200  # steps a period at least, where larger ones lost a cycle


def settle(session: Session, plan: Plan, measure: Measure) -> Settled:
    """Figures of the settled cycle of one corner.

    ``measure(record, begin, end)`` gives the figures of the cycle between two instants (s) of a record of
    node voltages. Raises NoCycle where the ramp does not oscillate, EngineError where the engine could not
    run, with its own words.
    """
    notes: list[str] = []
    hinted = math.isfinite(plan.period) and math.isfinite(plan.ramp_level)
    try:
        if not hinted and (read := driven(session, plan)):
            plan, hinted = read, True
        if hinted:
            try:
                return _steered(session, plan, measure, notes)
            except NoCycle as error:  # a hint may have been wrong
                notes.append(f"no cycle where it was expected ({error}); a pilot run found it")
        else:
            notes.append(PILOT)
        plan = scout(session, plan)
        try:
            return _steered(session, plan, measure, notes, scouted=True)
        except (
            NoCycle
        ) as error:  # yet a run in small steps has seen one: large ones may fall into a rest state
            notes.append(f"a cycle was seen and then lost ({error}); no step longer than period/{CAREFUL}")
            return _steered(session, plan, measure, notes, scouted=True, fewest=CAREFUL)
    except EngineDead:
        raise
    except Rippled as error:
        return uniform(session, plan, measure, [*notes, str(error)])
    except EngineError as error:
        if not too_small(error) or not math.isfinite(plan.period):
            raise
        return uniform(session, plan, measure, [*notes, f"steered steps failed: {in_words(error)}"])


def _steered(
    session: Session,
    plan: Plan,
    measure: Measure,
    notes: list[str],
    scouted: bool = False,
    fewest: int = FEWEST,
) -> Settled:
    decades = Decades(session, plan, measure, notes, scouted=scouted, fewest=fewest)
    settled = decades.run()
    if settled.unread:
        cross_check(session, plan, measure, settled, decades.start)
    return settled
