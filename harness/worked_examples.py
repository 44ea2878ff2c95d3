# SPDX-License-Identifier: GPL-3.0-or-later
"""How a worked example in print is put to this package: its inputs as text in, the figures of one method out.

Every method takes an entry of ``shared/checks/*.toml`` and the values given in it, hands them to the
functions that the product itself uses, and returns names and figures in SI units. A value may be a formula
over what is given.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.formula import Formula
from harness.measure.crossings import crossings, value_at
from harness.measure.levels import state_levels
from harness.measure.pulse import pulse_figures
from harness.measure.room import room
from harness.measure.spectrum import harmonics, level_vs_square, mean_and_ac_rms
from harness.predict import converter, output, snapped, spectrum
from harness.predict.network import Branch, Network
from harness.predict.ramp import Piece, Ramp
from harness.preferred import SERIES, TOLERANCES, preferred_value
from harness.units import parse_si, parse_spice, split_tolerance_letter

Array = NDArray[np.float64]
Entry = Mapping[str, Any]
Given = Mapping[str, float]
Figures = Mapping[str, float]


def namespace_of(given: Mapping[str, Any]) -> dict[str, float]:
    """The given values, each a number or a formula over those before it."""
    values: dict[str, float] = {}
    for name, text in given.items():
        values[name] = _value(text, values)
    return values


def _value(text: Any, given: Given) -> float:
    return float(Formula(str(text)).evaluate(dict(given)))


def hand(entry: Entry, given: Given) -> Figures:
    """Nothing beyond the given values: the figure is a formula, as a designer writes one."""
    return {}


def board_number(entry: Entry, given: Given) -> Figures:
    """``text`` read as a number of a board file: ``value``."""
    return {name: parse_si(text).value for name, text in entry["texts"].items()}


def coded_value(entry: Entry, given: Given) -> Figures:
    """``texts`` of resistors read as marked values with a tolerance letter: each by its name, and
    ``NAME_least``, ``NAME_most`` at the ends of its tolerance."""
    figures: dict[str, float] = {}
    for name, text in entry["texts"].items():
        coded = split_tolerance_letter(text, "Ohm")
        if coded is None:
            raise ValueError(f'"{text}" has no letter for a tolerance')
        value, share = parse_si(coded[0]).value, coded[1]
        figures |= {name: value, f"{name}_least": value * (1 - share), f"{name}_most": value * (1 + share)}
    return figures


def preferred_series(entry: Entry, given: Given) -> Figures:
    """Values of the ``series`` between 1 and 10, ``v0`` first; how many there are (``count``), how many of
    them are not the ``digits``-digit rounding of 10^(i/count) (``apart``), the ``tolerance`` it goes with."""
    series, digits = entry["series"], entry["digits"]
    count = len(SERIES[series])
    values = [preferred_value(series, place) for place in range(count)]
    lawful = [round(10 ** (place / count), digits - 1) for place in range(count)]
    apart = sum(abs(value - law) > 1e-9 for value, law in zip(values, lawful, strict=True))
    figures = {f"v{place}": value for place, value in enumerate(values)}
    return figures | {"count": count, "apart": apart, "tolerance": TOLERANCES[series]}


def netlist_number(entry: Entry, given: Given) -> Figures:
    """``texts`` read as numbers of a netlist."""
    return {name: parse_spice(text) for name, text in entry["texts"].items()}


def network(entry: Entry, given: Given) -> Figures:
    """``branches`` ("R name plus minus value") solved: every node's voltage, ``seen_NODE`` the resistance
    into it.
    """
    branches = [_branch(line, given) for line in entry["branches"]]
    solver = Network.of_branches(branches)
    figures = {f"{node}": float(volts[0]) for node, volts in solver.solve().items() if node != "0"}
    seen = {f"seen_{node}": float(solver.resistance_seen(node)[0]) for node in figures}
    return {**figures, **seen}


def _branch(line: str, given: Given) -> Branch:
    kind, name, plus, minus, value = line.split(maxsplit=4)
    if kind not in ("R", "V", "I"):
        raise ValueError(f'"{line}": a branch is R, V or I')
    return Branch(kind, name, plus, minus, _value(value, given))  # type: ignore[arg-type]


def ramp(entry: Entry, given: Given) -> Figures:
    """``pieces`` of a periodic wave, straight (``rate``) or exponential (``towards`` a voltage with ``tau``).

    A piece runs ``from`` a voltage ``to`` another or ``lasting`` a time. Found: durations ``t1``, ``t2``...,
    end levels ``end1``..., ``period``, ``frequency``, ``low``, ``high``; with a ``level`` its share of time
    ``below``.
    """
    pieces: list[Piece] = []
    for number, text in enumerate(entry["pieces"], 1):
        named = {**given, **_ends(pieces)}
        start = np.array([_value(text["from"], named)])
        if "tau" in text:
            decay = 1 / np.array([_value(text["tau"], named)])
            rate = (_value(text["towards"], named) - start) * decay
        else:
            decay, rate = np.zeros(1), np.array([_value(text["rate"], named)])
        piece = Piece(start, rate, decay, np.zeros(1))
        if "to" in text:
            lasting = piece.time_to(np.array([_value(text["to"], named)]))
        else:
            lasting = np.array([_value(text["lasting"], named)])
        if not lasting[0] >= 0:
            raise ValueError(f"piece {number} never gets where it is to go")
        pieces.append(Piece(start, rate, decay, lasting))
    cycle = Ramp(tuple(pieces))
    figures = {**_ends(pieces), "period": float(cycle.period[0]), "frequency": 1 / float(cycle.period[0])}
    figures |= {"low": float(cycle.low[0]), "high": float(cycle.high[0])}
    if "level" in entry:
        level = np.array([_value(entry["level"], given)])
        figures["below"] = float((cycle.time_below(level) / cycle.period)[0])
    return figures


def _ends(pieces: Sequence[Piece]) -> dict[str, float]:
    figures = {f"t{number}": float(piece.duration[0]) for number, piece in enumerate(pieces, 1)}
    return figures | {f"end{number}": float(piece.end[0]) for number, piece in enumerate(pieces, 1)}


def wave(entry: Entry, given: Given) -> Figures:
    """One cycle of a wave, measured: ``points`` ([time, volts] pairs), or ``curve`` over ``t`` from 0 to
    ``span``.

    Found: ``duty``, ``low_level``, ``high_level``, ``rise_time``, ``fall_time``, ``mean``, ``ac_rms``,
    ``rms``, ``against_square``, harmonics ``h1`` to ``h16``; with a ``level`` also ``up``, ``down`` (first
    crossings, s).
    """
    if "points" in entry:
        table = np.array([[_value(x, given) for x in pair] for pair in entry["points"]])
        time, values = table[:, 0], table[:, 1]
    else:
        time = np.linspace(0.0, _value(entry["span"], given), 40001)
        sine = np.sin(2 * np.pi * time / time[-1])
        values = np.asarray(Formula(entry["curve"]).evaluate({**given, "t": time, "sine": sine}), dtype=float)
    begin, end, swing = float(time[0]), float(time[-1]), (float(values.min()), float(values.max()))
    pulse = pulse_figures(time, values, begin, end, swing)
    mean, ac_rms = mean_and_ac_rms(time, values, begin, end)
    levels = state_levels(time, values)
    figures = {
        "duty": pulse.duty, "low_level": levels.low, "high_level": levels.high,
        "rise_time": pulse.rise_time, "fall_time": pulse.fall_time,
        "mean": mean, "ac_rms": ac_rms, "rms": float(np.hypot(mean, ac_rms)),
        "against_square": level_vs_square(ac_rms, levels.high - levels.low),
    }  # fmt: skip
    amplitudes = np.abs(harmonics(time, values, begin, end))
    figures |= {f"h{order}": float(amplitude) for order, amplitude in enumerate(amplitudes, 1)}
    if "level" in entry:
        instants, directions = crossings(time, values, _value(entry["level"], given))
        for name, way in (("up", 1), ("down", -1)):
            passed = instants[directions == way]
            figures[name] = float(passed[0]) if len(passed) else float("nan")
    return figures


def pulse_train(entry: Entry, given: Given) -> Figures:
    """An ideal pulse of ``swing``, ``low`` and ``duty``, predicted: ``mean``, ``ac_rms``, ``against_square``,
    ``h1``...
    """
    swing, share = given["swing"], given["duty"]
    ac_rms = spectrum.ideal_ac_rms(swing, share)
    figures = {
        "mean": float(spectrum.ideal_mean(given.get("low", 0.0), swing, share)),
        "ac_rms": float(ac_rms),
    }
    figures["against_square"] = float(spectrum.against_square(ac_rms, swing))
    amplitudes = spectrum.pulse_harmonics(np.array([swing]), np.array([share]))[0]
    return figures | {f"h{order}": float(amplitude) for order, amplitude in enumerate(amplitudes, 1)}


def open_collector(entry: Entry, given: Given) -> Figures:
    """``pullup`` (Ohm) from ``supply`` (V), ``load`` (Ohm, optional), ``capacitance`` (F), output a ``sink``
    resistance.

    Found: ``low_level``, ``high_level``, ``pullup_current`` (output low) and ``rise_time``.
    """
    supply, pullup = given["supply"], given["pullup"]
    branches = [
        Branch("V", "supply", "rail", "0", supply),
        Branch("R", "pullup", "rail", "out", pullup),
        Branch("R", "load", "out", "0", given.get("load", float("inf"))),
    ]
    solver = Network.of_branches(branches)
    open_voltage, resistance = solver.solve()["out"], solver.resistance_seen("out")
    figures = {"high_level": float(open_voltage[0])}
    if "sink" in given:
        knots = np.linspace(0.0, supply, 201)
        curve = output.SinkCurve(knots, np.atleast_2d(knots / given["sink"]))
        low = float(output.low_level(open_voltage, resistance, curve)[0])
        figures |= {"low_level": low, "pullup_current": (supply - low) / pullup}
    if "capacitance" in given:
        figures["rise_time"] = float(output.rise_time(resistance, np.array([given["capacitance"]]))[0])
    return figures


def common_mode(entry: Entry, given: Given) -> Figures:
    """``headroom`` and ``floor_room`` of inputs at rest: ``plus``, ``minus``, ``supply``, ``ground`` (V),
    degC.
    """
    time = np.array([0.0, 1.0])
    plus, minus, supply, ground = (
        np.full(2, given.get(name, 0.0)) for name in ("plus", "minus", "supply", "ground")
    )
    headroom, floor = room(
        time, plus, minus, supply, 0.0, 1.0, entry["class"], temperature=given["temperature"], ground=ground
    )
    return {"headroom": headroom, "floor_room": floor}


def simulated(entry: Entry, given: Given) -> Figures:
    """``netlist`` lines run in the engine from their ``.ic`` state until ``until``; node voltages ``at`` an
    instant.

    With ``node`` and ``level`` also ``when``, the first instant at which the node passes the level.
    """
    record = _run(tuple(entry["netlist"]), _value(entry["until"], given))
    time = record["time"]
    figures = {}
    if "at" in given:
        nodes = [name for name in record if name != "time" and "#" not in name]
        figures = {name: value_at(time, record[name], given["at"]) for name in nodes}
    if "node" in entry:
        instants, _ = crossings(time, record[entry["node"]], _value(entry["level"], given))
        figures["when"] = float(instants[0]) if len(instants) else float("nan")
    return figures


@lru_cache(maxsize=16)
def _run(netlist: tuple[str, ...], until: float) -> Mapping[str, Array]:
    from harness.engine.session import session

    engine = session()
    engine.load([*netlist, ".options reltol=1e-7 vntol=1n chgtol=1e-18"], "worked example")
    try:
        return engine.transient(until / 4000, until, until / 4000)
    finally:
        engine.unload()


def exponential_converter(entry: Entry, given: Given) -> Figures:
    """``octave20``, ``octave25``, ``octave27``: V an octave at these degC; ``drift25``: of that, 1/K at 25
    degC.

    ``bulk``: cents that a ``resistance`` (Ohm) takes at a ``current`` (A); ``warmed``: cents that a note
    ``octaves`` above the reference moves by where the pair is ``warmer`` (K); both at 25 degC.
    """
    figures = {f"octave{at}": float(converter.volts_an_octave(float(at))) for at in (20, 25, 27)}
    figures["drift25"] = float(converter.volts_an_octave(26.0)) / figures["octave25"] - 1.0
    figures["bulk"] = float(converter.flattening_of_bulk(given["current"], given["resistance"], 25.0))
    return figures | {"warmed": float(converter.drift(given["octaves"], given["warmer"], 25.0))}


def snapped_capacitor(entry: Entry, given: Given) -> Figures:
    """A falling ramp of 1 V on ``capacitance`` (F) whose reset takes the time ``dead`` (s), swept for 440 Hz
    to 10 kHz: ``flat440``... in cents; ``cured440``... with ``series`` (Ohm) in series with the capacitor."""
    notes = np.array([440.0, 1e3, 5e3, 10e3])
    none = np.zeros(4)
    figures: dict[str, float] = {}
    for word, series in (("flat", none), ("cured", np.full(4, given["series"]))):
        core = snapped.SnappedCapacitor(
            np.full(4, given["capacitance"]), notes * given["capacitance"], none, none + 2.0,
            snapped.constant(none), none + 1.0, none + 1.5,
            snapped.Follower(snapped.constant(none), none, none + np.inf), none, series, none,
            open_delay=lambda dwell: np.full(4, given["dead"]),
        )  # fmt: skip
        cents = 1200.0 * np.log2(1.0 / core.ramp().period / notes)
        figures |= {f"{word}{note:.0f}": float(cent) for note, cent in zip(notes, cents, strict=True)}
    return figures


METHODS: Mapping[str, Callable[[Entry, Given], Figures]] = {
    "hand": hand,
    "board number": board_number,
    "coded value": coded_value,
    "preferred series": preferred_series,
    "netlist number": netlist_number,
    "network": network,
    "ramp": ramp,
    "wave": wave,
    "pulse train": pulse_train,
    "open collector": open_collector,
    "common mode": common_mode,
    "simulated": simulated,
    "exponential converter": exponential_converter,
    "snapped capacitor": snapped_capacitor,
}
