# SPDX-License-Identifier: GPL-3.0-or-later
"""Two random circuits of each family: truth inside the bars. The whole study is a benchmark.

Sources: each family's own equations, solved in closed form or by scipy with event location; for whole
transistor models two step strategies and two integration methods of the engine that agree.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
from families import FAMILIES
from families.study import Job, run_job
from families.summary import TIMING

SAMPLE = 2  # a study of its own, neither that of the tuning nor that of the confirmation
WHOLE_MODELS = ("real_slicer", "real_core")


@pytest.mark.parametrize("family", FAMILIES)
def test_truth_inside_the_bars(family: str) -> None:
    """Duty and frequency, and levels where they are known, at 1e-5 of the period."""
    for number in range(1 if family in WHOLE_MODELS else 2):
        row = run_job(Job(family, SAMPLE, number, (1e-5,)))
        assert not row.left_out
        answer = row.answers[1e-5]
        assert answer.gave_figures, answer.reason
        assert answer.reached
        outside = [name for name in answer.errors if not answer.inside(name)]
        assert not outside, {name: (answer.errors[name], answer.bars[name]) for name in outside}
        assert set(TIMING) <= set(answer.errors)
