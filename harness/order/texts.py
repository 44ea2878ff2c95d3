# SPDX-License-Identifier: GPL-3.0-or-later
"""What every order document says: what is not covered, what to mind, what its words mean."""

from __future__ import annotations

_NOT_COVERED = (
    "The layout: wiring and its parasitic resistance, inductance and capacitance, ground returns, coupling"
    " between tracks, a bypass capacitor that is too far away.",
    "Noise and jitter; radio interference, sent out or taken in; electrostatic discharge (ESD); what long"
    " cables bring in.",
    "Ageing, moisture, self-heating, and thermal gradients: every corner has one temperature for all parts.",
    "Mechanical things: footprints, pin numbers of packages, connectors, heat sinks, the case, vibration.",
    "Assembly: wrong or reversed parts, solder faults, flux. The bench decides.",
    "{supplies}",
    "Whatever the models do not know. They are as good as their sources, which stand in the report; a corner"
    " out of range carries no verdict, whatever its waveform looks like.",
    "Availability, price, and substitutes: another maker's part of the same type is another part.",
)

_SUPPLIES = "Supplies that come up slowly, in the wrong order or reversed, and what parts bear meanwhile."
_OTHER_SUPPLIES = (
    "Supplies that come up otherwise than the single faults say, that bounce, or that are reversed; what"
    " parts bear meanwhile at other corners than those of the faults."
)


def not_covered(supplies_come_up: bool) -> tuple[str, ...]:
    """What no figure of the document covers. ``supplies_come_up``: that was simulated among the faults."""
    supplies = _OTHER_SUPPLIES if supplies_come_up else _SUPPLIES
    return tuple(text.format(supplies=supplies) for text in _NOT_COVERED)


def while_coming_up(supplies_come_up: bool) -> str:
    """What the ratings say of the time before a board is at rest: a run watches the settled cycle alone."""
    if supplies_come_up:
        return (
            "What parts bear while supplies come up stands among the single faults, where it passes a rating."
        )
    return "What parts bear while supplies come up is not covered."


CAUTIONS = (
    "First power from a bench supply with its current limit set just above the expected current, the board on"
    " an insulating surface. Raise the voltage slowly and watch the current.",
    "Check polarity with a meter before connecting: a reversed supply destroys parts at once and may heat"
    " them unseen.",
    "Parts may be hot to the touch, and hotter where something is wrong. Feel with the back of a hand, last.",
    "Turn monitors down and take headphones off before plugging in. Pulses are loud and shrill, and a fault"
    " may put full swing or a direct voltage on the output. Ears first, then loudspeakers.",
    "Nothing here is meant for the mains. A mains supply is the work of qualified people under local codes.",
)

WORDS = (
    ("intended", "what the board file says; it never reads the netlist"),
    ("drawn", "what the netlist says: its values and its resistive network"),
    ("hand", "the designer's own formulas, with intended values"),
    ("refined", "drawn values and effects of real parts, each with its origin; no simulation of the board"),
    ("simulated", "the netlist in ngspice with the models of its parts, one settled cycle"),
    ("± bar", "half the width of the numerical error bar; no statement about models or parts"),
    ("margin", "room to the nearest limit, bar subtracted; negative beyond it"),
    ("agrees, explained", "within the tolerance; off, and named effects account for it"),
    ("disagrees", "off by more than the tolerance and not accounted for"),
    ("too coarse, too close to call", "the bar is too wide for the tolerance; the limit lies inside the bar"),
    ("no figure", "the corner has no such figure; under a limit never a pass"),
)
"""Words of the tables."""

HOLDS = "What a simulation shows holds for its models and its corners, no further."
