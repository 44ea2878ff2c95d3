# SPDX-License-Identifier: GPL-3.0-or-later
"""All figures of a made-up board in one go, and whole cycles of a record with their drift."""

from __future__ import annotations

from dataclasses import replace
from math import isnan, log10, nan

import numpy as np
import pytest

from harness.measure import Probes, measure_cycle, settled_cycles
from harness.quantities import is_stem

PULLUP, LOAD, SUPPLY, RAIL, LOW = 3300.0, 33000.0, 15.0, 8.0, 0.15
HIGH = RAIL * LOAD / (PULLUP + LOAD)

PROBES = Probes(
    ramp="ramp", threshold="thr", output="out", plus="thr", minus="ramp", supply_node="vcc", class_="393",
    pullup_current="@rpull[i]", pullup_nodes=("rail", "out"), sink_current="-isink",
    supplies={"rail": "vrail#branch"},
)  # fmt: skip


def board(threshold: float, cycles: int = 3, period: float = 1e-3) -> dict[str, np.ndarray]:
    """A saw from 0.5 V to 7.5 V without reset time, sliced; output high below the threshold, edges of T/1000.

    Mid-levels of the edges lie where the ramp starts and where it passes the threshold.
    """
    width = float(np.clip((threshold - 0.5) / 7, 0, 1))
    one = np.array([0.0, 5e-4, width - 5e-4, width, width + 5e-4, 1 - 5e-4, 1.0])
    states = np.array([0.5, 1.0, 1.0, 0.5, 0.0, 0.0, 0.5])
    ramp = 0.5 + 7 * one
    if not 0 < width < 1:
        one, ramp = np.array([0.0, 1.0]), np.array([0.5, 7.5])
        states = np.full(2, width)
    time = period * np.concatenate([k + one for k in range(cycles)])
    output = np.tile(LOW + (HIGH - LOW) * states, cycles)
    current = (RAIL - output) / PULLUP
    return {
        "time": time,
        "ramp": np.tile(ramp, cycles),
        "thr": np.full(len(time), threshold),
        "out": output,
        "vcc": np.full(len(time), SUPPLY),
        "rail": np.full(len(time), RAIL),
        "@rpull[i]": -current,
        "vrail#branch": -current,
        "isink": output / LOAD - current,
    }


@pytest.mark.parametrize("begin", [0.0, 0.1, 0.3, 0.99])
def test_every_figure_of_a_pulsing_cycle(begin):
    """Expected figures by hand from the wave's own shape; D = (3 - 0.5) / 7."""
    record, duty, edge = board(3.0), 2.5 / 7, 1e-3
    figures = measure_cycle(record, begin * 1e-3, (begin + 1) * 1e-3, PROBES, temperature=25.0)
    swing = HIGH - LOW
    low_current, high_current = (RAIL - LOW) / PULLUP, (RAIL - HIGH) / PULLUP
    ac_rms = swing * np.sqrt(duty * (1 - duty) - edge / 3)  # each edge lacks a sixth of itself of the square
    expected = {
        "frequency": 1e3,
        "duty": duty,
        "threshold": 3.0,
        "ramp_low": 0.5,
        "ramp_high": 7.5,
        "low_level": LOW,
        "high_level": HIGH,
        "rise_time": 0.8e-6,
        "fall_time": 0.8e-6,
        "pullup_current": low_current,
        "pullup_current_mean": high_current * duty + low_current * (1 - duty),
        "pullup_power": PULLUP * (high_current**2 * duty + low_current**2 * (1 - duty)),
        "sink_current": low_current - LOW / LOAD,
        "headroom": SUPPLY - 1.5 - 3.0,
        "floor_room": 0.5 + 0.3,
        "mean_level": LOW + swing * duty,
        "ac_rms": ac_rms,
        "level_vs_square": 20 * log10(2 * ac_rms / swing),
        "supply_current_rail": high_current * duty + low_current * (1 - duty),
        "supply_current_rail_peak": low_current,
    }
    loose = {"pullup_power": 2e-3}
    for stem, figure in expected.items():
        assert figures[stem] == pytest.approx(figure, rel=loose.get(stem, 1e-6)), stem
    assert isnan(figures["threshold_return"])
    words = {name: figures.pop(name) for name in ("state", "level_method", "threshold_method", "note")}
    assert words == {"state": "pulsing", "level_method": "mode", "threshold_method": "crossing", "note": ""}
    assert all(is_stem(name) for name in figures)


@pytest.mark.parametrize(
    ("threshold", "state", "level"), [(0.3, "stuck low", LOW), (8.0, "stuck high", HIGH)]
)
def test_a_stuck_output_keeps_the_figures_that_it_has(threshold, state, level):
    figures = measure_cycle(board(threshold), 0.1e-3, 1.1e-3, PROBES)
    assert figures["state"] == state
    assert figures["frequency"] == pytest.approx(1e3)
    assert (figures["ramp_low"], figures["ramp_high"]) == pytest.approx((0.5, 7.5))
    assert (figures["threshold"], figures["threshold_method"]) == (pytest.approx(threshold), "mean")
    assert figures["mean_level"] == pytest.approx(level)
    assert figures["headroom"] == pytest.approx(SUPPLY - 1.5 - min(threshold, 7.5))
    for stem in ("duty", "rise_time", "fall_time", "level_vs_square"):
        assert isnan(figures[stem])
    current = figures["pullup_current"]
    assert current == pytest.approx((RAIL - LOW) / PULLUP) if state == "stuck low" else isnan(current)


