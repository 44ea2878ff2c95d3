# SPDX-License-Identifier: GPL-3.0-or-later
"""From a board, its netlist and the corner table to one task a corner."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence

import pandas as pd

from harness.board import Board
from harness.coupling import behind_a_capacitor, floats
from harness.engine.plan import Plan
from harness.measure.cycle import Probes
from harness.netlist import Netlist
from harness.pins import all_parts, part_of, stage_pins
from harness.quantities import ROOM_TEMPERATURE, TEMPERATURE, is_stem
from harness.ratings import rated_parts, saved_currents
from harness.simulate import SINK, Task
from harness.tolerances import COARSE_SHARE


def settings_of(board: Board, row: Mapping[str, float]) -> dict[str, float]:
    """What a corner puts into the netlist: name of parameter, source or part -> value in SI units."""
    return {axis.sets: float(row[name]) for name, axis in board.axes.items() if axis.sets}


def temperature_of(board: Board, row: Mapping[str, float]) -> float:
    """The temperature of a corner in degC."""
    return float(row[TEMPERATURE]) if TEMPERATURE in board.axes else ROOM_TEMPERATURE


def _upper_first(nodes: Sequence[str], output: str) -> tuple[str, str]:
    """The pull-up's nodes, the one away from the output first."""
    return (nodes[1], nodes[0]) if nodes[0] == output else (nodes[0], nodes[1])


def _resistors_at(netlist: Netlist, node: str, comparator: str | None) -> list[str]:
    """Full names of the resistors with an end at a node, those inside the comparator left out."""
    inside = f"{(comparator or '').lower()}."
    return [
        name
        for name, letter, nodes in all_parts(netlist)
        if letter == "r" and node in nodes[:2] and not (comparator and name.startswith(inside))
    ]


def _current(netlist: Netlist, name: str) -> str:
    """The saved current of a part."""
    return f"@{netlist.engine_name(name.lower())}[i]"


def sink_currents(
    netlist: Netlist, node: str, comparator: str | None = None
) -> tuple[tuple[str, float], ...]:
    """The saved currents of the resistors at the comparator's output, as (name, sign): together they bring
    what the comparator sinks."""
    return tuple(
        (_current(netlist, name), 1.0 if netlist.flat[name].nodes[1] == node else -1.0)
        for name in _resistors_at(netlist, node, comparator)
    )


def probes_of(board: Board, netlist: Netlist) -> Probes:
    """Where to look in a record: nodes and currents by the roles of the board file."""
    roles = board.roles
    ramp, threshold, output = (str(node).lower() for node in (roles.ramp, roles.threshold, roles.output))
    plus, minus = (threshold, ramp) if roles.ramp_input == "minus" else (ramp, threshold)
    pins = stage_pins(board, netlist)
    feed = part_of(netlist, roles.supply)
    supply = pins.supply if pins else feed.nodes[0] if feed else None
    pullup = part_of(netlist, roles.pullup)
    pin = pins.output if pins else output
    floating = pins is None and floats(netlist, output)
    return Probes(
        ramp=ramp, threshold=threshold, output=output, plus=plus, minus=minus, supply_node=supply,
        ground_node=pins.negative if pins else "0", output_ground=pins.reference if pins else "0",
        coupled=floating or pin != output,
        drooping=floating or (pins is not None and behind_a_capacitor(netlist, pin, output)),
        class_=roles.comparator_class if pins else None,  # no room to pins that are not known
        pullup_current=_current(netlist, roles.pullup) if roles.pullup else None,
        pullup_nodes=_upper_first(pullup.nodes, pin) if pullup else None,
        sink_current=SINK if pins or pullup else None,
        supplies={rail: f"{source.lower()}#branch" for rail, source in (roles.supplies or {}).items()},
    )  # fmt: skip


def tasks_of(board: Board, netlist: Netlist, corners: pd.DataFrame, hints: pd.DataFrame) -> list[Task]:
    """One task a corner. ``hints`` (frequency, ramp and output levels; same rows) tell where edges may
    fall."""
    deck = tuple(line.text for line in netlist.deck())
    probes = probes_of(board, netlist)
    pins = stage_pins(board, netlist)
    sinks = sink_currents(netlist, pins.output if pins else probes.output, board.roles.comparator)
    load = _test_load(board, netlist, probes.output)
    rated = rated_parts(board, netlist)
    watches = tuple(one.watch for one in rated)
    currents = (probes.pullup_current, *dict(sinks), *saved_currents(rated))
    saved = tuple(dict.fromkeys(name for name in currents if name))
    wanted = _wanted(board)
    tasks = []
    for row, hint in zip(corners.to_dict("records"), hints.to_dict("records"), strict=True):
        values = {name: float(row[name]) for name in board.axes}
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
            saved=saved,
            accuracy=board.simulation.accuracy,
            wanted=wanted,
            seconds=board.simulation.seconds,
        )
        tasks.append(Task(str(row["corner"]), plan, probes, sinks, load, watches))
    return tasks


def _wanted(board: Board) -> tuple[tuple[str, float, str], ...]:
    """How wide the bars of compared figures may be. Duty and frequency have the accuracy of the run."""
    compared = dict.fromkeys([*board.hand, *(each.quantity for each in board.expected)])
    tolerances = {name: board.tolerance_of(name) for name in compared if is_stem(name)}
    return tuple(
        (name, COARSE_SHARE * tolerance.value, tolerance.scale)
        for name, tolerance in tolerances.items()
        if name != "duty" and tolerance.scale != "cents"
    )


def _test_load(board: Board, netlist: Netlist, output: str) -> float | None:
    """Ten times the resistance at the output, where a board asks for the output resistance; else None."""
    asked = "output_resistance"
    wanted = asked in board.hand or asked in board.limits or any(e.quantity == asked for e in board.expected)
    if not wanted:
        return None
    conductance = sum(
        1.0 / netlist.value(name) for name in _resistors_at(netlist, output, board.roles.comparator)
    )
    return 10.0 / conductance if conductance else 1e5


def _hint(hint: Mapping[Hashable, float], name: str) -> float:
    """A hint, to three digits: what it is worth, and a prediction that moves in the last ones does not make
    the same corner another one."""
    return float(f"{float(hint[name]):.3g}") if name in hint else math.nan


def _period(board: Board) -> float:
    return board.simulation.period if board.simulation.period is not None else math.nan
