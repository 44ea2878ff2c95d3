# SPDX-License-Identifier: GPL-3.0-or-later
"""Boards to begin with: core, stage, width network and output of one's choice, small and complete, with
formulas and limits.

Each is an example to change, not a design: the values are invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from harness.findings import Finding, InputError, nearest
from harness.new.starter_cores import (
    CORES,
    DEFAULT_CORE,
    SATURATION,
    StarterCore,
    core_of,
    core_range,
    usual_supply,
)
from harness.new.starter_networks import DEFAULT_NETWORK, NETWORKS, StarterNetwork, network_of
from harness.new.starter_outputs import DEFAULT_OUTPUT, OUTPUTS, StarterOutput, output_of

DEFAULT_STAGE = "393"


@dataclass(frozen=True)
class Stage:
    """A slicing stage: its class, the file of its model, its line in the netlist, the supply where the
    designer names none and what the class works on (V), the top of an ideal ramp as a share of the supply
    inside what the inputs bear, whether a resistor pulls the output up, whether it has two rails, and the
    period of an ideal ramp (s) that is slow against its edges. ``low``, ``high``: formulas of its levels."""

    class_: str
    include: str
    line: str
    supply: float
    range: tuple[float, float]
    share: float
    pulled_up: bool
    split: bool = False
    period: float = 1e-3
    low: str = "saturation"
    high: str = "supply"
    given: tuple[str, ...] = (SATURATION,)


_ROOM = 'op_amp_room = "1.5 V"           # from either supply to the output, unloaded'
STAGES: Mapping[str, Stage] = {
    "393": Stage(
        "393", "comparator_393.inc", "Xslice thr ramp vcc 0 {out} comparator_393", 12.0, (4.0, 36.0), 0.4,
        True,
    ),
    "311": Stage(
        "311", "comparator_311.inc", "Xslice thr ramp vcc vee {out} 0 comparator_311", 12.0, (5.0, 18.0), 0.4,
        True, True,
    ),
    "push-pull": Stage(
        "push-pull", "comparator_push_pull.inc", "Xslice thr ramp vcc 0 {out} comparator_push_pull", 5.0,
        (2.7, 5.5), 0.6, False, low="0 V", given=(),
    ),
    "07x": Stage(
        "07x", "opamp_07x.inc", "Xslice thr ramp vcc vee {out} opamp_07x", 12.0, (6.0, 18.0), 0.4, False,
        True, 10e-3, "Vee + op_amp_room", "supply - op_amp_room", (_ROOM,),
    ),
    "rail-to-rail": Stage(
        "rail-to-rail", "opamp_rail_to_rail.inc", "Xslice thr ramp vcc 0 {out} opamp_rail_to_rail", 5.0,
        (2.7, 5.5), 0.6, False, low="0 V", given=(),
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Choice:
    """What a board is to be made of; ``supply`` in volts, None for what suits the others."""

    core: str = DEFAULT_CORE
    stage: str = DEFAULT_STAGE
    network: str = DEFAULT_NETWORK
    output: str = DEFAULT_OUTPUT
    supply: float | None = None


@dataclass(frozen=True)
class Starter:
    """Texts of the two files."""

    netlist: str
    board: str


def starter(name: str, choice: Choice) -> Starter:
    """The netlist and the board file of a small board. Raises InputError with every finding: a core, stage,
    network or output that there is not, a supply that the stage or the core is not made for."""
    findings = [
        Finding(None, f'there is no {kind} "{chosen}" to begin with{nearest(chosen, known)}', f"--{kind}")
        for kind, chosen, known in (
            ("core", choice.core, CORES),
            ("stage", choice.stage, tuple(STAGES)),
            ("network", choice.network, NETWORKS),
            ("output", choice.output, OUTPUTS),
        )
        if chosen not in known
    ]
    if findings:
        raise InputError(findings)
    stage = STAGES[choice.stage]
    volts = _supply(choice, stage)
    core = core_of(choice.core, volts, stage.share, stage.period)
    output = output_of(choice.output, stage.low, stage.high, stage.pulled_up)
    made = _Made(name, stage, core, network_of(choice.network, core), output, volts)
    return Starter(made.netlist(), made.board())


def _supply(choice: Choice, stage: Stage) -> float:
    """The supply (V). Raises InputError where core and stage cannot share one, or not this one."""
    least, most = core_range(choice.core, *stage.range)
    if not stage.range[0] <= least <= stage.range[1]:
        message = (
            f'"{choice.core}" wants a stage that works on {least:g} V, the least of its supply, but '
            f'"{choice.stage}" works on {stage.range[0]:g} V to {stage.range[1]:g} V; '
            "choose another core or stage"
        )
        raise InputError([Finding(None, message, "--core")])
    if choice.supply is None:
        return usual_supply(choice.core, stage.supply)
    low, high = max(least, stage.range[0]), min(most, stage.range[1])
    if not low <= choice.supply <= high:
        message = (
            f"{choice.supply:g} V is out of the range of this core and stage together; "
            f"expected {low:g} V to {high:g} V"
        )
        raise InputError([Finding(None, message, "--supply")])
    return choice.supply


@dataclass(frozen=True)
class _Made:
    """The pieces of one board."""

    name: str
    stage: Stage
    core: StarterCore
    network: StarterNetwork
    output: StarterOutput
    supply: float

    @property
    def split(self) -> bool:
        """Whether there is a negative supply, Vee."""
        return self.stage.split or self.core.split

    def netlist(self) -> str:
        """The netlist."""
        parts = dict.fromkeys((*self.core.include, self.stage.include))
        lines = [
            f"* {self.name}: {self.core.words}, sliced at {self.network.words}",
            *(f'.include "parts/{include}"' for include in parts),
            *(f'.include "{include}"' for include in self.network.include),
            f"Vcc vcc 0 {self.supply:g}",
            *((f"Vee vee 0 {-self.supply:g}",) if self.split else ()),
            *self.core.lines,
            *self.network.lines,
            "* slicing: high while the ramp lies below the threshold",
            self.stage.line.format(out=self.output.pin),
            *((f"Rpull vcc {self.output.pin} {self.pull}",) if self.stage.pulled_up else ()),
            *self.output.lines,
            ".end",
        ]
        return "\n".join(lines) + "\n"

    @property
    def pull(self) -> str:
        """The pull-up: some 3 mA, where the class's saturation voltage is published."""
        return "4.7k" if self.supply > 8.0 else "1.5k"

    def board(self) -> str:
        """The board file."""
        stage, core, network, output = self.stage, self.core, self.network, self.output
        head = ["format = 1", f'name = "{self.name}"', 'revision = "A"', f'netlist = "{self.name}.cir"']
        speaks = bool(output.hand)
        given = dict.fromkeys((*core.given, *network.given, *(stage.given if speaks else ())))
        sections = {
            "board": ("", head),
            "roles": ("which node and part is what", self._roles()),
            "core": ("how the ramp is made", [f'kind = "{core.kind}"', *core.table]),
            "intended": ("values as you mean them, never read from the netlist", self._intended()),
            "given": ("further numbers for the formulas", list(given)),
            **self._axes(),
            "corners": ("", [f"grids = {network.grids}"]),
            "hand": ("your formulas; units are checked", [*network.hand, *core.hand, *self._output_hand()]),
            "limits": ("what the board has to keep to", self._limits()),
        }
        lines = [f"# {self.name}: a board to begin with. Change the values here as you mean them."]
        for table, (comment, entries) in sections.items():
            title = f"[{table}]"
            if entries:
                lines += ["", f"{title:<32} # {comment}" if comment else title, *entries]
        return "\n".join(lines) + "\n"

    def _output_hand(self) -> list[str]:
        pulled = ['pullup_current = "(supply - saturation) / Rpull"'] if self.stage.pulled_up else []
        return [*self.output.hand, *pulled]

    def _roles(self) -> list[str]:
        rails = '{ vcc = "Vcc", vee = "Vee" }' if self.split else '{ vcc = "Vcc" }'
        return [
            'ramp = "ramp"',
            'threshold = "thr"',
            'output = "out"',
            'comparator = "Xslice"',
            f'comparator_class = "{self.stage.class_}"',
            'ramp_input = "minus"             # the output is high while the ramp lies below the threshold',
            *_if(self.stage.pulled_up, 'pullup = "Rpull"'),
            'supply = "Vcc"',
            f"supplies = {rails}",
            'load_capacitor = "Cload"',
        ]

    def _intended(self) -> list[str]:
        return [
            *_if(self.split, f'Vee = "{-self.supply:g} V"'),
            *self.core.intended,
            *self.network.intended,
            *_if(self.stage.pulled_up, f'Rpull = "{self.pull} 5%"'),
            *self.output.intended,
        ]

    def _axes(self) -> dict[str, tuple[str, list[str]]]:
        comment = "what is swept; `sets` is the netlist's source, part or parameter"
        low, high = self.stage.range
        least, most = core_range(self.core.kind, low, high)
        if self.core.kind == "snapped capacitor":  # the only one whose parts bear no more
            low, high = max(low, least), min(high, most)
        values = [  # 10 % either way (common practice, no source), or what the class works on
            round(max(low, 0.9 * self.supply), 6),
            self.supply,
            round(min(high, 1.1 * self.supply), 6),
        ]
        supply = [
            f"values = {list(dict.fromkeys(values))}",
            'unit = "V"',
            'sets = "Vcc"',
            f"nominal = {self.supply:g}",
        ]
        axes = {f"axes.{axis}": ("", list(lines)) for axis, lines in self.network.axes}
        first = next(iter(axes))
        axes[first] = (comment, axes[first][1])
        return axes | {"axes.supply": ("", supply), "axes.temperature": ("", ["values = [0, 25, 50]"])}

    def _limits(self) -> list[str]:
        return [
            "duty = { least = 0.1, most = 0.9 }",
            *_if(
                self.stage.pulled_up, 'low_level = { most = "0.4 V" }', 'pullup_current = { most = "4 mA" }'
            ),
            'headroom = { least = "0 V" }',
        ]


def _if(condition: bool, *lines: str) -> list[str]:
    return list(lines) if condition else []
