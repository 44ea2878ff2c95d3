# SPDX-License-Identifier: GPL-3.0-or-later
"""Parts that are not connected as their roles say are named before anything runs; what boards of this kind
may do otherwise is left alone."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from harness.resources import netlists_folder
from harness.run import prepare

KESTREL = netlists_folder() / "boards" / "kestrel"


def differing(folder: Path, name: str, *changes: tuple[str, str]) -> dict[str, tuple[str, str]]:
    """Part -> (intended, drawn) of the rows that differ, on a copy of a board with lines changed."""
    text = (KESTREL / f"{name}.cir").read_text()
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (folder / f"{name}.cir").write_text(text)
    (folder / f"{name}.board.toml").write_text((KESTREL / f"{name}.board.toml").read_text())
    check = prepare(folder / f"{name}.board.toml").check
    wrong = check[check["verdict"] == "differs"]
    return {row.part: (row.intended, row.drawn) for row in wrong.itertuples()}


@pytest.mark.parametrize("name", ["kestrel", "kestrel_slicer"])
def test_the_demo_boards_are_connected_as_their_roles_say(name: str, tmp_path: Path) -> None:
    assert differing(tmp_path, name) == {}


@pytest.mark.parametrize(
    ("old", "new", "part", "intended", "drawn"),
    [
        ("Rpull rail out 3.3k", "Rpull rail knobtop 3.3k", "Rpull", "at node out", "at rail, knobtop"),
        ("Cload out 0 1n", "Cload knobtop 0 1n", "Cload", "at node out", "at knobtop, 0"),
        (
            "Xslice thr ramp vcc 0 out",
            "Xslice thr ramp rail 0 out",
            "Xslice",
            "supply at vcc (Vcc)",
            "supply at rail",
        ),
        (
            "Xslice thr ramp vcc 0 out",
            "Xslice ramp thr vcc 0 out",
            "Xslice",
            "minus at ramp, plus at thr",
            "minus at thr, plus at ramp",
        ),
        (
            "Xslice thr ramp vcc 0 out",
            "Xslice thr ramp out 0 vcc",
            "Xslice",
            "output at out, supply at vcc (Vcc)",
            "output at vcc, supply at out",
        ),
        ("Cramp ramp 0", "Cramp pitch 0", "Cramp", "at node ramp", "at pitch, 0"),
        ("Rreset ramp drain", "Rreset trip drain", "Rreset", "at node ramp", "at trip, drain"),
        ("Rreset ramp drain", "Rreset ramp foot", "Rreset", "joined to Mreset", "at ramp, foot"),
        ("Rgate vcc gate", "Rgate rail pitch", "Rgate", "joined to Xtrip", "at rail, pitch"),
    ],
)
def test_a_misplaced_part_is_named(
    old: str, new: str, part: str, intended: str, drawn: str, tmp_path: Path
) -> None:
    """Names of nodes, intended and drawn."""
    assert differing(tmp_path, "kestrel", (old, new)) == {part: (intended, drawn)}


@pytest.mark.parametrize(
    "changes",
    [
        [("Xslice thr ramp vcc 0 out", "Rstop ramp pin 1k\nXslice thr pin vcc 0 out")],
        [("Xslice thr ramp vcc 0 out", "Rstop vcc fed 10\nCfed fed 0 1u\nXslice thr ramp fed 0 out")],
        [("Cload out 0 1n", "Ccouple out jack 1u\nRjack jack 0 100k\nCload jack 0 1n")],
    ],
)
def test_one_part_in_between_is_no_slip(changes: list[tuple[str, str]], tmp_path: Path) -> None:
    """A resistor at an input, a filtered supply, a coupled load."""
    assert differing(tmp_path, "kestrel_slicer", *changes) == {}


def test_a_model_with_its_pins_in_another_order_is_named(tmp_path: Path) -> None:
    """The library's model under the same name, its header turned round: line and header do not fit."""
    model = (netlists_folder() / "parts" / "comparator_393.inc").read_text()
    head = ".subckt comparator_393 plus minus"
    (tmp_path / "parts").mkdir()
    (tmp_path / "parts" / "comparator_393.inc").write_text(
        model.replace(head, ".subckt comparator_393 minus plus")
    )
    found = differing(tmp_path, "kestrel_slicer")
    assert found == {"Xslice": ("minus at ramp, plus at thr", "minus at thr, plus at ramp")}


def test_pins_without_words_say_nothing(tmp_path: Path) -> None:
    model = (netlists_folder() / "parts" / "comparator_393.inc").read_text()
    numbered = model
    for number, pin in enumerate(("plus", "minus", "supply", "ground", "output"), start=1):
        numbered = re.sub(rf"(?<![\w.]){pin}(?![\w])", f"p{number}", numbered)
    (tmp_path / "parts").mkdir()
    (tmp_path / "parts" / "comparator_393.inc").write_text(numbered)
    changed = ("Xslice thr ramp vcc", "Xslice ramp thr vcc")
    assert differing(tmp_path, "kestrel_slicer") == differing(tmp_path, "kestrel_slicer", changed) == {}
