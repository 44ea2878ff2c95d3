# SPDX-License-Identifier: GPL-3.0-or-later
"""A ramp shifted, scaled, turned over and folded to a triangle: closed forms against ngspice.

The circuits are those of netlists/networks/, with the op-amp and the diode of the library; what their closed
forms leave out (slew rate, diode drops) is measured and held between bounds.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from harness.alone.bench import Array
from harness.engine.session import session
from harness.netlist import read_netlist
from harness.predict.conditioning import folded, inverted, reset_glitch, scaling, shifted, triangle

SUPPLIES = ("Vs s 0 15", "Vn n 0 -15")
EXACT = ".options reltol=1e-9 abstol=1e-15 vntol=1e-10 gmin=1e-16 temp=25"
STEPS = ".options method=trap reltol=1e-4 trtol=0.5 abstol=1e-12 vntol=1e-7 temp=25"
PERIOD = 1e-3  # s
SLEW = 13e6  # V/s, of the op-amp model


def load(folder: Path, options: str, *lines: str) -> None:
    path = folder / "conditioning.cir"
    path.write_text("\n".join(["* conditioning", *SUPPLIES, *lines, ".end", ""]))
    session().load([options, *(line.text for line in read_netlist(path).deck())])


# --- shift and scale


@pytest.mark.parametrize("ramp", [-2.0, 0.0, 3.7])
@pytest.mark.parametrize("level", [-5.0, 1.5])
def test_inverted_and_shifted_ramps(tmp_path: Path, ramp: float, level: float) -> None:
    lines = ('.include "networks/ramp_shift.inc"', f"Vramp ramp 0 {ramp!r}", f"Vlevel level 0 {level!r}")
    values = "of_ramp=47k of_level=100k feedback=33k"
    load(tmp_path, EXACT, *lines, f"Xop ramp level out s n ramp_inverted {values}")
    expected = inverted(ramp, level, 47e3, 100e3, 33e3)
    assert session().operating_point()["out"] == pytest.approx(float(expected), abs=1e-4)
    values = "of_level=68k feedback=33k above=33k below=68k"
    load(tmp_path, EXACT, *lines, f"Xop ramp level out s n ramp_shifted {values}")
    expected = shifted(ramp, level, (33e3, 68e3), 68e3, 33e3)
    assert session().operating_point()["out"] == pytest.approx(float(expected), abs=1e-4)


def test_resistors_that_bring_a_ramp_where_it_is_wanted(tmp_path: Path) -> None:
    """0.5 V .. 5.5 V upside down to 4 V .. -4 V, with -5 V to shift by."""
    factor, shift = scaling(0.5, 5.5, 4.0, -4.0)
    assert factor == pytest.approx(-1.6)
    assert shift == pytest.approx(4.8)
    feedback = 48e3
    of_ramp, of_level = feedback / -factor, feedback * 5.0 / shift
    np.testing.assert_allclose(inverted(np.array([0.5, 5.5]), -5.0, of_ramp, of_level, feedback), [4.0, -4.0])
    values = f"of_ramp={float(of_ramp)!r} of_level={float(of_level)!r} feedback=48k"
    op = f"Xop ramp level out s n ramp_inverted {values}"
    lines = ('.include "networks/ramp_shift.inc"', "Vlevel level 0 -5", op)
    for ramp, wanted in ((0.5, 4.0), (5.5, -4.0)):
        load(tmp_path, EXACT, *lines, f"Vramp ramp 0 {ramp}")
        assert session().operating_point()["out"] == pytest.approx(wanted, abs=2e-4)


# --- the triangle


def test_fold_by_its_definition() -> None:
    found = triangle(-4.0, 6.0, 1.0)
    assert (found.bottom, found.at_low, found.at_high) == (1.0, 6.0, 6.0)
    assert found.mismatch == found.skew == 0.0
    lower = triangle(-4.0, 6.0, 0.5)
    assert lower.at_low == 5.0
    assert lower.mismatch == 1.0  # low + high - 2 fold
    assert lower.falling == pytest.approx(0.45)
    turned = np.linspace(-4.0, 6.0, 1001)
    wave = folded(turned, 0.5)
    assert np.argmin(wave) / 1000 == pytest.approx(0.45)
    assert wave.min() == pytest.approx(0.5)


def cycle(folder: Path, low: float, high: float, fold: float, reset: float) -> tuple[Array, Array, Array]:
    """Time from the beginning of the second sweep's reset (s), ramp and triangle, over that reset and the
    sweep after it."""
    sweep = PERIOD - reset
    pulse = f"pulse({low!r} {high!r} 0 {sweep!r} {reset!r} 1n {PERIOD + 1e-9!r})"
    load(
        folder, STEPS, '.include "networks/ramp_fold.inc"', f"Vfold fold 0 {fold!r}",
        f"Vramp ramp 0 {pulse}", "Xfold ramp fold out s n ramp_folded", "Rload out 0 10k",
    )  # fmt: skip
    wave = session().transient(1e-6, 2 * PERIOD, 1e-6, initial=False)
    begin = PERIOD + 1e-9 - reset
    kept = wave["time"] > begin
    return wave["time"][kept] - begin, wave["ramp"][kept], wave["out"][kept]


@pytest.mark.parametrize(("low", "high", "fold"), [(-5.0, 5.0, 0.0), (0.0, 8.0, 3.5)])
def test_folded_ramp_in_ngspice(tmp_path: Path, low: float, high: float, fold: float) -> None:
    """Ends and bottom of the triangle, the share of the sweep that it falls, and what is left at the fold
    itself."""
    reset = 10e-6
    time, ramp, out = cycle(tmp_path, low, high, fold, reset)
    expected = triangle(low, high, fold)
    settled = (time > reset + 5e-6) & (time < PERIOD)
    away = settled & (np.abs(ramp - fold) > 0.2)
    late = (high - low) / PERIOD * 0.5e-6  # V, behind a ramp: 4 and 2 x 2 times 1/(2 pi 3.5 MHz) are 0.4 us
    np.testing.assert_allclose(out[away], folded(ramp[away], fold), rtol=0, atol=late)
    near = settled & ~away
    assert np.max(np.abs(out[near] - folded(ramp[near], fold))) < 0.1  # the ramp moves on meanwhile
    bottom = time[settled][np.argmin(out[settled])]
    late_by = bottom - reset - float(expected.falling) * (PERIOD - reset)
    assert 0.0 < late_by < 5e-6  # the first op-amp crosses its two diode drops, hardly overdriven
    begins, ends = (float(np.interp(instant, time, out)) for instant in (reset + 5e-6, PERIOD - 1e-6))
    assert ends - begins == pytest.approx(float(expected.mismatch), abs=0.06)


def spike(folder: Path, reset: float) -> tuple[float, float]:
    """How far (V) the triangle goes down and up from its end while a ramp of +-5 V resets."""
    time, _, out = cycle(folder, -5.0, 5.0, 0.0, reset)
    near = out[time < 2 * reset + 2e-6]
    return float(out[0] - near.min()), float(near.max() - out[0])


@pytest.mark.parametrize(("reset", "least"), [(20e-6, 4.8), (2e-6, 3.0)])
def test_glitch_of_the_reset(tmp_path: Path, reset: float, least: float) -> None:
    """The glitch goes nearly all the way down where the reset is slow, less far where it takes some
    microseconds; never deeper than the ideal one, and hardly up."""
    ideal = float(reset_glitch(-5.0, 5.0, 0.0, reset))
    assert ideal == 5.0
    down, up = spike(tmp_path, reset)
    assert least < down < ideal
    assert up < 0.2


def test_a_quick_reset_leaves_a_spike_upwards(tmp_path: Path) -> None:
    """What goes straight to the second op-amp comes before what goes through the first one, so that for about
    a microsecond the reset itself is seen, upside down; downwards it keeps to what the slew rate lets it."""
    down, up = spike(tmp_path, 0.2e-6)
    assert down < float(reset_glitch(-5.0, 5.0, 0.0, 0.2e-6, SLEW)) == pytest.approx(1.3)
    assert 1.0 < up < 10.0


def test_the_glitch_lasts_about_as_long_as_a_slow_reset(tmp_path: Path) -> None:
    """At half its depth the ideal glitch is half as long as the reset: the folded line spends half of it
    there."""
    time, _, out = cycle(tmp_path, -5.0, 5.0, 0.0, 20e-6)
    below = (out < 2.5) & (time < 40e-6)
    assert time[below][-1] - time[below][0] == pytest.approx(10e-6, rel=0.1)