def test_the_pull_ups_current_is_its_settled_level_not_its_mean():
    """A current that comes down to its level with a tenth of the low time as its time constant."""
    period = 1.0
    steps = np.linspace(0, 0.6, 601)
    time = np.concatenate([[0.0, 0.399], 0.4 + steps])
    tail = 1e-3 * (1 + np.exp(-steps / 0.06))
    record = board(3.0, period=period) | {"time": time}
    record["out"] = np.concatenate([[8.0, 8.0], np.full(601, LOW)])
    record["@rpull[i]"] = np.concatenate([[0.0, 0.0], tail])
    for name in ("vcc", "rail", "thr"):
        record[name] = np.full(len(time), 8.0)
    record["ramp"] = time
    probes = replace(PROBES, class_=None, sink_current=None, supplies={})
    figures = measure_cycle(record, 0.0, period, probes)
    assert figures["pullup_current"] == pytest.approx(1e-3, rel=2e-3)
    assert figures["pullup_current_mean"] == pytest.approx(0.6e-3 + 0.06e-3, rel=3e-3)


def test_what_has_no_probe_has_no_figure():
    bare = Probes(ramp=None, threshold=None, output="out", swing=(0.0, 8.0))
    figures = measure_cycle(board(3.0), 0.0, 1e-3, bare)
    assert figures["duty"] == pytest.approx(2.5 / 7)
    assert not {"threshold", "ramp_low", "headroom", "pullup_current", "sink_current"} & figures.keys()


def test_the_outputs_range_must_come_from_somewhere():
    with pytest.raises(ValueError, match="give a pull-up, a supply node or a swing"):
        measure_cycle(board(3.0), 0.0, 1e-3, Probes(ramp=None, threshold=None, output="out"))


@pytest.mark.parametrize(("rail", "state"), [(0.0, "stuck low"), (-8.0, "stuck low")])
def test_an_output_pulled_up_to_ground_or_below_is_stuck(rail, state):
    """What a wrong drawing makes of the pull-up is a state with a name, not an error."""
    record = board(3.0)
    record |= {"rail": np.full_like(record["time"], rail), "out": np.full_like(record["time"], rail)}
    assert measure_cycle(record, 0.0, 1e-3, PROBES)["state"] == state


def test_a_missing_vector_is_named_with_those_that_exist():
    with pytest.raises(KeyError, match=r'no vector "rampp"; it holds .*ramp'):
        measure_cycle(board(3.0), 0.0, 1e-3, replace(PROBES, ramp="rampp"))


def test_an_output_that_pulls_down_to_a_negative_rail_is_judged_by_its_own_range():
    """Emitter at -12 V: the middle of the range from -12 V to 8 V is -2 V, and -1.9 V is stuck high."""
    record = board(3.0)
    record |= {"vee": np.full(len(record["time"]), -12.0), "out": np.full(len(record["time"]), -1.9)}
    assert measure_cycle(record, 0.0, 1e-3, PROBES)["state"] == "stuck low"
    below = replace(PROBES, output_ground="vee")
    assert measure_cycle(record, 0.0, 1e-3, below)["state"] == "stuck high"


@pytest.mark.parametrize("shift", [0.0, -9.0, 9.0])
def test_an_output_whose_range_nothing_tells_is_judged_by_its_own(shift):
    """Neither pull-up nor comparator say where the output may go: a pulse of 7 V is one, whether or not it
    passes the middle of the 15 V supply. What moves by less than a tenth of the supply rests."""
    record = board(3.0)
    record["out"] = record["out"] + shift
    bare = Probes(ramp=None, threshold=None, output="out", supply_node="vcc")
    figures = measure_cycle(record, 0.0, 1e-3, bare)
    assert figures["state"] == "pulsing"
    assert figures["duty"] == pytest.approx(2.5 / 7)
    assert figures["low_level"] == pytest.approx(LOW + shift)
    record["out"] = shift + 0.2 * (record["out"] - shift)
    state = "stuck high" if shift > 0 else "stuck low"
    assert measure_cycle(record, 0.0, 1e-3, bare)["state"] == state


@pytest.mark.parametrize("cycles", [1, 2, 200])
def test_whole_cycles_lie_between_rising_crossings(cycles):
    record = board(3.0, cycles=cycles + 1)
    found = settled_cycles(record["time"], record["out"], 4.0)
    assert len(found.spans) == cycles
    for begin, end in found.spans:
        assert end - begin == pytest.approx(1e-3, rel=1e-9)
    assert all(a[1] == b[0] for a, b in zip(found.spans, found.spans[1:], strict=False))
    drifts = (found.period_drift, found.low_drift, found.high_drift)
    assert drifts == pytest.approx((0.0, 0.0, 0.0), abs=1e-9) if len(found.spans) > 1 else isnan(drifts[0])


def test_drift_between_the_last_two_cycles_is_reported():
    """A last period longer by 1 % of itself, a last high level lower by 5 % of the swing."""
    time = np.array([0.0, 0.01, 0.5, 0.51, 0.99, 1.0, 1.5, 1.51, 2.0, 2.0101010101, 2.1])
    wave = np.array([0.0, 8.0, 8.0, 0.0, 0.0, 7.6, 7.6, 0.0, 0.0, 8.0, 8.0])
    found = settled_cycles(time, wave, 0.04)
    (first, middle), (_, last) = found.spans
    assert found.period_drift == pytest.approx(1 - (middle - first) / (last - middle))
    assert found.high_drift == pytest.approx(-0.4 / 7.6, rel=1e-6)
    assert found.low_drift == pytest.approx(0.0, abs=1e-9)


def test_a_record_without_cycles_has_none():
    found = settled_cycles(np.array([0.0, 1.0]), np.array([1.0, 1.0]), 0.5)
    assert found.spans == ()
    assert [found.period_drift, found.low_drift, found.high_drift] == pytest.approx([nan] * 3, nan_ok=True)
