# SPDX-License-Identifier: GPL-3.0-or-later
"""Boards to begin with: a core and a stage of one's choice, small and complete, with formulas and limits.

Each is an example to change, not a design: the values are invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from harness.findings import Finding, InputError, nearest
from harness.new.text import written

DEFAULT_CORE, DEFAULT_STAGE = "ramp source", "393"


@dataclass(frozen=True)
class Stage:
    """A slicing stage: its class, the file of its model, its line in the netlist, the supply where the
    designer names none and what the class works on (V), the top of an ideal ramp as a share of the supply
    inside what the inputs bear, whether a resistor pulls the output up, whether it has two rails, and the
    period of an ideal ramp (s) that is slow against its edges."""

    class_: str
    include: str
    line: str
    supply: float
    range: tuple[float, float]
    share: float
    pulled_up: bool
    split: bool = False
    period: float = 1e-3


STAGES: Mapping[str, Stage] = {
    "393": Stage(
        "393", "comparator_393.inc", "Xslice thr ramp vcc 0 out comparator_393", 12.0, (4.0, 36.0), 0.4, True
    ),
    "311": Stage(
        "311", "comparator_311.inc", "Xslice thr ramp vcc vee out 0 comparator_311", 12.0, (5.0, 18.0), 0.4,
        True, True,
    ),
    "push-pull": Stage(
        "push-pull", "comparator_push_pull.inc", "Xslice thr ramp vcc 0 out comparator_push_pull", 5.0,
        (2.7, 5.5), 0.6, False,
    ),
    "07x": Stage(
        "07x", "opamp_07x.inc", "Xslice thr ramp vcc vee out opamp_07x", 12.0, (6.0, 18.0), 0.4, False, True,
        10e-3,
    ),
    "rail-to-rail": Stage(
        "rail-to-rail", "opamp_rail_to_rail.inc", "Xslice thr ramp vcc 0 out opamp_rail_to_rail", 5.0,
        (2.7, 5.5), 0.6, False,
    ),
}  # fmt: skip
CORES = ("ramp source", "charged capacitor")
_LEAST_FOR_CAPACITOR = 9.0  # V: below, the trip comparator has no room above the ramp


@dataclass(frozen=True)
class Starter:
    """Texts of the two files."""

    netlist: str
    board: str


def starter(
    name: str, core: str = DEFAULT_CORE, stage: str = DEFAULT_STAGE, supply: float | None = None
) -> Starter:
    """The netlist and the board file of a small board. Raises InputError with every finding: a core or stage
    that there is not, a supply that the stage is not made for."""
    findings = []
    if core not in CORES:
        findings.append(
            Finding(None, f'there is no core "{core}" to begin with{nearest(core, CORES)}', "--core")
        )
    if stage not in STAGES:
        findings.append(
            Finding(None, f'there is no stage "{stage}" to begin with{nearest(stage, STAGES)}', "--stage")
        )
    if findings:
        raise InputError(findings)
    chosen = STAGES[stage]
    volts = chosen.supply if supply is None else supply
    low, high = chosen.range
    if core == "charged capacitor":
        low = max(low, _LEAST_FOR_CAPACITOR)
        if chosen.supply < low and supply is None:
            volts = low
    if not low <= volts <= high:
        span = f"{low:g} V to {high:g} V" if low <= high else "no supply: choose another core or stage"
        message = f"{volts:g} V is out of the range of this core and stage together; expected {span}"
        raise InputError([Finding(None, message, "--supply")])
    made = (
        _charged_capacitor(volts)
        if core != DEFAULT_CORE
        else _ramp_source(_round(volts * chosen.share), chosen.period)
    )
    return Starter(_netlist(name, chosen, made, volts), _board(name, chosen, made, volts))


@dataclass(frozen=True)
class _Core:
    """Pieces of a core: its kind, models and netlist lines, further keys of ``[core]``, intended and given
    values, formulas, and where the ramp begins and ends (V)."""

    kind: str
    words: str
    include: tuple[str, ...]
    lines: tuple[str, ...]
    table: tuple[str, ...]
    intended: tuple[str, ...]
    given: tuple[str, ...]
    hand: tuple[str, ...]
    bottom: float
    top: float

    @property
    def middle(self) -> float:
        """The middle of the ramp (V), to two digits."""
        return _round(0.5 * (self.bottom + self.top))


_SHARE = "(threshold - ramp_low) / (ramp_high - ramp_low)"


def _ramp_source(top: float, period: float) -> _Core:
    sweep, edge = (written(share * period, "s") for share in (0.98, 0.01))
    units = period / 1e-3
    return _Core(
        kind="ramp source",
        words=f"an ideal ramp of 0 V to {top:g} V",
        include=(),
        lines=(
            f"* an ideal ramp: {sweep} up, {edge} at the top, {edge} down",
            f"Vramp ramp 0 PULSE(0 {top:g} 0 {980 * units:g}u {10 * units:g}u {10 * units:g}u {units:g}m)",
        ),
        table=('source = "Vramp"',),
        intended=(),
        given=(
            f'top = "{top:g} V"',
            f'period = "{written(period, "s")}"',
            f'sweep = "{sweep}"',
            f'edge = "{edge}"',
        ),
        hand=(
            'ramp_low = "0 V"',
            'ramp_high = "top"',
            'frequency = "1 / period"',
            f'duty = "{_SHARE} * (sweep + edge) / period"',
        ),
        bottom=0.0,
        top=top,
    )


def _charged_capacitor(supply: float) -> _Core:
    return _Core(
        kind="charged capacitor",
        words="a current that fills a capacitor up to half the supply, and a switch that empties it",
        include=("comparator_393.inc", "mosfet_small_n.inc"),
        lines=(
            "* a current fills the capacitor up to half the supply; then the trip comparator turns both",
            "* switches on: one empties the capacitor, the other pulls the trip level down to the foot",
            "Ipitch vcc ramp 15u",
            "Cramp ramp 0 4.7n",
            "Rreset ramp drain 1k",
            "Mreset drain gate 0 0 mosfet_small_n w=1 l=1",
            "Rtripup vcc trip 10k",
            "Rtripdown trip 0 10k",
            "Rfoot trip foot 430",
            "Mpull foot gate 0 0 mosfet_small_n w=1 l=1",
            "Ctrip trip 0 22p",
            "Xtrip ramp trip vcc 0 gate comparator_393",
            "Rgate vcc gate 4.7k",
            ".ic v(ramp)=0",
        ),
        table=(
            'capacitor = "Cramp"', 'current = "Ipitch"', 'comparator = "Xtrip"', 'trip = "trip"',
            'gate_pullup = "Rgate"', 'reset_switch = "Mreset"', 'reset_resistor = "Rreset"',
            'pulldown_switch = "Mpull"', 'pulldown_resistor = "Rfoot"',
        ),
        intended=(
            'Ipitch = "15 uA"', 'Cramp = "4.7n 5%"', 'Rreset = "1k 5%"', 'Rtripup = "10k 1%"',
            'Rtripdown = "10k 1%"', 'Rfoot = "430 Ohm 1%"', 'Ctrip = "22p 20%"', 'Rgate = "4.7k 5%"',
        ),
        given=(),
        hand=(
            'ramp_high = "supply * Rtripdown / (Rtripup + Rtripdown)"',
            'ramp_low = "supply * parallel(Rtripdown, Rfoot) / (Rtripup + parallel(Rtripdown, Rfoot))"',
            'frequency = "Ipitch / (Cramp * (ramp_high - ramp_low))"',
            f'duty = "clip({_SHARE}, 0, 1)"',
        ),
        bottom=0.04 * supply,
        top=0.5 * supply,
    )  # fmt: skip


def _round(value: float) -> float:
    return float(f"{value:.2g}")


def _netlist(name: str, stage: Stage, core: _Core, supply: float) -> str:
    includes = dict.fromkeys((*core.include, stage.include))
    lines = [
        f"* {name}: {core.words}, sliced at a threshold that a control voltage moves",
        *(f'.include "parts/{include}"' for include in includes),
        f"Vcc vcc 0 {supply:g}",
        *((f"Vee vee 0 {-supply:g}",) if stage.split else ()),
        f"Vref ref 0 {core.middle:g}",
        f"Vcontrol control 0 {core.middle:g}",
        *core.lines,
        "* the threshold: a reference and the control, each over a resistor",
        "Rref ref thr 100k",
        "Rcontrol control thr 150k",
        stage.line,
        *(("Rpull vcc out 4.7k",) if stage.pulled_up else ()),
        "Cload out 0 220p",
        ".end",
    ]
    return "\n".join(lines) + "\n"


def _board(name: str, stage: Stage, core: _Core, supply: float) -> str:
    pulled = stage.pulled_up
    sections = {
        "board": ("", ["format = 1", f'name = "{name}"', 'revision = "A"', f'netlist = "{name}.cir"']),
        "roles": ("which node and part is what", _roles(stage)),
        "core": ("how the ramp is made", ["kind = " + f'"{core.kind}"', *core.table]),
        "intended": ("values as you mean them, never read from the netlist", _intended(stage, core, supply)),
        "given": ("further numbers for the formulas", [*core.given, *_if(pulled, 'saturation = "0.15 V"')]),
        "axes.control": (
            "what is swept; `sets` is the netlist's source, part or parameter",
            [f"values = {_control_values(core)}", 'unit = "V"', 'sets = "Vcontrol"'],
        ),
        "axes.supply": (
            "",
            [
                f"values = {_supply_values(stage, supply)}",
                'unit = "V"',
                'sets = "Vcc"',
                f"nominal = {supply:g}",
            ],
        ),
        "axes.temperature": ("", ["values = [0, 25, 50]"]),
        "corners": ("", ['grids = [["control", "supply"], ["temperature"]]']),
        "hand": ("your formulas; units are checked", [_THRESHOLD, *core.hand, *_if(pulled, *_PULLED_UP)]),
        "limits": (
            "what the board has to keep to",
            [
                "duty = { least = 0.1, most = 0.9 }",
                *_if(pulled, 'low_level = { most = "0.4 V" }', 'pullup_current = { most = "4 mA" }'),
                'headroom = { least = "0 V" }',
            ],
        ),
    }
    lines = [f"# {name}: a board to begin with. Change the values here as you mean them."]
    for table, (comment, entries) in sections.items():
        head = f"[{table}]"
        if entries:
            lines += ["", f"{head:<32} # {comment}" if comment else head, *entries]
    return "\n".join(lines) + "\n"


_THRESHOLD = 'threshold = "(control / Rcontrol + Vref / Rref) * parallel(Rcontrol, Rref)"'
_PULLED_UP = (
    'low_level = "saturation"',
    'high_level = "supply"',
    'pullup_current = "(supply - saturation) / Rpull"',
    'rise_time = "ln(9) * Rpull * Cload"',
)


def _if(condition: bool, *lines: str) -> list[str]:
    return list(lines) if condition else []


def _roles(stage: Stage) -> list[str]:
    rails = '{ vcc = "Vcc", vee = "Vee" }' if stage.split else '{ vcc = "Vcc" }'
    return [
        'ramp = "ramp"',
        'threshold = "thr"',
        'output = "out"',
        'comparator = "Xslice"',
        f'comparator_class = "{stage.class_}"',
        'ramp_input = "minus"             # the output is high while the ramp lies below the threshold',
        *_if(stage.pulled_up, 'pullup = "Rpull"'),
        'supply = "Vcc"',
        f"supplies = {rails}",
        'load_capacitor = "Cload"',
    ]


def _intended(stage: Stage, core: _Core, supply: float) -> list[str]:
    return [
        f'Vref = "{core.middle:g} V"',
        'Rref = "100k 1%"',
        'Rcontrol = "150k 1%"',
        *_if(stage.pulled_up, 'Rpull = "4.7k 5%"'),
        'Cload = "220p 10%"',
        *_if(stage.split, f'Vee = "{-supply:g} V"'),
        *core.intended,
    ]


def _control_values(core: _Core) -> list[float]:
    """Three values that keep the threshold inside the ramp: it moves by 0.4 of what the control does."""
    swing = _round(0.5 * (core.top - core.bottom))
    return [round(core.middle + step * swing, 6) for step in (-1.0, 0.0, 1.0)]


def _supply_values(stage: Stage, supply: float) -> list[float]:
    """10 % either way (common practice, no source), or what the class works on."""
    low, high = stage.range
    return [round(max(low, 0.9 * supply), 6), supply, round(min(high, 1.1 * supply), 6)]
