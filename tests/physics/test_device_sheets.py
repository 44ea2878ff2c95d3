# SPDX-License-Identifier: GPL-3.0-or-later
"""Every device model of the package, measured alone in ngspice, against the published figures of its class.

Figures, documents and places lie in shared/devices/; the benches are those of ``ramp-harness parts``.
"""

from __future__ import annotations

import pytest

from harness.engine.session import session
from harness.parts import Subject, rows_of
from harness.parts.rows import BAD, NOT_MEASURED
from harness.sheets import models, read_sheet


@pytest.mark.parametrize("model", models())
def test_model_meets_every_figure_of_its_class(model: str) -> None:
    sheet = read_sheet(model)
    rows = list(rows_of(sheet, Subject.of(sheet, session())))
    assert len(rows) == len(sheet.figures)
    assert [row for row in rows if row.verdict in BAD] == []
    assert sum(row.verdict != NOT_MEASURED for row in rows) >= 0.6 * len(rows)


@pytest.mark.parametrize("model", models())
def test_what_is_not_measured_says_why(model: str) -> None:
    for figure in read_sheet(model).figures.values():
        assert bool(figure.bench) != bool(figure.not_measured), figure.name
