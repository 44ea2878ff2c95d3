# SPDX-License-Identifier: GPL-3.0-or-later
"""The reference of the board file is complete, and what it shows can be loaded."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path

import pytest

from harness.board import Board, load_board
from harness.chain import FORMULA, REMAINDER, SLIP
from harness.dimensions import UNITS
from harness.faults.fault import COLUMNS as FAULT_COLUMNS
from harness.faults.fault import SEVERITIES
from harness.faults.kinds import KINDS as KINDS_OF_FAULTS
from harness.formula import CONSTANTS, FUNCTIONS
from harness.intent.cores import KINDS
from harness.intent.objects import Roles, Tolerance
from harness.intent.parts import COMPARATOR_CLASSES
from harness.intent.tables import Table
from harness.netlist import read_netlist
from harness.predict.cores import ALL_EFFECTS
from harness.predict.refined import INTERACTION
from harness.quantities import STATES, STEMS
from harness.report.tables import AGREEMENT_WORDS, LIMIT_WORDS
from harness.resources import netlists_folder
from harness.results import CURE_COLUMNS, RunResult
from harness.studies.fit import COLUMNS as FIT_COLUMNS
from harness.units import PREFIXES

PAGE = (Path(__file__).resolve().parents[2] / "harness" / "pages" / "board-file.md").read_text(
    encoding="utf-8"
)
WORDS = re.sub(r"\s+", " ", PAGE)  # sentences go on over line ends
KESTREL = netlists_folder() / "boards" / "kestrel"


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", PAGE, re.DOTALL | re.MULTILINE)


def is_board(block: str) -> bool:
    return block.startswith("[board]")


(NETLIST,) = blocks("spice")
(EXAMPLE,) = filter(is_board, blocks("toml"))
FRAGMENTS = [block for block in blocks("toml") if not is_board(block)]


def section(heading: str) -> str:
    """The text from one heading to the next."""
    return PAGE.partition(f"\n## {heading}\n")[2].partition("\n## ")[0]


def tables_of(text: str) -> dict[str, str]:
    """The tables of a board file, by their headings, as text."""
    parts = re.split(r"^(?=\[)", text, flags=re.MULTILINE)
    return {part.partition("\n")[0]: part for part in parts if part.strip()}


def loaded(text: str, folder: Path) -> Board:
    (folder / "snap.cir").write_text(NETLIST, encoding="utf-8")
    path = folder / "snap.board.toml"
    path.write_text(text, encoding="utf-8")
    return load_board(path)


def test_the_example_loads_and_fits_its_netlist(tmp_path: Path) -> None:
    """The whole board loads, its netlist has what it names, and its two grids make 9 + 2 corners."""
    board = loaded(EXAMPLE, tmp_path)
    assert board.check_against(read_netlist(board.netlist)) == []
    assert board.core is None
    from harness.corners import corner_table

    assert len(corner_table(board)) == 11


def test_the_example_runs_without_a_core(tmp_path: Path) -> None:
    """Nothing is known of its cycle; it is found in each corner, and hand and simulated figures agree."""
    result = loaded(EXAMPLE, tmp_path).run(only={"control": 4, "supply": 12, "pitch": 50e-6}, jobs=1)
    (row,) = result.corners.to_dict("records")
    assert row["state"] == "pulsing"
    assert (row["duty.agreement"], row["frequency.agreement"]) == ("agrees", "agrees")
    assert row["duty.bar"] <= 1e-4
    assert list(result.expected["agreement"]) == ["agrees"]


@pytest.mark.parametrize("fragment", FRAGMENTS, ids=lambda text: text.partition("\n")[0])
def test_each_fragment_fits_into_the_example(fragment: str, tmp_path: Path) -> None:
    """A fragment in the place of the example's table of that name loads, too."""
    loaded("\n".join((tables_of(EXAMPLE) | tables_of(fragment)).values()), tmp_path)


def test_every_column_of_fit_and_of_cures_is_listed() -> None:
    said = section("What a run writes")
    assert [name for name in (*FIT_COLUMNS, *CURE_COLUMNS) if f"`{name}`" not in said] == []


def test_every_column_kind_and_severity_of_faults_is_listed() -> None:
    said = section("What a run writes")
    assert [name for name in (*FAULT_COLUMNS, *SEVERITIES, *KINDS_OF_FAULTS) if f"`{name}`" not in said] == []


