# SPDX-License-Identifier: GPL-3.0-or-later
"""A few planted mistakes and switched-off effects on the small demo board; all of them are a benchmark."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from harness.characterise import Characteristics
from harness.corners import corner_table
from harness.predict.cores import ALL_EFFECTS
from harness.predict.refined import INTERACTION, predict
from harness.resources import netlists_folder
from harness.run import prepare

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
import attribution
import blame
from mistakes import Mistake, Planter

if TYPE_CHECKING:
    from whole_job import Seen

SLICER = "kestrel_slicer"
CORNERS = ({}, {"control": 0})


@pytest.fixture(scope="module")
def planter() -> Planter:
    return Planter(SLICER)


@pytest.fixture(scope="module")
def untouched(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Seen, Path]]:
    store = tmp_path_factory.mktemp("models")
    yield blame.first_look(blame.Case(SLICER, None, CORNERS, store)), store


def shown(mistake: Mistake, untouched: tuple[Seen, Path]) -> tuple[bool, str, str]:
    """Noticed, blamed, words."""
    before, store = untouched
    seen = blame.examine(blame.Case(SLICER, mistake, CORNERS, store))
    return blame.noticed(seen, before), *blame.blamed(seen, before)


def drawn(planter: Planter, old: str, new: str) -> Mistake:
    assert planter.netlist_text.count(old) == 1, old
    return Mistake("netlist", "", new, {planter.netlist_file: planter.netlist_text.replace(old, new)})


def test_nothing_is_wrong_with_the_untouched_board(untouched: tuple[Seen, Path]) -> None:
    assert untouched[0].code == 0 and not untouched[0].complaints


@pytest.mark.parametrize("name", ["Rknob digits swapped", "Rpull +10 %", "Cload times ten"])
def test_a_wrong_value_in_the_netlist_is_the_parts(
    name: str, planter: Planter, untouched: tuple[Seen, Path]
) -> None:
    mistake = next(m for m in planter.values() if m.name == name)
    assert shown(mistake, untouched) == (True, blame.VALUE, name.split()[0])


def test_a_wrong_value_in_the_board_file_is_the_parts(planter: Planter, untouched: tuple[Seen, Path]) -> None:
    mistake = next(m for m in planter.intent() if m.name == "Rcontrol digits swapped")
    assert shown(mistake, untouched) == (True, blame.VALUE, "Rcontrol")


@pytest.mark.parametrize(
    ("old", "new", "witness", "word"),
    [
        ("Rbias rail thr", "Rbias vcc thr", blame.PAPER, "hand formula"),
        ("Rknob wiper thr", "Rknob knobtop thr", blame.PAPER, "hand formula"),
        ("Vcontrol control 0 4", "Vcontrol 0 control 4", blame.PAPER, "hand formula"),
        ("Cload out 0", "Cload rail 0", blame.VALUE, "Cload"),
        ("Xslice thr ramp vcc 0", "Xslice thr ramp rail 0", blame.VALUE, "Xslice"),
        ("Xslice thr ramp vcc 0", "Xslice ramp thr vcc 0", blame.VALUE, "Xslice"),
    ],
)
def test_a_wrong_connection_shows_before_the_simulation(
    old: str, new: str, witness: str, word: str, planter: Planter, untouched: tuple[Seen, Path]
) -> None:
    """Where roles tell, the part is named; else hand formulas and the drawing's own network part."""
    noticed, blamed, words = shown(drawn(planter, old, new), untouched)
    assert noticed and blamed == witness and word in words


@pytest.mark.parametrize("kind", ["resistor left out", "wrong sign", "wrong part", "nominal value"])
def test_a_wrong_formula_is_the_formulas(kind: str, planter: Planter, untouched: tuple[Seen, Path]) -> None:
    """The first one of its kind that moves the threshold or the room."""
    mistake = next(
        m
        for m in planter.formulas()
        if m.kind == kind and m.name.startswith(("threshold", "knob_resistance", "headroom"))
    )
    noticed, blamed, words = shown(mistake, untouched)
    assert noticed and blamed in (blame.PAPER, blame.REFUSED_BOARD), (mistake.name, blamed, words)


def test_a_wrong_literal_figure_stands_alone(planter: Planter, untouched: tuple[Seen, Path]) -> None:
    mistake = next(planter.expectations())
    assert shown(mistake, untouched)[:2] == (True, blame.LITERAL)


@pytest.mark.parametrize("name", ["plus and minus exchanged", "drive=0.05", "bias=25u"])
def test_a_wrong_model_is_told_from_a_wrong_formula(
    name: str, planter: Planter, untouched: tuple[Seen, Path]
) -> None:
    mistake = next(m for m in planter.models() if m.name == name)
    noticed, blamed, words = shown(mistake, untouched)
    assert noticed and blame.rightly(mistake, blamed, words), (blamed, words)


def test_edits_that_change_nothing_raise_no_alarm(planter: Planter, untouched: tuple[Seen, Path]) -> None:
    for mistake in planter.neutral():
        assert shown(mistake, untouched) == (False, blame.NOTHING, ""), mistake.name


# --- effects


@pytest.mark.parametrize("name", ["kestrel", SLICER])
def test_nothing_is_booked_to_an_effect_without_an_origin(name: str) -> None:
    """Without any measured model only laws on drawn values are left, and each row says which."""
    prepared = prepare(netlists_folder() / "boards" / "kestrel" / f"{name}.board.toml")
    corners = corner_table(prepared.board)
    found = predict(prepared.board, prepared.netlist, corners, Characteristics()).effects
    laws = {(effect.name, effect.law) for effect in ALL_EFFECTS if not effect.needs}
    booked = {(row.effect, row.origin) for row in found.itertuples() if row.effect != INTERACTION}
    assert booked and booked <= laws and all(origin for _, origin in booked)


@pytest.mark.parametrize("name", ["saturation", "delay"])
def test_an_effect_is_what_its_removal_shows(name: str) -> None:
    """At the nominal corner, within 10 % of the effect or the bars."""
    pair = next(p for p in attribution.PAIRS if (p.board, p.name) == (SLICER, name))
    tasks: list[Any] = [
        attribution.Task(t.board, t.netlist_edits, t.board_edits, ({},), 5e-5)
        for t in attribution.tasks_of(pair, 5e-5)
    ]
    table = attribution.judged(attribution.compared(pair, *map(attribution.work, tasks)))
    assert "closes" in set(table["verdict"])
    assert "off" not in set(table["verdict"]), table[table["verdict"] == "off"].to_string()
