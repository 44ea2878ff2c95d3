# SPDX-License-Identifier: GPL-3.0-or-later
"""From a board, its netlist and the corner table to one task a corner."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from contextlib import suppress

import pandas as pd

from harness.board import Board
from harness.engine.steps import Plan
from harness.measure.cycle import Probes
from harness.netlist import Netlist
from harness.quantities import ROOM_TEMPERATURE, TEMPERATURE
from harness.simulate import SINK, Task


def settings_of(board: Board, row: Mapping[str, float]) -> dict[str, float]:
    """What a corner puts into the netlist: name of parameter, source or part -> value in SI units."""
    return {axis.sets: float(row[name]) for name, axis in board.axes.items() if axis.sets}


def temperature_of(board: Board, row: Mapping[str, float]) -> float:
    """The temperature of a corner in degC."""
    return float(row[TEMPERATURE]) if TEMPERATURE in board.axes else ROOM_TEMPERATURE


def _upper_first(nodes: Sequence[str], output: str) -> tuple[str, str]:
    """The pull-up's nodes, the one away from the output first."""
    return (nodes[1], nodes[0]) if nodes[0] == output else (nodes[0], nodes[1])


def _resistors_at(netlist: Netlist, output: str) -> list[str]:
    """Keys of the resistors with an end at the output."""
    return [name for name, part in netlist.parts.items() if part.letter == "r" and output in part.nodes[:2]]


def sink_currents(netlist: Netlist, output: str) -> tuple[tuple[str, float], ...]:
    """The saved currents of the resistors at the output, as (name, sign): together they bring what the
    comparator sinks."""
    return tuple(
        (f"@{name}[i]", 1.0 if netlist.parts[name].nodes[1] == output else -1.0)
        for name in _resistors_at(netlist, output)
    )


def probes_of(board: Board, netlist: Netlist) -> Probes:
    """Where to look in a record: nodes and currents by the roles of the board file."""
    roles = board.roles
    ramp, threshold, output = (str(node).lower() for node in (roles.ramp, roles.threshold, roles.output))
    plus, minus = (threshold, ramp) if roles.ramp_input == "minus" else (ramp, threshold)
    pins = netlist.parts[roles.comparator.lower()].nodes if roles.comparator else ()
    supply = _supply_node(netlist.parts[roles.supply.lower()].nodes, pins) if roles.supply else None
    ground = _lowest(netlist, [pin for pin in pins if pin not in (ramp, threshold, output, supply)])
    pullup = netlist.parts[roles.pullup.lower()] if roles.pullup else None
    coupled = bool(pins) and output not in pins and not (pullup and output in pullup.nodes)
    return Probes(
        ramp=ramp, threshold=threshold, output=output, plus=plus, minus=minus, supply_node=supply,
        ground_node=ground, output_ground=ground, coupled=coupled,
        class_=roles.comparator_class,
        pullup_current=f"@{roles.pullup.lower()}[i]" if roles.pullup else None,
        pullup_nodes=_upper_first(pullup.nodes, output) if pullup else None,
        sink_current=SINK,
        supplies={rail: f"{source.lower()}#branch" for rail, source in (roles.supplies or {}).items()},
    )  # fmt: skip


def _supply_node(nodes: Sequence[str], pins: Sequence[str]) -> str:
    """The node of the supply's source that is a pin of the comparator, or its positive one."""
    return next((node for node in nodes if node in pins), nodes[0])


def _lowest(netlist: Netlist, pins: Sequence[str]) -> str:
    """Of the comparator's pins that have no other role, the one at the lowest voltage: its ground."""
    level = {"0": 0.0}
    for name, part in netlist.parts.items():
        if part.letter == "v":
            upper, lower = part.nodes[:2]
            with suppress(KeyError, ValueError):  # a source of time has no value of its own
                if lower == "0":
                    level[upper] = netlist.value(name)
                elif upper == "0":
                    level[lower] = -netlist.value(name)
    return min(pins, key=lambda pin: level.get(pin, math.inf), default="0")


def tasks_of(board: Board, netlist: Netlist, corners: pd.DataFrame, hints: pd.DataFrame) -> list[Task]:
    """One task a corner. ``hints`` (frequency, ramp and output levels; same rows) tell where edges may
    fall."""
    deck = tuple(line.text for line in netlist.deck())
    probes = probes_of(board, netlist)
    sinks = sink_currents(netlist, probes.output)
    load = _test_load(board, netlist, probes.output)
    tasks = []
    for position, (_, row) in enumerate(corners.iterrows()):
        values = {name: float(row[name]) for name in board.axes}
        hint = hints.iloc[position]
        settings = netlist.set_values(settings_of(board, values))
        temperature = temperature_of(board, values)
        frequency = _hint(hint, "frequency")
        plan = Plan(
            deck=deck + tuple(settings.parameter_lines()),
            alterations=tuple(settings.alterations),
            ramp=str(probes.ramp),
            output=probes.output,
            threshold=probes.threshold or "",
            period=1.0 / frequency if frequency > 0 else _period(board),
            ramp_level=0.5 * (_hint(hint, "ramp_low") + _hint(hint, "ramp_high")),
            output_level=0.5 * (_hint(hint, "low_level") + _hint(hint, "high_level")),
            temperature=temperature,
            saved=tuple(dict.fromkeys(name for name in (probes.pullup_current, *dict(sinks)) if name)),
            accuracy=board.simulation.accuracy,
            seconds=board.simulation.seconds,
        )
        tasks.append(Task(str(row["corner"]), plan, probes, sinks, load))
    return tasks


def _test_load(board: Board, netlist: Netlist, output: str) -> float | None:
    """Ten times the resistance at the output, where a board asks for the output resistance; else None."""
    asked = "output_resistance"
    wanted = asked in board.hand or asked in board.limits or any(e.quantity == asked for e in board.expected)
    if not wanted:
        return None
    conductance = sum(1.0 / netlist.value(name) for name in _resistors_at(netlist, output))
    return 10.0 / conductance if conductance else 1e5


def _hint(hint: pd.Series, name: str) -> float:
    """A hint, to three digits: what it is worth, and a prediction that moves in the last ones does not make
    the same corner another one."""
    return float(f"{float(hint[name]):.3g}") if name in hint.index else math.nan


def _period(board: Board) -> float:
    return board.simulation.period if board.simulation.period is not None else math.nan