@pytest.fixture
def accepted(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Mapping[str, set[str]]:
    """Every key that the reader asks for, by the table where it does, seen while it reads boards."""
    asked: dict[str, set[str]] = defaultdict(set)
    finish = Table.finish

    def watched(table: Table) -> None:
        asked[str(table.path[0]) if table.path else ""] |= table.asked
        finish(table)

    monkeypatch.setattr(Table, "finish", watched)
    loaded(EXAMPLE, tmp_path)
    for board in KESTREL.glob("*.board.toml"):
        load_board(board)
    return asked


def test_every_table_and_key_is_described(accepted: Mapping[str, set[str]]) -> None:
    """Each table has a section of its own, and each key that it may hold stands there."""
    assert {"board", "roles", "core", "axes", "corners", "expected", "limits", "simulation"} < set(accepted)
    named = {"axes": "[axes.NAME]"}
    sections = {table: section(named.get(table, f"[{table}]")) for table in accepted[""]}
    assert [table for table, text in sections.items() if not text] == []
    missing = [
        f"{table}: {key}"
        for table, keys in accepted.items()
        if table
        for key in keys
        if f"`{key}`" not in sections[table]
    ]
    assert missing == []


def test_every_role_and_kind_of_core_is_described() -> None:
    for table, kind in (("[roles]", Roles), *(("[core]", core) for core in KINDS.values())):
        assert [field.name for field in fields(kind) if f"`{field.name}`" not in section(table)] == []
    for word in (*COMPARATOR_CLASSES, *KINDS):
        assert f'"{word}"' in PAGE


def test_every_quantity_with_unit_and_default_tolerance(tmp_path: Path) -> None:
    """The table has the stems and no others, and its default tolerances, put into a board file, are the
    defaults."""
    rows = re.findall(
        r"^\| `(\w+)` \| (.+?) \| (\S+) \| (.+?) \| .+ \|$", section("Quantities"), re.MULTILINE
    )
    rail = rows.pop()
    assert rail[0] == "supply_current_RAIL"
    assert [row[0] for row in rows] == list(STEMS)
    for name, title, unit, _ in rows:
        assert (title, unit) == (STEMS[name].title, STEMS[name].unit or "1")
    written = "\n".join(f'{name} = "{tolerance}"' for name, _, _, tolerance in rows)
    written += f'\nsupply_current_main = "{rail[3]}"\n'
    told = loaded(
        "\n".join((tables_of(EXAMPLE) | {"[tolerance]": f"[tolerance]\n{written}"}).values()), tmp_path
    )
    usual = loaded(EXAMPLE.replace('frequency = "10 cents"\n', ""), tmp_path)
    for name in (*STEMS, "supply_current_main"):
        one, other = told.tolerance_of(name), usual.tolerance_of(name)
        assert (one.scale, one.value) == (other.scale, pytest.approx(other.value, rel=1e-12)), name
    assert told.tolerance_of("duty") == Tolerance(0.01, "absolute")


def test_every_word_of_a_verdict_is_explained() -> None:
    verdicts = ("same", "differs", "not drawn", "not intended")  # of check.csv, see drawing.compare_drawing
    words = section("Words")
    assert [
        word for word in (*STATES, *AGREEMENT_WORDS, *LIMIT_WORDS, *verdicts) if f"`{word}`" not in words
    ] == []


def test_every_effect_is_listed() -> None:
    names = [SLIP, FORMULA, REMAINDER, INTERACTION, *(effect.name for effect in ALL_EFFECTS)]
    assert [name for name in names if name not in WORDS] == []


def test_every_function_and_unit_is_listed() -> None:
    formulas, numbers = section("[hand]"), section("Numbers and units")
    assert [name for name in (*FUNCTIONS, *CONSTANTS) if not re.search(rf"\b{name}\b", formulas)] == []
    units, prefixes = numbers.partition("\nUnits: ")[2], numbers.partition("SI prefix: ")[2].partition("|")[0]
    assert [unit for unit in UNITS if unit and unit not in re.split(r"[\s,]+", units)] == []
    assert [prefix for prefix in PREFIXES if prefix] == prefixes.split()


@pytest.fixture(scope="module")
def result() -> RunResult:
    board = load_board(KESTREL / "kestrel_slicer.board.toml")
    return board.run(only={"temperature": 25, "supply": 15, "control": 5}, jobs=1)


def test_every_column_and_key_of_a_run_is_listed(result: RunResult) -> None:
    """What a real run gives is described: columns of all its tables, keys of run.json."""
    files = section("What a run writes")
    tables = (result.corners, result.effects, result.check, result.expected, result.harmonics)
    axes = set(result.board.axes)
    columns = {f"q.{name.partition('.')[2]}" if "." in name else name for table in tables for name in table}
    assert [name for name in columns - axes if f"`{name}`" not in files] == []
    keys = [*result.run, *result.run["settings"], "ramp-harness", "engine", "python"]
    assert [key for key in keys if f"`{key}`" not in files] == []
    assert [name for name in result.waveform("c023") if f"`{name}`" not in files] == []
