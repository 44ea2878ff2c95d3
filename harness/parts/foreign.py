# SPDX-License-Identifier: GPL-3.0-or-later
"""A model file that somebody else wrote: read, refused where it would run something, and taken as a class.

Such a file has no title line, holds subcircuits and models beside one another, and often pins in an order
of its own. Which order it is, is tried (:mod:`harness.parts.pin_orders`); what it does is measured on the
benches of the class's sheet.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from harness.findings import Finding, InputError, NetlistError, nearest
from harness.netlist import Netlist, read_netlist
from harness.netlist.dialects import COMMERCIAL, NATIVE, Dialects
from harness.netlist.lines import read_lines
from harness.netlist.unneeded import Definition, definitions_in
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
_SECTION = re.compile(r"^\s*\.lib\s+([^\s\"']+)\s*$", re.IGNORECASE | re.MULTILINE)


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
    inside = _definitions(path)
    chosen = name.lower() or _only(path, inside)
    netlist = _read(path, (), dialect, chosen)
    if chosen in netlist.models:
        model = netlist.models[chosen]
        return Candidate(path, chosen, model.kind, (), (model.line.text,), dialect)
    if chosen not in netlist.subcircuits:
        names = [each.name for each in inside]
        raise InputError([Finding(path, f'holds no subcircuit or model "{name}"{nearest(name, names)}')])
    pins = netlist.subcircuits[chosen].nodes
    netlist = _read(path, [f"xdut {' '.join(f'n{k}' for k in range(len(pins)))} {chosen}"], dialect)
    lines = tuple(line for line in netlist.subcircuit_text(chosen).splitlines() if line.strip())
    return Candidate(path, chosen, _INSIDE, pins, lines, dialect)


def _read(path: Path, parts: Sequence[str], dialect: str, wanted: str = "") -> Netlist:
    """The file in a netlist that holds nothing else but ``parts``; what is ``wanted`` has to be readable."""
    with _framed(path, parts) as frame:
        return read_netlist(frame, [path.resolve().parent], Dialects(dialect), (wanted,))


@contextmanager
def _framed(path: Path, parts: Sequence[str] = ()) -> Iterator[Path]:
    """A netlist that includes the file and holds nothing else but ``parts``."""
    if not path.is_file():
        raise InputError([Finding(path, "there is no such file; expected a SPICE model file")])
    if any(character in path.name for character in "'\"\n"):
        raise InputError([Finding(path, "its name holds a quote; rename it")])
    with tempfile.TemporaryDirectory() as folder:
        frame = Path(folder) / "model.cir"
        lines = ["* a model alone", f'.include "{path.name}"', "rframe frame 0 1", *parts, ".end"]
        frame.write_text("\n".join(lines) + "\n", encoding="utf-8")
        yield frame


def _definitions(path: Path) -> list[Definition]:
    """Everything that a file defines at its top level, whether it can be read or not. Raises InputError where
    there is nothing."""
    with _framed(path) as frame:
        reading = read_lines(frame, [frame.parent, path.resolve().parent], lambda file: True)
    found = list({one.name: one for one in definitions_in(reading.lines)}.values())
    if not found and reading.findings:
        raise InputError(reading.findings)
    if not found:
        sections = ", ".join(dict.fromkeys(_SECTION.findall(path.read_text(encoding="latin-1"))))
        message = "holds no .subckt and no .model; expected a model of a device"
        if sections:
            message = (
                f"holds sections only ({sections}); copy the model that is to be tested to a file of its own"
            )
        raise InputError([Finding(path, message)])
    return found


def _only(path: Path, inside: Sequence[Definition]) -> str:
    """The one thing that a file is about: its only subcircuit, or its only model where it has none.

    A subcircuit that another one of the file uses is no candidate.
    """
    used = {one.name for one in inside for other in inside if other is not one and one.name in other.words}
    free = [one for one in inside if one.name not in used]
    found = [one.name for one in free if one.is_subcircuit] or [one.name for one in free]
    if len(found) == 1:
        return found[0]
    names = ", ".join(found or [one.name for one in inside])
    raise InputError([Finding(path, f"holds several: {names}; say which one with --name")])
