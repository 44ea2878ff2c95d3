# SPDX-License-Identifier: GPL-3.0-or-later
"""A model file that somebody else wrote: read, refused where it would run something, and taken as a class.

Such a file has no title line, holds subcircuits and models beside one another, and often pins in an order
of its own. Which order it is, is tried (:mod:`harness.parts.pin_orders`); what it does is measured on the
benches of the class's sheet.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.findings import Finding, InputError, NetlistError, nearest
from harness.netlist import Netlist, read_netlist
from harness.netlist.dialects import COMMERCIAL, NATIVE, Dialects
from harness.sheets import Sheet, models, read_sheet

#: the classes that a model can be taken as, each with the sheets that may stand for it, by their models
CLASSES: dict[str, tuple[str, ...]] = {
    "393": ("comparator_393",),
    "311": ("comparator_311",),
    "push-pull": ("comparator_push_pull",),
    "07x": ("opamp_07x",),
    "rail-to-rail": ("opamp_rail_to_rail",),
    "mosfet": ("mosfet_small_n",),
    "jfet": ("jfet_switching_n",),
    "bipolar": ("npn_small", "pnp_small"),
    "diode": ("diode_signal",),
}
_INSIDE = "subcircuit"


@dataclass(frozen=True)
class Candidate:
    """A subcircuit or ``.model`` of a file. ``kind``: ``subcircuit`` or the model's type, lower case.

    ``pins``: the names that the file gives them, none for a ``.model``; ``lines``: all that it needs, in the
    engine's own notation; ``dialect``: the notation that the file was read in.
    """

    path: Path
    name: str
    kind: str
    pins: tuple[str, ...]
    lines: tuple[str, ...]
    dialect: str = NATIVE


def sheets_of(class_: str) -> tuple[Sheet, ...]:
    """The sheets of a class, named in any case. Raises InputError for one that there is not."""
    known = {name: [model for model in CLASSES[name] if model in models()] for name in CLASSES}
    valid = [name for name, there in known.items() if there]
    if class_.lower() not in valid:
        raise InputError([Finding(None, f'--as: there is no class "{class_}"{nearest(class_, valid)}')])
    return tuple(read_sheet(model) for model in known[class_.lower()])


def read_candidate(path: Path, name: str = "") -> Candidate:
    """The one subcircuit or model of a file, or the one called ``name``; read as the engine's own notation,
    and where that does not do, as the commercial one.

    Raises InputError with every reason: no such file, lines that are refused or not understood, several to
    choose from.
    """
    try:
        return _read_as(path, name, NATIVE)
    except NetlistError:
        return _read_as(path, name, COMMERCIAL)


def _read_as(path: Path, name: str, dialect: str) -> Candidate:
    netlist = _read(path, (), dialect)
    inside = _names_inside(netlist)
    if not inside:
        raise InputError([Finding(path, "holds no .subckt and no .model; expected a model of a device")])
    chosen = name.lower() or _only(path, netlist, inside)
    if chosen not in inside:
        raise InputError([Finding(path, f'holds no subcircuit or model "{name}"{nearest(name, inside)}')])
    if inside[chosen] != _INSIDE:
        return Candidate(path, chosen, inside[chosen], (), (netlist.models[chosen].line.text,), dialect)
    pins = netlist.subcircuits[chosen].nodes
    netlist = _read(path, [f"xdut {' '.join(f'n{k}' for k in range(len(pins)))} {chosen}"], dialect)
    lines = tuple(line for line in netlist.subcircuit_text(chosen).splitlines() if line.strip())
    return Candidate(path, chosen, _INSIDE, pins, lines, dialect)


def _read(path: Path, parts: Sequence[str], dialect: str) -> Netlist:
    """The file included into a netlist that holds nothing else but ``parts``."""
    if not path.is_file():
        raise InputError([Finding(path, "there is no such file; expected a SPICE model file")])
    if any(character in path.name for character in "'\"\n"):
        raise InputError([Finding(path, "its name holds a quote; rename it")])
    with tempfile.TemporaryDirectory() as folder:
        frame = Path(folder) / "model.cir"
        lines = ["* a model alone", f'.include "{path.name}"', "rframe frame 0 1", *parts, ".end"]
        frame.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return read_netlist(frame, [path.resolve().parent], Dialects(dialect))


def _names_inside(netlist: Netlist) -> dict[str, str]:
    """Kind by name of everything that a file defines at its top level."""
    kinds = {name: model.kind for name, model in netlist.models.items()}
    return kinds | dict.fromkeys(netlist.subcircuits, _INSIDE)


def _only(path: Path, netlist: Netlist, inside: dict[str, str]) -> str:
    """The one thing that a file is about: its only subcircuit, or its only model where it has none.

    A subcircuit that another one of the file uses is no candidate.
    """
    used = {
        part.model
        for circuit in netlist.subcircuits.values()
        for part in circuit.parts.values()
        if part.model
    }
    subcircuits = [name for name in netlist.subcircuits if name not in used]
    found = subcircuits or [name for name in inside if name not in used]
    if len(found) == 1:
        return found[0]
    names = ", ".join(found or inside)
    raise InputError([Finding(path, f"holds several: {names}; say which one with --name")])
