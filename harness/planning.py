# SPDX-License-Identifier: GPL-3.0-or-later
"""From a board, its netlist and the corner table to one task a corner."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import pandas as pd

from harness.board import Board
from harness.engine.steps import Plan
from harness.measure.cycle import Probes
from harness.netlist import Netlist
from harness.simulate import SINK, Task

TEMPERATURE = "temperature"
ROOM_TEMPERATURE = 25.0  # degC, where a board has no temperature axis


def settings_of(board: Board, row: Mapping[str, float]) -> dict[str, float]:
    """What a corner puts into the netlist: name of parameter, source or part -> value in SI units."""
    return {axis.sets: float(row[name]) for name, axis in board.axes.items() if axis.sets}


def temperature_of(board: Board, row: Mapping[str, float]) -> float:
    """The temperature of a corner in degC."""
    return float(row[TEMPERATURE]) if TEMPERATURE in board.axes else ROOM_TEMPERATURE


def _upper_first(nodes: Sequence[str], output: str) -> tuple[str, str]:
    """The pull-up's nodes, the one away from the output first."""
    return (nodes[1], nodes[0]) if nodes[0] == output else (nodes[0], nodes[1])


def sink_branches(
    netlist: Netlist, output: str, settings: Mapping[str, float]
) -> tuple[tuple[str, float], ...]:
    """The resistors at the output, as (other node, Ohm): together they bring what the comparator sinks."""
    branches = []
    for name, part in netlist.parts.items():
        if part.letter == "r" and output in part.nodes[:2]:
            other = part.nodes[1] if part.nodes[0] == output else part.nodes[0]
            branches.append((other, netlist.value(name, settings)))
    return tuple(branches)


def probes_of(board: Board, netlist: Netlist) -> Probes:
    """Where to look in a record: nodes and currents by the roles of the board file."""
    roles = board.roles
    ramp, threshold, output = (str(node).lower() for node in (roles.ramp, roles.threshold, roles.output))
    plus, minus = (threshold, ramp) if roles.ramp_input == "minus" else (ramp, threshold)
    supply = netlist.parts[roles.supply.lower()].nodes[0] if roles.supply else None
    pullup = netlist.parts[roles.pullup.lower()] if roles.pullup else None
    return Probes(
        ramp=ramp, threshold=threshold, output=output, plus=plus, minus=minus, supply_node=supply,
        class_=roles.comparator_class,
        pullup_current=f"@{roles.pullup.lower()}[i]" if roles.pullup else None,
        pullup_nodes=_upper_first(pullup.nodes, output) if pullup else None,
        sink_current=SINK,
        supplies={rail: f"{source.lower()}#branch" for rail, source in (roles.supplies or {}).items()},
    )  # fmt: skip


def tasks_of(board: Board, netlist: Netlist, corners: pd.DataFrame, hints: pd.DataFrame) -> list[Task]:
    """One task a corner. ``hints`` (frequency, ramp and output levels; same rows) tell where edges may
    fall."""
    deck = tuple(line.text for line in netlist.deck())
    tasks = []
    for position, (_, row) in enumerate(corners.iterrows()):
        values = {name: float(row[name]) for name in board.axes}
        hint = hints.iloc[position]
        settings = netlist.set_values(settings_of(board, values))
        temperature = temperature_of(board, values)
        probes = probes_of(board, netlist)
        frequency = _hint(hint, "frequency")
        plan = Plan(
            deck=deck + tuple(settings.parameter_lines()),
            alterations=tuple(settings.alterations),
            ramp=str(probes.ramp),
            output=probes.output,
            period=1.0 / frequency if frequency > 0 else _period(board),
            ramp_level=0.5 * (_hint(hint, "ramp_low") + _hint(hint, "ramp_high")),
            output_level=0.5 * (_hint(hint, "low_level") + _hint(hint, "high_level")),
            temperature=temperature,
            saved=(probes.pullup_current,) if probes.pullup_current else (),
            accuracy=board.simulation.accuracy,
            seconds=board.simulation.seconds,
        )
        branches = sink_branches(netlist, probes.output, settings_of(board, values))
        tasks.append(Task(str(row["corner"]), plan, probes, branches, _test_load(board, branches)))
    return tasks


def _test_load(board: Board, branches: Sequence[tuple[str, float]]) -> float | None:
    """Ten times the resistance at the output, where a board asks for the output resistance; else None."""
    asked = "output_resistance"
    wanted = asked in board.hand or asked in board.limits or any(e.quantity == asked for e in board.expected)
    if not wanted:
        return None
    conductance = sum(1.0 / resistance for _, resistance in branches)
    return 10.0 / conductance if conductance else 1e5


def _hint(hint: pd.Series, name: str) -> float:
    return float(hint[name]) if name in hint.index else math.nan


def _period(board: Board) -> float:
    return board.simulation.period if board.simulation.period is not None else math.nan
