# SPDX-License-Identifier: GPL-3.0-or-later
"""Loading a board file: what a designer intends, with every mistake found at once and pointed at."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path

from harness.board_formulas import check_formulas
from harness.board_reading import Table, described, read_quantity
from harness.corners import MOST_CORNERS, corner_count_bound, corner_names, corner_rows
from harness.findings import BoardError, Finding, nearest
from harness.formula import CONSTANTS, FUNCTIONS, Formula, FormulaError
from harness.intent import (
    Axis,
    Board,
    Core,
    Expected,
    Intended,
    Limit,
    Roles,
    Simulation,
    Tolerance,
)
from harness.quantities import STEMS, Scale, is_stem, stem
from harness.toml_source import Source, read_source
from harness.units import Quantity, parse_unit

__all__ = [
    "Axis", "Board", "BoardError", "Core", "Expected", "Finding", "Intended", "Limit", "Quantity", "Roles",
    "Simulation", "Tolerance", "load_board",
]  # fmt: skip

FORMAT = 1
COMPARATOR_CLASSES = ("393",)
PART_UNITS = {"R": "Ohm", "C": "F", "L": "H", "V": "V", "I": "A"}
_PART_KINDS = {
    "R": "a resistor", "C": "a capacitor", "V": "a voltage source", "I": "a current source",
    "X": "an instance of a subcircuit", "M": "a MOSFET", "Q": "a bipolar transistor",
}  # fmt: skip
_ROLE_LETTERS = {"comparator": "X", "pullup": "R", "supply": "V", "load_resistor": "R", "load_capacitor": "C"}
_CORE_KEYS = {
    "ramp source": {"source": "V"},
    "charged capacitor": {
        "capacitor": "C", "current": "VI", "comparator": "X", "trip": "", "gate_pullup": "R", "reset_switch": "MQJSX",
        "reset_resistor": "R", "pulldown_switch": "MQJSX", "pulldown_resistor": "R",
    },
}  # fmt: skip
_CORE_NEEDS = ("capacitor", "current", "comparator", "trip")
_NAME = re.compile(r"[A-Za-z_]\w*", re.ASCII)
_FILE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
_TOLERANCE = re.compile(r"(.+?)(?:\s*(?:\u00b1|\+/-|\s)\s*(\d+\.?\d*|\.\d+)\s*%)?", re.DOTALL)
_SHARE = re.compile(r"(\d+\.?\d*|\.\d+)\s*%(?:\s+of\s+(?:the\s+)?(\w+))?")
_RESERVED = frozenset({"corner", "state", "reason"})


def load_board(path: Path | str) -> Board:
    """The content of a board file. Raises BoardError with every finding: file, key, line, what was expected."""
    source = read_source(Path(path))
    board = _Loader(source).board()
    if board is None or source.findings:
        raise BoardError(sorted(source.findings, key=lambda finding: finding.line or 0))
    return board


class _Loader:
    """Reads one table after the other; what cannot be used is left out and noted in ``source.findings``."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.folder = source.path.parent
        self.root = Table(source, (), source.data)

    def board(self) -> Board | None:
        before = len(self.source.findings)
        head = self._head()
        roles = self._roles()
        core = self._core()
        intended = self._intended()
        given = self._given()
        axes = self._axes()
        grids = self._grids(axes)
        hand = self._hand()
        self._distinct()
        order, units = check_formulas(self.source, intended, given, axes, hand)
        corners = self._corners(axes, grids)
        expected = self._expected(axes, corners)
        tolerance = self._tolerance()
        limits = self._limits()
        simulation = self._simulation(corners)
        self.root.finish()
        if len(self.source.findings) > before or head is None or roles is None:
            return None
        name, title, revision, netlist, include = head
        return Board(
            path=self.source.path,
            format=FORMAT,
            name=name,
            title=title,
            revision=revision,
            netlist=netlist,
            include=include,
            roles=roles,
            core=core,
            intended=intended,
            given=given,
            axes=axes,
            grids=grids,
            hand=hand,
            hand_order=order,
            hand_units=units,
            expected=expected,
            tolerance=tolerance,
            limits=limits,
            simulation=simulation,
            sha256=self.source.sha256,
            lines=self.source.lines,
        )

    def _head(self) -> tuple[str, str, str, Path, tuple[Path, ...]] | None:
        table = self.root.table("board", "a table [board] with format, name, revision and netlist", required=True)
        if "board" not in self.root:
            return None
        number = table.whole("format", f"the number {FORMAT}", required=True)
        if number is not None and number != FORMAT:
            table.wrong("format", f"format {number} is not known; this version reads format {FORMAT}")
        name = table.text("name", 'a short name such as "kestrel"', required=True)
        revision = table.text("revision", 'a text such as "A"', required=True)
        for key, value in (("name", name), ("revision", revision)):
            if value and not _FILE_NAME.fullmatch(value):
                table.wrong(key, f'"{value}" becomes part of a folder name; letters, digits, ".", "_" and "-" only')
        title = table.text("title")
        netlist = self._netlist(table)
        include = tuple(
            self.folder / text for text in table.texts("include", 'a list of folders such as ["models"]')
        )
        for place, folder in enumerate(include):
            if not folder.is_dir():
                self.source.add(("board", "include", place), f'there is no folder "{folder}"')
        table.finish()
        if name is None or revision is None or netlist is None:
            return None
        return name, title or name, revision, netlist, include

    def _netlist(self, table: Table) -> Path | None:
        text = table.text("netlist", 'a file beside the board file such as "kestrel.cir"', required=True)
        if text is None:
            return None
        relative = Path(text)
        if relative.is_absolute() or ".." in relative.parts:
            table.wrong("netlist", f'"{text}": the netlist lies beside the board file, write its bare name')
            return None
        netlist = self.folder / relative
        if not netlist.is_file():
            there = [file.name for file in self.folder.iterdir() if file.suffix in (".cir", ".net", ".sp", ".ckt")]
            table.wrong("netlist", f'there is no file "{text}" beside the board file{nearest(text, there)}')
        return netlist

    def _roles(self) -> Roles | None:
        table = self.root.table("roles", "a table [roles] that names ramp, threshold and output", required=True)
        if "roles" not in self.root:
            return None
        nodes = {role: table.text(role, "the name of a node", required=True) for role in ("ramp", "threshold", "output")}
        parts = {role: self._part(table, role, letters) for role, letters in _ROLE_LETTERS.items()}
        rails = table.table("supplies", 'a table such as { vcc = "Vcc" }')
        supplies = {rail: self._part(rails, rail, "V") for rail in rails.keys()}  # noqa: SIM118 - marks keys as known
        class_ = table.choice("comparator_class", COMPARATOR_CLASSES)
        ramp_input = table.choice("ramp_input", ("minus", "plus"))
        if parts["comparator"] and ramp_input is None and "ramp_input" not in table:
            table.missing("ramp_input", 'the comparator input that sees the ramp, "minus" or "plus"')
        table.finish()
        if None in nodes.values():
            return None
        return Roles(
            **{role: name for role, name in nodes.items() if name},
            **parts,
            comparator_class=class_,
            ramp_input=ramp_input,
            supplies={rail: name for rail, name in supplies.items() if name},
        )

    def _part(self, table: Table, key: str, letters: str, required: bool = False) -> str | None:
        kinds = " or ".join(_PART_KINDS[letter] for letter in letters if letter in _PART_KINDS)
        name = table.text(key, f"the name of {kinds or 'a node'}", required)
        own = (name or "").rpartition(".")[2][:1].upper()
        if name and letters and own not in letters:
            table.wrong(key, f'expected {kinds}, whose name begins with {" or ".join(letters)}; got "{name}"')
            return None
        return name

    def _core(self) -> Core | None:
        if "core" not in self.root:
            return None
        table = self.root.table("core")
        kind = table.choice("kind", _CORE_KEYS, required=True)
        if kind is None:
            return None
        keys = _CORE_KEYS[kind]
        needed = _CORE_NEEDS if kind == "charged capacitor" else ()
        parts = {key: self._part(table, key, letters, key in needed) for key, letters in keys.items()}
        mirror = table.texts("mirror", 'a list of transistors such as ["Q1", "Q2"]') if len(keys) > 1 else ()
        table.finish()
        return Core(kind=kind, **parts, mirror=mirror)

    def _intended(self) -> dict[str, Intended]:
        table = self.root.table("intended", 'a table of parts such as Rpull = "3.3k 1%"')
        intended: dict[str, Intended] = {}
        for part in table.keys():  # noqa: SIM118 - marks keys as known
            value = table.data[part]
            text, share = (value, None) if isinstance(value, str) else (str(value), None)
            unit = PART_UNITS.get(part.rpartition(".")[2][:1].upper())
            if isinstance(value, str):
                found = _TOLERANCE.fullmatch(value.strip())
                value, share = (found[1], found[2]) if found else (value, None)
            quantity = read_quantity(self.source, ("intended", part), value, unit)
            if quantity is None:
                continue
            if unit in ("Ohm", "F", "H") and quantity.value <= 0.0:
                table.wrong(part, f"expected a value above 0, got {described(table.data[part])}")
                continue
            tolerance = None if share is None else float(share) / 100.0
            if tolerance is not None and not 0.0 <= tolerance < 1.0:
                table.wrong(part, f"a tolerance of {share} % is none; expected one below 100 %")
                continue
            intended[part] = Intended(quantity.value, tolerance, quantity.unit, text)
        return intended

    def _given(self) -> dict[str, Quantity]:
        table = self.root.table("given", 'a table of constants such as saturation = "0.15 V"')
        read = {name: table.quantity(name, None) for name in table.keys()}  # noqa: SIM118 - marks keys as known
        return {name: quantity for name, quantity in read.items() if quantity is not None}

    def _axes(self) -> dict[str, Axis]:
        tables = self.root.table("axes", "one table an axis such as [axes.control]")
        axes: dict[str, Axis] = {}
        targets: dict[str, str] = {}
        for name in tables.keys():  # noqa: SIM118 - marks keys as known
            axis = self._axis(tables.table(name, "a table with values and unit"), name)
            if axis is None:
                continue
            if axis.sets:
                first = targets.setdefault(axis.sets.lower(), name)
                if first != name:
                    message = f'"{axis.sets}" is set by the axis "{first}" already; two axes cannot set one thing'
                    self.source.add(("axes", name, "sets"), message)
            axes[name] = axis
        return axes

    def _axis(self, table: Table, name: str) -> Axis | None:
        default = "degC" if name == "temperature" else ""
        written = table.text("unit", 'a unit such as "V"') or default
        try:
            unit = parse_unit(written)
        except ValueError as error:
            table.wrong("unit", str(error))
            unit, written = parse_unit(default), default
        if name == "temperature" and unit.unit != "degC":
            table.wrong("unit", f'temperature is given in "degC", got "{written}"')
        sets = table.text("sets", "the netlist parameter, source or part that takes the value")
        if unit.unit == "degC" and "sets" in table:
            table.wrong("sets", "the temperature is set for the whole circuit; leave this key out")
        elif unit.unit != "degC" and sets is None and "sets" not in table:
            table.missing("sets", "the netlist parameter, source or part that takes the value")
        items = table.items("values", 'a list such as [0, 2, "4 V"]', required=True)
        if table.data.get("values") == []:
            table.wrong("values", "the list is empty; an axis needs one value at least")
        values: list[float] = []
        for place, item in enumerate(items):
            quantity = read_quantity(self.source, (*table.path, "values", place), item, written)
            if quantity is None:
                continue
            if quantity.value in values:
                self.source.add((*table.path, "values", place), f"{described(item)} stands twice in this axis")
            values.append(quantity.value)
        nominal = table.quantity("nominal", written)
        table.finish()
        if not values:
            return None
        middle = values[(len(values) - 1) // 2]
        return Axis(name, tuple(values), unit.unit, sets, middle if nominal is None else nominal.value, written)

    def _grids(self, axes: dict[str, Axis]) -> tuple[tuple[str, ...], ...]:
        table = self.root.table("corners", "a table [corners] with grids")
        declared = list(self.source.data.get("axes", {})) if isinstance(self.source.data.get("axes"), dict) else []
        expected = 'a list of lists of axes such as [["control", "supply"]]'
        grids: list[tuple[str, ...]] = []
        for place, grid in enumerate(table.items("grids", expected)):
            path = ("corners", "grids", place)
            if not isinstance(grid, list) or not grid or not all(isinstance(name, str) for name in grid):
                self.source.add(path, f"expected a list of axes, got {described(grid)}")
                continue
            for name in grid:
                if name not in declared:
                    self.source.add(path, f'there is no axis "{name}"{nearest(name, declared)}')
                elif grid.count(name) > 1 and name not in grid[: grid.index(name)]:
                    self.source.add(path, f'the axis "{name}" stands twice in one grid')
            grids.append(tuple(name for name in dict.fromkeys(grid) if name in axes))
        if table.data.get("grids") == []:
            table.wrong("grids", f"the list is empty; expected {expected}")
        table.finish()
        return tuple(grids) if grids or "grids" in table else ((tuple(axes),) if axes else ())

    def _corners(self, axes: dict[str, Axis], grids: tuple[tuple[str, ...], ...]) -> dict[tuple[float, ...], str]:
        count = corner_count_bound(axes, grids)
        if count > MOST_CORNERS:
            self.source.add(("corners", "grids"), f"{count} corners are too many; at most {MOST_CORNERS} are run")
            return {}
        rows = corner_rows(axes, grids)
        return dict(zip(rows, corner_names(len(rows)), strict=True))

    def _hand(self) -> dict[str, Formula]:
        table = self.root.table("hand", 'a table of formulas such as duty = "control / 8 V"')
        hand: dict[str, Formula] = {}
        for name in table.keys():  # noqa: SIM118 - marks keys as known
            text = table.data[name]
            if isinstance(text, int | float) and not isinstance(text, bool):
                text = str(text)
            if not isinstance(text, str):
                table.wrong(name, f"expected a formula in quotes, got {described(text)}")
                continue
            try:
                hand[name] = Formula(text)
            except FormulaError as error:
                table.wrong(name, str(error))
        return hand

    def _distinct(self) -> None:
        """Names that formulas use: well formed, and each with one meaning (parts of a netlist are case-blind)."""
        seen: dict[str, str] = {}
        for section in ("intended", "given", "axes", "hand"):
            table = self.source.data.get(section)
            for name in table if isinstance(table, dict) else ():
                if not _NAME.fullmatch(name) and not (section == "intended" and "." in name):
                    message = "a name begins with a letter and goes on with letters, digits and _"
                    self.source.add((section, name), message)
                elif name.lower() in FUNCTIONS or name.lower() in CONSTANTS or name.lower() in _RESERVED:
                    self.source.add((section, name), f'"{name}" has a meaning of its own already; choose another name')
                first = seen.setdefault(name.lower(), f"{section}.{name}")
                if first != f"{section}.{name}":
                    message = f'the name is taken by {first} already (capitals make no difference)'
                    self.source.add((section, name), message)

    def _quantities(self, table: Table) -> Iterator[str]:
        """The keys of a table that are quantities; the others are findings."""
        for name in table.keys():  # noqa: SIM118 - marks keys as known
            if is_stem(name):
                yield name
            else:
                table.wrong(name, f'"{name}" is no quantity{nearest(name, STEMS)}')

    def _expected(self, axes: dict[str, Axis], corners: dict[tuple[float, ...], str]) -> tuple[Expected, ...]:
        table = self.root.table("expected", "a table of figures such as duty = { value = 0.5, at = { control = 4 } }")
        found: list[Expected] = []
        for quantity in self._quantities(table):
            value = table.data[quantity]
            entries = list(enumerate(value)) if isinstance(value, list) else [(None, value)]
            if not entries:
                table.wrong(quantity, "the list is empty; expected { value = ..., at = { ... } }")
            for place, entry in entries:
                path = ("expected", quantity) if place is None else ("expected", quantity, place)
                if not isinstance(entry, dict):
                    self.source.add(path, f"expected {{ value = ..., at = {{ ... }} }}, got {described(entry)}")
                    continue
                one = self._one_expected(Table(self.source, path, entry), quantity, axes, corners)
                if one is not None:
                    found.append(one)
        return tuple(found)

    def _one_expected(
        self, table: Table, quantity: str, axes: dict[str, Axis], corners: dict[tuple[float, ...], str]
    ) -> Expected | None:
        value = table.quantity("value", stem(quantity).unit, required=True)
        at = table.table("at", "a table such as { control = 4 }")
        corner = {axis.name: axis.nominal for axis in axes.values()}
        sound = True
        for name in at.keys():  # noqa: SIM118 - marks keys as known
            if name not in axes:
                at.wrong(name, f'there is no axis "{name}"{nearest(name, axes)}')
                sound = False
                continue
            asked = at.quantity(name, axes[name].written_unit)
            present = sorted({row[list(axes).index(name)] for row in corners})
            match = next((known for known in present if asked and abs(known - asked.value) <= 1e-9 * abs(known)), None)
            if asked is not None and match is None:
                valid = ", ".join(axes[name].text(known) for known in present)
                at.wrong(name, f"no corner has {name} at {axes[name].text(asked.value)} (valid: {valid})")
            sound = sound and match is not None
            corner[name] = corner[name] if match is None else match
        table.finish()
        row = tuple(corner[name] for name in axes)
        if sound and corners and row not in corners:
            where = ", ".join(f"{name} {axes[name].text(corner[name])}" for name in axes)
            self.source.add(table.path, f"the corner table has no corner at {where}; add a grid to [corners]")
        if value is None or not sound or row not in corners:
            return None
        return Expected(quantity, value.value, corner, corners[row])

    def _tolerance(self) -> dict[str, Tolerance]:
        table = self.root.table("tolerance", 'a table such as duty = 0.01 or threshold = "2 % of ramp"')
        found: dict[str, Tolerance] = {}
        for quantity in self._quantities(table):
            tolerance = self._one_tolerance(table, quantity)
            if tolerance is not None and tolerance.value <= 0.0:
                table.wrong(quantity, f"a tolerance is above 0, got {described(table.data[quantity])}")
            elif tolerance is not None:
                found[quantity] = tolerance
        return found

    def _one_tolerance(self, table: Table, quantity: str) -> Tolerance | None:
        value, unit = table.data[quantity], stem(quantity).unit
        share = _SHARE.fullmatch(value.strip()) if isinstance(value, str) else None
        if share:
            scales: dict[str, Scale] = {"swing": "swing", "ramp": "ramp", "figure": "figure"}
            scale = share[2] or ("" if unit == "" else "figure")
            if scale not in scales:
                of = "what it is a share of" if not scale else f'no scale called "{scale}"'
                message = f'{described(value)}: expected "% of figure", "% of swing" or "% of ramp", got {of}'
                if not scale:
                    message = f'{described(value)} can be read in two ways; write 0.01, or "1 % of figure"'
                table.wrong(quantity, message)
                return None
            return Tolerance(float(share[1]) / 100.0, scales[scale])
        cents = isinstance(value, str) and re.search(r"cents?\s*$", value) is not None
        if quantity == "frequency" and not isinstance(value, str):
            table.wrong(quantity, 'expected a text with its unit, "5 cents" or "2 Hz"')
            return None
        expected = "cent" if cents and quantity == "frequency" else unit
        read = read_quantity(self.source, ("tolerance", quantity), value, expected)
        return None if read is None else Tolerance(read.value, "cents" if expected == "cent" else "absolute")

    def _limits(self) -> dict[str, Limit]:
        tables = self.root.table("limits", "a table such as duty = { least = 0.05, most = 0.95 }")
        found: dict[str, Limit] = {}
        for quantity in self._quantities(tables):
            table = tables.table(quantity, "{ least = ..., most = ... }")
            least, most = (table.quantity(key, stem(quantity).unit) for key in ("least", "most"))
            table.finish()
            if isinstance(tables.data[quantity], dict) and "least" not in table and "most" not in table:
                tables.wrong(quantity, "a limit needs least, most or both")
            if least is not None and most is not None and least.value > most.value:
                tables.wrong(quantity, f"least ({least}) is above most ({most}); nothing can be within")
            found[quantity] = Limit(least.value if least else None, most.value if most else None)
        return found

    def _simulation(self, corners: dict[tuple[float, ...], str]) -> Simulation:
        table = self.root.table("simulation", "a table [simulation]")
        accuracy, period, seconds = (
            table.quantity(key, unit) for key, unit in (("accuracy", ""), ("period", "s"), ("seconds", "s"))
        )
        for key, quantity in (("accuracy", accuracy), ("period", period), ("seconds", seconds)):
            if quantity is not None and quantity.value <= 0.0:
                table.wrong(key, f"expected a figure above 0, got {described(table.data[key])}")
        if accuracy is not None and accuracy.value > 0.1:
            table.wrong("accuracy", f"expected a share of the period of at most 0.1, got {accuracy.value:g}")
        names = table.texts("report_corners", 'a list of corners such as ["c010"]')
        for place, name in enumerate(names):
            if corners and name not in corners.values():
                last = list(corners.values())[-1]
                message = f'there is no corner "{name}" (the table ends with {last})'
                self.source.add(("simulation", "report_corners", place), message)
        table.finish()
        usual = {field.name: field.default for field in fields(Simulation)}
        return Simulation(
            accuracy=float(usual["accuracy"]) if accuracy is None else accuracy.value,
            period=None if period is None else period.value,
            seconds=float(usual["seconds"]) if seconds is None else seconds.value,
            report_corners=names,
        )
