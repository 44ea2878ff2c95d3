# SPDX-License-Identifier: GPL-3.0-or-later
"""Curves of an output that drives both ways: held at each voltage, and led there over a resistor."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from harness.alone import driven
from harness.alone.bench import PartAlone
from harness.alone.comparator import Pins, Surroundings
from harness.engine.errors import EngineError
from harness.engine.session import session
from harness.netlist import read_netlist

NETLIST = """\
An output of 50 Ohm that gives no more than 30 mA and stops 1.5 V before its rails
.subckt known plus minus supply negative output
Rin plus minus 1meg
Bwish w negative V = v(plus) > v(minus) ? v(supply,negative) - 1.5 : 1.5
Rwish w negative 1meg
Bout output negative I = 30m*tanh((v(output,negative) - v(w,negative))/50/30m)
Rsupply supply negative 10k
.ends
Vp vp 0 12
Vn vn 0 -12
Va a 0 1
Xknown a 0 vp vn out known
Rload out 0 100k
.end
"""
RAILS, SPAN = (-12.0, 12.0), 24.0


def curves(folder: Path) -> tuple[np.ndarray, np.ndarray]:
    path = folder / "known.cir"
    path.write_text(NETLIST, encoding="utf-8")
    part = PartAlone.of(read_netlist(path), "Xknown")
    pins = Pins("a", "0", "out", {"vp": 12.0, "vn": -12.0})
    where = Surroundings(0.0, 0.0, 1e5, 25.0)
    try:
        return driven.curves(session(), part, pins, where, False, RAILS, SPAN)
    finally:
        session().unload()


def test_an_output_that_cannot_be_held_is_led(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both ways, against the formula of the model; the led curve between points of its sweep."""
    away = np.concatenate(driven.knots(SPAN))
    expected = 30e-3 * np.tanh((away - 1.5) / 50 / 30e-3)
    held = curves(tmp_path)

    def refuses(*_: object) -> np.ndarray:
        raise EngineError(["timestep too small"])

    monkeypatch.setattr(driven, "_forced", refuses)
    led = curves(tmp_path)
    for low, high in (held, led):
        assert low == pytest.approx(expected, abs=3e-6)
        assert high == pytest.approx(-expected[::-1], abs=3e-6)
