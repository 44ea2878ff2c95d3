# SPDX-License-Identifier: GPL-3.0-or-later
"""Why a corner is in its state, in words, and how such words are gathered."""

from __future__ import annotations

import pandas as pd

from harness.engine.steps import PILOT
from harness.report.tables import in_state
from harness.simulate import CornerResult
from harness.states import reason_of, state_of

FINER = "a finer run failed"


def test_out_of_range_says_how_far_beyond_before_how_the_run_went() -> None:
    result = CornerResult("c001", "pulsing", notes=(FINER,))
    result.figures = {"headroom": -0.9, "floor_room": 0.4}
    result.bars = {"headroom": 1e-3}
    assert state_of(result) == "out of range"
    assert reason_of(result) == (
        f"the comparator's inputs reach 900 mV above the upper common-mode limit; {FINER}"
    )


def test_both_limits_can_be_passed() -> None:
    result = CornerResult("c001", "stuck low")
    result.figures = {"headroom": -1.0, "floor_room": -0.25}
    assert reason_of(result).count("common-mode limit") == 2


def test_what_the_output_does_is_told() -> None:
    result = CornerResult("c001", "chatter", notes=(FINER,), words={"note": "3 rising edges"})
    assert (state_of(result), reason_of(result)) == ("chatter", f"3 rising edges; {FINER}")


def test_a_corner_without_result_keeps_the_words_of_the_engine() -> None:
    result = CornerResult("c001", "not simulated", reason="too slow", words={"note": "3 rising edges"})
    result.figures = {"headroom": -1.0}
    assert (state_of(result), reason_of(result)) == ("not simulated", "too slow")


def test_a_pilot_run_is_no_reason() -> None:
    assert reason_of(CornerResult("c001", "pulsing", notes=(PILOT, FINER))) == FINER


def test_nothing_to_say() -> None:
    assert reason_of(CornerResult("c001", "pulsing")) == ""


def test_reasons_that_differ_in_figures_alone_go_together() -> None:
    rows = pd.DataFrame(
        {
            "corner": ["c001", "c002", "c003", "c004"],
            "state": ["no ramp", "no ramp", "pulsing", "no ramp"],
            "reason": ["it stays at 2.5 V", "it stays at -300 mV", "", "it moves"],
        }
    )
    assert list(in_state(rows, "no ramp")) == [
        (["c004"], "it moves"),
        (["c001", "c002"], "c001: it stays at 2.5 V"),
    ]


def test_a_table_without_reasons() -> None:
    rows = pd.DataFrame({"corner": ["c001", "c002"], "state": ["chatter", "chatter"]})
    assert list(in_state(rows, "chatter")) == [(["c001", "c002"], "")]
