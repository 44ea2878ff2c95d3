# SPDX-License-Identifier: GPL-3.0-or-later
"""Width networks of boards to begin with: what sets the threshold. Values and formulas are examples,
invented; the circuits are those of ``netlists/networks/``, drawn out so that every part can be changed."""

from __future__ import annotations

from dataclasses import dataclass

from harness.new.starter_cores import StarterCore, rounded

DEFAULT_NETWORK = "reference and control"
_TRACK = 50.0  # kOhm, of the panel potentiometer


@dataclass(frozen=True)
class StarterNetwork:
    """Pieces of a network: what the title says of it, its netlist lines with their includes, intended and
    given values, its axes (table, lines), the grid of corners that begins with them, and formulas."""

    words: str
    lines: tuple[str, ...]
    intended: tuple[str, ...]
    axes: tuple[tuple[str, tuple[str, ...]], ...]
    grids: str
    hand: tuple[str, ...]
    given: tuple[str, ...] = ()
    include: tuple[str, ...] = ()


def _reference_and_control(core: StarterCore) -> StarterNetwork:
    return StarterNetwork(
        words="a threshold that a control voltage moves",
        lines=(
            "* the threshold: a reference and the control, each over a resistor",
            f"Vref ref 0 {core.middle:g}",
            f"Vcontrol control 0 {core.middle:g}",
            "Rref ref thr 100k",
            "Rcontrol control thr 150k",
        ),
        intended=(f'Vref = "{core.middle:g} V"', 'Rref = "100k 1%"', 'Rcontrol = "150k 1%"'),
        axes=(("control", _control(core, 0.5)),),
        grids='[["control", "supply"], ["temperature"]]',
        hand=('threshold = "(control / Rcontrol + Vref / Rref) * parallel(Rcontrol, Rref)"',),
    )


def _control_alone(core: StarterCore) -> StarterNetwork:
    return StarterNetwork(
        words="a threshold that is a control voltage",
        lines=(
            "* the threshold: the control over a resistor, and a capacitor against what it picks up",
            f"Vcontrol control 0 {core.middle:g}",
            "Rcontrol control thr 47k",
            "Cthr thr 0 1n",
        ),
        intended=('Rcontrol = "47k 5%"', 'Cthr = "1n 10%"'),
        axes=(("control", _control(core, 0.25)),),
        grids='[["control", "supply"], ["temperature"]]',
        hand=('threshold = "control"',),
    )


def _control(core: StarterCore, share: float) -> tuple[str, ...]:
    """Three values, ``share`` of the ramp's height apart."""
    swing = rounded(share * (core.top - core.bottom))
    values = [round(core.middle + step * swing, 6) for step in (-1.0, 0.0, 1.0)]
    return (f"values = {values}", 'unit = "V"', 'sets = "Vcontrol"')


@dataclass(frozen=True)
class _Knob:
    """A potentiometer between two end-stop resistors (kOhm) on a reference (V)."""

    reference: float
    above: float
    below: float

    @classmethod
    def over(cls, core: StarterCore, first: float, last: float) -> _Knob:
        """The knob whose turn goes over this stretch of the ramp (shares of its height)."""
        height = core.top - core.bottom
        reference = rounded(core.top)
        low, high = core.bottom + first * height, core.bottom + last * height
        whole = _TRACK * reference / (high - low)
        below = rounded(whole * low / reference)
        return cls(reference, rounded(whole - below - _TRACK), below)

    def lines(self) -> tuple[str, ...]:
        return (
            f".param knob=0.5 track={_TRACK:g}k",
            f"Vref ref 0 {self.reference:g}",
            f"Rabove ref knobtop {self.above:g}k",
            "Rknobup knobtop wiper {50+(track-100)*(1-knob)}",
            "Rknobdown wiper knobfoot {50+(track-100)*knob}",
            f"Rbelow knobfoot 0 {self.below:g}k",
        )

    def intended(self) -> tuple[str, ...]:
        half = f"{_TRACK / 2:g}k 20%"
        return (
            f'Vref = "{self.reference:g} V"',
            f'Rabove = "{self.above:g}k 1%"',
            f'Rbelow = "{self.below:g}k 1%"',
            f'Rknobup = "{half}"               # the two halves of the potentiometer, knob in the middle',
            f'Rknobdown = "{half}"',
        )


_GIVEN = (f'track = "{_TRACK:g} kOhm"            # the whole potentiometer',)
_TURN = ("values = [0, 0.5, 1]", 'sets = "knob"', "nominal = 0.5")
_STATES = 'values = { unplugged = 0, "at 0 V" = 1, driven = 2 }'
_VOLTS = 'unit = "V"'
_AT_WIPER = (
    'knob_total = "Rabove + track + Rbelow"',
    'knob_voltage = "Vref * (Rbelow + track * knob) / knob_total"',
)


def _knob(core: StarterCore) -> StarterNetwork:
    knob = _Knob.over(core, 0.2, 0.8)
    return StarterNetwork(
        words="a threshold that a knob moves",
        lines=(
            "* the threshold: a knob between two end-stop resistors (0 narrowest, 1 widest)",
            *knob.lines(),
            "Rknob wiper thr 10k",
            "Cthr thr 0 1n",
        ),
        intended=(*knob.intended(), 'Rknob = "10k 5%"', 'Cthr = "1n 10%"'),
        axes=(("knob", _TURN),),
        grids='[["knob", "supply"], ["temperature"]]',
        hand=(*_AT_WIPER, 'threshold = "knob_voltage"'),
        given=_GIVEN,
    )


def _knob_and_jack(core: StarterCore) -> StarterNetwork:
    knob, level = _Knob.over(core, 0.35, 0.65), core.middle
    return StarterNetwork(
        words="a threshold that a knob and an external control move",
        lines=(
            "* the threshold: a knob between two end-stop resistors (0 narrowest, 1 widest), and a jack",
            "* that may be empty (0), at 0 V (1) or driven (2)",
            *knob.lines(),
            "Rknob wiper thr 68k",
            f".param jack=2 control={level:g}",
            "Xjack tip control_jack state={jack} level={control} source=1k",
            "Rcontrol tip thr 470k",
        ),
        intended=(*knob.intended(), 'Rknob = "68k 1%"', 'Rcontrol = "470k 1%"'),
        axes=(
            ("knob", _TURN),
            ("jack", (_STATES, 'sets = "jack"', 'nominal = "driven"')),
            ("control", (f"values = [0, {2 * level:g}]", _VOLTS, 'sets = "control"', f"nominal = {level:g}")),
        ),
        grids='[["knob", "jack"], ["control"], ["supply"], ["temperature"]]',
        hand=(
            *_AT_WIPER,
            'of_knob = "Rknob + parallel(Rabove + track * (1 - knob), Rbelow + track * knob)"',
            'of_jack = "Rcontrol + jack_source"',
            'at_jack = "where(jack == 2, control, 0 V)"',
            'both = "(knob_voltage / of_knob + at_jack / of_jack) * parallel(of_knob, of_jack)"',
            'threshold = "where(jack == 0, knob_voltage, both)"',
        ),
        given=(*_GIVEN, 'jack_source = "1 kOhm"            # of what is plugged in'),
        include=("networks/control_jack.inc",),
    )  # fmt: skip


_MAKERS = {
    DEFAULT_NETWORK: _reference_and_control,
    "control": _control_alone,
    "knob": _knob,
    "knob and jack": _knob_and_jack,
}
NETWORKS = tuple(_MAKERS)


def network_of(network: str, core: StarterCore) -> StarterNetwork:
    """The network of this name, its values chosen for the ramp of a core."""
    return _MAKERS[network](core)
