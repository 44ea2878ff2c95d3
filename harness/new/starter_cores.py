# SPDX-License-Identifier: GPL-3.0-or-later
"""Ramp cores of boards to begin with. Netlists, values and formulas are examples, invented; the circuits are
those of ``netlists/cores/``, drawn out so that every part can be changed."""

from __future__ import annotations

from dataclasses import dataclass

from harness.new.text import written

DEFAULT_CORE = "ramp source"
CORES = (DEFAULT_CORE, "charged capacitor", "snapped capacitor", "integrator")
#: V: what the models of a core work on, with room for its trip level; others take what the stage takes
_SUPPLIES = {"charged capacitor": (9.0, 36.0), "snapped capacitor": (4.5, 5.5), "integrator": (12.0, 15.0)}
_USUAL = {"snapped capacitor": 5.0}
SATURATION = 'saturation = "0.15 V"'


def rounded(value: float) -> float:
    """The figure to two digits."""
    return float(f"{value:.2g}")


def core_range(core: str, low: float, high: float) -> tuple[float, float]:
    """Supplies (V) that a core is made for; ``low`` to ``high`` where it does not mind."""
    return _SUPPLIES.get(core, (low, high))


def usual_supply(core: str, supply: float) -> float:
    """The supply (V) that a core is drawn with beside a stage that usually has ``supply``."""
    return _USUAL.get(core, max(supply, core_range(core, supply, supply)[0]))


def core_of(core: str, supply: float, share: float, period: float) -> StarterCore:
    """The core of this kind at a supply (V); an ideal ramp reaches ``share`` of it every ``period`` (s)."""
    if core == "charged capacitor":
        return _charged_capacitor(supply)
    if core == "integrator":
        return _integrator(supply)
    if core == "snapped capacitor":
        return _snapped_capacitor(supply)
    return _ramp_source(rounded(supply * share), period)


@dataclass(frozen=True)
class StarterCore:
    """Pieces of a core: its kind, models and netlist lines, further keys of ``[core]``, intended and given
    values, formulas, where the ramp begins and ends (V), and whether it wants a negative supply, ``Vee``."""

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
    split: bool = False

    @property
    def middle(self) -> float:
        """The middle of the ramp (V), to two digits."""
        return rounded(0.5 * (self.bottom + self.top))


SHARE = "(threshold - ramp_low) / (ramp_high - ramp_low)"


def _ramp_source(top: float, period: float) -> StarterCore:
    sweep, edge = (written(share * period, "s") for share in (0.98, 0.01))
    units = period / 1e-3
    return StarterCore(
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
            f'duty = "{SHARE} * (sweep + edge) / period"',
        ),
        bottom=0.0,
        top=top,
    )


def _charged_capacitor(supply: float) -> StarterCore:
    return StarterCore(
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
            f'duty = "clip({SHARE}, 0, 1)"',
        ),
        bottom=0.04 * supply,
        top=0.5 * supply,
    )  # fmt: skip


def _snapped_capacitor(supply: float) -> StarterCore:
    top = rounded(0.6 * supply)
    return StarterCore(
        kind="snapped capacitor",
        words="a capacitor that a CMOS switch snaps up and a current sweeps down, and a follower",
        include=(
            "comparator_push_pull.inc", "switch_cmos.inc", "diode_signal.inc", "opamp_rail_to_rail.inc",
        ),
        lines=(
            "* the switch snaps the capacitor up to the reference, a current sweeps it down to the trip",
            f"Vtop top 0 {top:g}",
            "Isweep hold 0 2.2u",
            "Cramp hold 0 2.2n",
            "Xsnap top hold close vcc 0 switch_cmos",
            "Xfollow hold ramp vcc 0 ramp opamp_rail_to_rail",
            "Rup top trip 24k",
            "Rdown trip 0 30k",
            "Rback gate trip 36k",
            "Xtrip trip ramp vcc 0 gate comparator_push_pull",
            "* what keeps the switch closed until the capacitor has arrived",
            "Rhold gate close 22k",
            "Dhold gate close diode_signal",
            "Chold close 0 330p",
            f".ic v(hold)={top:g}",
        ),
        table=(
            'capacitor = "Cramp"', 'current = "Isweep"', 'reference = "top"', 'switch = "Xsnap"',
            'follower = "Xfollow"', 'comparator = "Xtrip"', 'trip = "trip"',
            'hold_resistor = "Rhold"', 'hold_capacitor = "Chold"',
        ),
        intended=(
            f'Vtop = "{top:g} V"', 'Isweep = "2.2 uA"', 'Cramp = "2.2n 5%"', 'Rup = "24k 1%"',
            'Rdown = "30k 1%"',
            'Rback = "36k 1%"', 'Rhold = "22k 5%"', 'Chold = "330p 10%"',
        ),
        given=(),
        hand=(
            'ramp_high = "Vtop"',
            'ramp_low = "Vtop / Rup * parallel(Rup, Rdown, Rback)"',
            'frequency = "Isweep / (Cramp * (ramp_high - ramp_low))"',
            f'duty = "clip({SHARE}, 0, 1)"',
        ),
        bottom=top / 24.0 / (1 / 24.0 + 1 / 30.0 + 1 / 36.0),
        top=top,
    )  # fmt: skip


def _integrator(supply: float) -> StarterCore:
    return StarterCore(
        kind="integrator",
        words="an op-amp integrator that a JFET empties",
        include=("opamp_07x.inc", "comparator_311.inc", "jfet_switching_n.inc"),
        lines=(
            "* a current out of the summing node sweeps the integrator's output up",
            "Vminus minus 0 -5",
            "Rrate minus sum 22k",
            "Xint 0 sum vcc vee ramp opamp_07x",
            "Cint ramp sum 220n",
            "* the JFET empties the capacitor while the trip comparator lets go of its gate",
            "Rreset ramp drain 330",
            "Jreset drain gate sum jfet_switching_n",
            "Rstop drive gate 47k",
            "Vlevel level 0 0.5",
            "Rramp ramp sense 43k",
            "Rhold drive sense 100k",
            "Xtrip sense level vcc vee drive vee comparator_311",
            "Rdrive 0 drive 4.7k",
            ".ic v(ramp)=1 v(sum)=0",
        ),
        table=(
            'capacitor = "Cint"', 'amplifier = "Xint"', 'comparator = "Xtrip"', 'trip = "level"',
            'gate_pullup = "Rdrive"', 'reset_switch = "Jreset"', 'reset_resistor = "Rreset"',
        ),
        intended=(
            'Vminus = "-5 V"', 'Vlevel = "0.5 V"', 'Rrate = "22k 1%"', 'Cint = "220n 5%"',
            'Rreset = "330 Ohm 5%"', 'Rstop = "47k 5%"', 'Rramp = "43k 1%"', 'Rhold = "100k 1%"',
            'Rdrive = "4.7k 5%"',
        ),
        given=(),
        hand=(
            "# the comparator turns where its input, between the ramp and its own output, meets the level",
            'ramp_low = "Vlevel * (1 + Rramp / (Rhold + Rdrive))"',
            'ramp_high = "Vlevel + (Vlevel - Vee) * Rramp / Rhold"',
            'frequency = "-Vminus / (Rrate * Cint * (ramp_high - ramp_low))"',
            f'duty = "clip({SHARE}, 0, 1)"',
        ),
        bottom=0.5 * 1.43,
        top=0.5 * 1.43 + supply * 0.43,
        split=True,
    )  # fmt: skip
