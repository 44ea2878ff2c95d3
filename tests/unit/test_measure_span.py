# SPDX-License-Identifier: GPL-3.0-or-later
"""A cycle is cut out of a record once; what may change in between is cut anew."""

from __future__ import annotations

import numpy as np
import pytest

from harness.measure.window import cut


def record(fixed: bool) -> tuple[np.ndarray, np.ndarray]:
    time = np.array([0.0, 1.0, 2.5, 4.0, 5.0])
    wave = np.array([0.0, 2.0, -1.0, 5.0, 3.0])
    for array in (time, wave):
        array.flags.writeable = not fixed
    return time, wave


@pytest.mark.parametrize("fixed", [True, False])
def test_pieces_are_those_of_straight_lines(fixed: bool) -> None:
    """Worked by hand: 1.0 V at 0.5 s, 3.0 V at 3.5 s."""
    for _ in range(2):
        instants, piece = cut(record(fixed)[0], 0.5, 3.5, record(fixed)[1])
        assert instants.tolist() == [0.5, 1.0, 2.5, 3.5]
        assert piece.tolist() == [1.0, 2.0, -1.0, 3.0]


def test_what_cannot_change_is_cut_once() -> None:
    time, wave = record(fixed=True)
    first, again = cut(time, 0.5, 3.5, wave), cut(time, 0.5, 3.5, wave)
    assert all(one is other for one, other in zip(first, again, strict=True))
    with pytest.raises(ValueError, match="read-only"):
        first[1][0] = 7.0
    assert cut(time, 0.5, 3.0, wave)[1].tolist() == [1.0, 2.0, -1.0, 1.0]


def test_what_may_change_is_cut_anew() -> None:
    time, wave = record(fixed=False)
    before = cut(time, 0.5, 3.5, wave)[1].tolist()
    wave[1], time[2] = 4.0, 2.0
    assert cut(time, 0.5, 3.5, wave)[1].tolist() == [2.0, 4.0, -1.0, 3.5] != before
    steady, moving = record(fixed=True)[0], record(fixed=False)[1]
    cut(steady, 0.5, 3.5, moving)
    moving[1] = np.nan
    with pytest.raises(ValueError, match="not finite"):
        cut(steady, 0.5, 3.5, moving)
