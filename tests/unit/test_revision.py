# SPDX-License-Identifier: GPL-3.0-or-later
"""Laws of a comparison, without the engine: on sides made of closed forms, and on netlists that are only
read."""

from __future__ import annotations

import json
import math
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from harness.board import Limit
from harness.findings import InputError
from harness.intent.objects import Axis
from harness.netlist import read_netlist
from harness.revision import joined, shifts, standing
from harness.revision.comparison import COLUMNS, Comparison, compare
from harness.revision.drawn import DrawnPart, drawn_parts
from harness.revision.facts import FactChange
from harness.revision.folder import side_of_folder
from harness.revision.joined import join
from harness.revision.judged_facts import LOOSENED, TIGHTENED, with_directions
from harness.revision.kept import Kept, kept_from
from harness.revision.parts import PartChange, announced, part_changes
from harness.revision.pictures import shift_pictures
from harness.revision.reference import read_reference, reference_text
from harness.revision.repository import _plain, extract
from harness.revision.rounded import cut, widened
from harness.revision.side import Side
from harness.revision.words import lines, quantity_words, statement
from harness.verdict import limit_words

CONTROL = Axis("control", (0.0, 2.0, 4.0, 6.0), "V", "Vcontrol", 2.0)
LIMIT = Limit(0.3, 0.9)


def side(resistance: float = 100e3, limit: Limit = LIMIT, revision: str = "A", bar: float = 1e-5) -> Side:
    """Four corners of a divider between control and 5 V; the simulated duty lies 2e-6 beside the refined."""
    control = np.array(CONTROL.values)
    refined = (control / resistance + 5.0 / 100e3) / (1.0 / resistance + 1.0 / 100e3) / 8.0
    bars = np.full(4, bar)
    words, margin = limit_words(refined + 2e-6, bars, limit)
    corners = pd.DataFrame(
        {
            "corner": [f"c{number:03d}" for number in range(1, 5)],
            "control": control,
            "state": "pulsing",
            "ratings": "within",
            "duty.hand": refined,
            "duty.refined": refined,
            "duty.simulated": refined + 2e-6,
            "duty.bar": bars,
            "duty.agreement": "agrees",
            "duty.limit": words,
            "duty.margin": margin,
            "duty.tolerance": 0.01,
        }
    )
    parts = {
        "r1": DrawnPart("R1", resistance, "", ("control", "thr")),
        "r2": DrawnPart("R2", 100e3, "", ("ref", "thr")),
    }
    facts = {"limits.duty": f"least {limit.least}, most {limit.most}", "hand.duty": "threshold / 8 V"}
    kept = Kept(
        "Divider", {"control": CONTROL}, parts, {}, {"r1": resistance, "r2": 100e3}, facts, {"duty": limit}
    )
    run = {"versions": {"engine": "ngspice-39", "ramp-harness": "0"}, "settings": {"accuracy": 1e-4}}
    return Side("side", "divider", revision, corners, {"control": CONTROL}, kept, pd.DataFrame(), run)


def moved(one: Side, by: np.ndarray | float) -> Side:
    """The side with its simulated duty moved."""
    return replace(one, corners=one.corners.assign(**{"duty.simulated": one.corners["duty.simulated"] + by}))


@settings(max_examples=15)
@given(st.floats(20e3, 500e3), st.floats(20e3, 500e3))
def test_swapping_sides_negates_changes(one: float, other: float) -> None:
    """Simulated and predicted changes change sign and nothing else does; either way they are as predicted."""
    there, back = compare(side(one), side(other)), compare(side(other), side(one))
    for part in ("simulated_change", "predicted_change"):
        assert (there.shifts[part] == -back.shifts[part]).all()
    assert (there.shifts["verdict"] == back.shifts["verdict"]).all()
    assert set(there.shifts["verdict"]) <= {shifts.AS_PREDICTED, shifts.UNMOVED}


@settings(max_examples=15)
@given(st.floats(20e3, 500e3), st.permutations(range(4)))
def test_a_side_against_itself_is_nothing_in_any_order(resistance: float, order: list[int]) -> None:
    """Corners are joined by their axis values: another order, under other names, changes nothing."""
    one = side(resistance)
    shuffled = one.corners.iloc[order].reset_index(drop=True)
    shuffled["corner"] = one.corners["corner"]
    found = compare(one, replace(one, corners=shuffled))
    assert found.nothing_changed and not found.worse
    assert statement(found).startswith("Nothing changed")
    assert (found.shifts["simulated_change"] == 0).all()


@pytest.mark.parametrize(
    ("by", "predicted", "word"),
    [
        (1.9e-5, 0.0, shifts.UNMOVED),  # two bars of 1e-5
        (2.1e-5, 0.0, shifts.NOT_PREDICTED),  # beyond the bars; no tolerance hides it
        (0.0099, 0.0, shifts.NOT_PREDICTED),
        (0.0099, 0.0051, shifts.AS_PREDICTED),  # more than half of it is predicted, the rest lies within
        (0.0099, 0.0048, shifts.NOT_PREDICTED),
        (-0.0099, 0.0099, shifts.NOT_PREDICTED),
        (0.03, 0.0199, shifts.NOT_PREDICTED),  # farther from it than the tolerance
        (0.03, 0.0201, shifts.AS_PREDICTED),
        (0.03, 0.0299, shifts.AS_PREDICTED),
        (0.03, math.nan, shifts.UNPREDICTED),
        (math.nan, 0.0, shifts.LOST),
    ],
)
def test_the_words_of_a_shift(by: float, predicted: float, word: str) -> None:
    """Bars 1e-5 each, tolerance 0.01: the word follows from simulated and predicted change alone."""
    words = shifts.verdicts(*(np.array([x]) for x in (0.5, 0.5 + by, predicted, 2e-5, 0.01)))
    assert list(words) == [word]


def test_what_the_board_file_asks_about_comes_first() -> None:
    """Duty has a limit and a formula; the mean level, which has neither, moved by more of its tolerance."""
    columns = {f"mean_level.{part}": 1.0 for part in ("refined", "simulated")} | {"mean_level.bar": 1e-5}
    before, after = (
        replace(one, corners=one.corners.assign(**columns, **{"mean_level.tolerance": 0.01}))
        for one in (side(100e3), side(101e3))
    )
    after = replace(after, corners=after.corners.assign(**{"mean_level.simulated": 9.0}))
    assert [one.quantity for one in quantity_words(compare(before, after))] == ["duty", "mean_level"]
    bare = [replace(one, kept=replace(one.kept, facts={})) for one in (before, after) if one.kept is not None]
    assert [one.quantity for one in quantity_words(compare(*bare))] == ["mean_level", "duty"]


def test_an_axis_of_another_name_is_the_one_that_sets_the_same() -> None:
    """``control`` is called ``cv``: corners stay what they were, and a sentence says so."""
    one = side()
    assert one.kept is not None
    axis = replace(CONTROL, name="cv", sets="vcontrol")
    corners = one.corners.rename(columns={"control": "cv"})
    other = replace(one, label="other", corners=corners, axes={"cv": axis})
    for first, last in ((one, other), (other, one)):
        found = compare(first, last)
        assert found.joined.axes == tuple(last.axes) and not found.worse and not len(found.moved)
        assert found.joined.places[1] == f"{found.joined.axes[0]} 2 V"
        (name,) = first.axes
        assert found.remarks == (f"{first.label} calls the axis {found.joined.axes[0]} {name}",)
    else_set = replace(other, axes={"cv": replace(axis, sets="Vother")})
    assert compare(one, else_set).corners_that("missing") == 3


def test_two_boards_without_a_corner_in_common() -> None:
    """Nothing could be compared, and that is said in place of figures that did not move."""
    one = side()
    other = replace(one, corners=one.corners.assign(control=one.corners["control"] + 1.0))
    assert "no corner is in both, so no figures could be compared" in statement(compare(one, other))


def test_a_prediction_that_does_not_show_is_told() -> None:
    """The part changed, the closed forms say a shift, the simulation stands still: a sentence of its own."""
    before = side(100e3)
    after = replace(
        side(150e3),
        corners=side(150e3).corners.assign(**{"duty.simulated": before.corners["duty.simulated"]}),
    )
    found = compare(before, after)
    assert len(found.unseen) == 4
    assert any(line.startswith("A predicted change does not show: Duty factor") for line in lines(found))


def reasons(found: Comparison) -> str:
    return "; ".join(found.worse)


def test_limits_newly_short_newly_met_and_kept_by_a_looser_limit() -> None:
    """Short at A or B, and by A's limit where B's is looser."""
    kept, lower = side(), moved(side(), 0.0)
    low = replace(lower, corners=limited(moved(side(), -0.2), LIMIT))
    assert set(compare(kept, low).limits["verdict"]) == {standing.SHORT}
    assert set(compare(low, kept).limits["verdict"]) == {standing.MET} and compare(low, kept).worse == ()
    loose = Limit(0.0, 0.9)
    hidden = replace(moved(side(limit=loose), -0.2))
    hidden = replace(hidden, corners=limited(hidden, loose))
    found = compare(kept, hidden)
    assert set(found.limits["verdict"]) == {standing.OLD_LIMIT}
    assert "short of the limit before" in reasons(found)
    farther = replace(low, corners=limited(moved(low, -0.05), LIMIT))
    assert standing.FARTHER in set(compare(low, farther).limits["verdict"])


def limited(one: Side, limit: Limit) -> pd.DataFrame:
    words, margin = limit_words(
        one.corners["duty.simulated"].to_numpy(), one.corners["duty.bar"].to_numpy(), limit
    )
    return one.corners.assign(**{"duty.limit": words, "duty.margin": margin})


@pytest.mark.parametrize(
    ("before", "after", "verdict", "worse"),
    [
        ("agrees", "disagrees", standing.DISAGREES, True),
        ("explained", "too coarse", standing.COARSE, True),
        ("disagrees", "explained", standing.ENDED, False),
        ("agrees", "no figure", standing.LOST, True),
        ("agrees", "explained", None, False),
    ],
)
def test_agreements(before: str, after: str, verdict: str | None, worse: bool) -> None:
    """A disagreement that is new, one that ended, and a hand figure that is not compared any more."""
    one, other = (
        replace(side(), corners=side().corners.assign(**{"duty.agreement": word})) for word in (before, after)
    )
    found = compare(one, other)
    assert set(found.agreements["verdict"]) == ({verdict} if verdict else set())
    assert bool(found.worse) is worse


@pytest.mark.parametrize(
    ("before", "after", "verdict", "worse"),
    [
        ("pulsing", "stuck high", "state worse", True),
        ("stuck high", "pulsing", "state changed", False),
        ("stuck high", "stuck low", "state changed", False),
        ("stuck low", "chatter", "state worse", True),
        ("pulsing", "not simulated", "not simulated", True),
        ("not simulated", "not simulated", "not simulated", True),
        ("pulsing", "pulsing", "", False),
    ],
)
def test_states(before: str, after: str, verdict: str, worse: bool) -> None:
    """A pulse that is lost is worse; what is not simulated is never a pass, on either side."""
    one, other = (replace(side(), corners=side().corners.assign(state=word)) for word in (before, after))
    found = compare(one, other)
    assert set(found.joined.table["verdict"]) == {verdict}
    assert bool(found.worse) is worse


def test_a_part_that_is_announced() -> None:
    """Value, [intended] and the revision's name changed: announced. Without one of the two it is not."""
    assert compare(side(100e3), side(150e3, revision="B")).parts[0].announced
    assert not compare(side(100e3), side(150e3)).parts[0].announced
    silent = side(150e3, revision="B")
    assert silent.kept is not None
    silent = replace(silent, kept=replace(silent.kept, intended={"r1": 100e3, "r2": 100e3}))
    found = compare(side(100e3), silent)
    assert not found.parts[0].announced
    assert found.slips == ("R1",)


@pytest.mark.parametrize(
    ("before", "after", "revision", "slips", "announced"),
    [
        ("", "up to 50 %, it was in stock", "B", (), True),
        ("", "up to 50 %, it was in stock", "A", (), False),
        ("up to 50 %, it was in stock", "up to 50 %, it was in stock", "B", (), False),  # nothing new is said
        ("up to 10 %, it was in stock", "up to 50 %, it was in stock", "B", (), True),
        ("", "up to 49 %, it was in stock", "B", ("R1",), False),
        ("", "", "B", ("R1",), False),
    ],
)
def test_a_part_that_is_conceded(
    before: str, after: str, revision: str, slips: tuple[str, ...], announced: bool
) -> None:
    """100 k intended, 150 k drawn: half as much again. A concession that covers it ends the slip, and
    announces the change where it is new and the revision has another name."""
    first, last = side(100e3), side(150e3, revision=revision)
    assert first.kept is not None and last.kept is not None
    intended, entries = {"r1": 100e3}, [{"concession.R1": text} if text else {} for text in (before, after)]
    found = compare(
        replace(first, kept=replace(first.kept, intended=intended, facts={**first.kept.facts, **entries[0]})),
        replace(last, kept=replace(last.kept, intended=intended, facts={**last.kept.facts, **entries[1]})),
    )
    assert found.slips == slips
    assert found.parts[0].announced is announced


def test_a_concession_that_went_leaves_a_slip() -> None:
    """The drawing is as before; what excused it is gone: newly not drawn as intended."""
    one = side(150e3)
    assert one.kept is not None
    bare = replace(one, kept=replace(one.kept, intended={"r1": 100e3}))
    assert bare.kept is not None
    excused = replace(
        bare, kept=replace(bare.kept, facts={**bare.kept.facts, "concession.R1": "up to 50 %, in stock"})
    )
    assert compare(excused, bare).slips == ("R1",)
    assert not compare(bare, excused).slips and not compare(bare, bare).slips


def test_other_versions_are_told_with_both() -> None:
    """Engine, tool and accuracy differ: a sentence each, and nothing else."""
    run = {"versions": {"engine": "ngspice-47", "ramp-harness": "1"}, "settings": {"accuracy": 1e-5}}
    found = compare(side(), replace(side(), run=run))
    assert found.nothing_changed
    assert [remark.partition(":")[0] for remark in found.remarks] == [
        "Engine",
        "ramp-harness",
        "accuracy asked for",
    ]
    assert "ngspice-39 before, ngspice-47 after" in found.remarks[0]


@given(st.floats(-1e3, 1e3), st.floats(1e-9, 1e-2))
@example(1e-12, 0.01)
def test_rounding_loses_nothing_that_the_written_bar_does_not_cover(value: float, bar: float) -> None:
    """The figure written lies within the bar written of the figure, the bar on top; the bar grows by
    less than a fifth."""
    written = cut(value, bar)
    wider = widened(bar, abs(value - written))
    assert wider >= bar + abs(value - written) - 1e-15
    assert wider <= 1.2 * bar
    assert cut(written, bar) == written


@settings(max_examples=15)
@given(st.floats(-0.9e-5, 0.9e-5), st.floats(0.7, 1.4))
def test_a_reference_keeps_its_text_where_nothing_measurable_moved(by: float, wider: float) -> None:
    """Another engine gives figures and bars that are a little other: what is written stays, to the letter."""
    before = side()
    first = reference_text(before, "", "", None)
    again = side(bar=1e-5 * wider)
    again = replace(moved(again, by), run=before.run)
    reference = written(first)
    assert reference_text(again, "", "", (reference, join(reference, again))) == first
    assert compare(reference, again).nothing_changed


def written(text: str) -> Side:
    """A reference read from a text."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "divider.toml"
        path.write_text(text, encoding="utf-8")
        return read_reference(path)


def test_a_reference_changes_the_lines_that_moved_and_no_others() -> None:
    """One corner moves by ten bars: its line and the hash of the content, and no third."""
    first = reference_text(side(), "", "", None)
    after = moved(side(), np.array([0.0, 0.0, 1e-4, 0.0]))
    reference = written(first)
    second = reference_text(after, "", "", (reference, join(reference, after)))
    pairs = zip(first.splitlines(), second.splitlines(), strict=True)
    changed = [new for old, new in pairs if old != new]
    assert [line.partition(" =")[0] for line in changed] == ['duty."control 4"', "content"]


def test_what_a_run_keeps_comes_back() -> None:
    """To plain data and back is the same."""
    kept = side().kept
    assert kept is not None and kept_from(kept.plain()) == kept


NETLIST = """* two dividers
.param top=10k share={top/5}
.model small D(is=1e-14 n=1.9)
R1 a b {top}
R2 b 0 {share}
R3 b c 1meg
C1 c 0 10n
D1 c 0 small
V1 a 0 PULSE(0 {share/1k} 0 1u 1u 10u 20u)
Xd a d half
.subckt half in out
Rup in out 1k
Rdown out 0 1k
.ends
.end
"""


def drawn(tmp_path: Path, text: str) -> dict[str, DrawnPart]:
    path = tmp_path / "board.cir"
    path.write_text(text, encoding="utf-8")
    return drawn_parts(read_netlist(path), {})


@pytest.mark.parametrize(
    ("old", "new", "changes"),
    [
        ("R3 b c 1meg", "R3 b c 1000k", []),
        ("R3 b c 1meg", "R3 b c 2meg", [("R3", "1 MOhm", "2 MOhm")]),
        ("top=10k", "top=20k", [
            ("R1", "10 kOhm", "20 kOhm"), ("R2", "2 kOhm", "4 kOhm"),
            ("V1", "PULSE(0 2 0 1e-06 1e-06 1e-05 2e-05)", "PULSE(0 4 0 1e-06 1e-06 1e-05 2e-05)"),
        ]),
        ("R3 b c 1meg", "R3 c b 1meg", []),
        ("C1 c 0 10n", "C1 0 c 10n", []),
        ("D1 c 0 small", "D1 0 c small", [("D1", "nodes c 0", "nodes 0 c")]),
        ("R3 b c 1meg", "R3 a c 1meg", [("R3", "nodes b c", "nodes a c")]),
        ("n=1.9", "n=2", [(".model small", "n=1.9", "n=2")]),
        ("D1 c 0 small", "D1 c 0 small 2", [("D1", "no value", "2")]),
        ("Rup in out 1k", "Rup in out 1.2k", [("xd.Rup", "1 kOhm", "1.2 kOhm")]),
        ("C1 c 0 10n\n", "", [("C1", "10 nF", "")]),
    ],
)  # fmt: skip
def test_parts_that_differ(old: str, new: str, changes: list[tuple[str, str, str]], tmp_path: Path) -> None:
    """What a line says otherwise, and what follows from a parameter; another spelling is no change."""
    found = part_changes(drawn(tmp_path, NETLIST), drawn(tmp_path, NETLIST.replace(old, new)))
    assert [(each.name, each.before, each.after) for each in found] == changes


def test_what_changes_along_with_an_instance_counts_with_it(tmp_path: Path) -> None:
    """A parameter of an instance changed: what follows from it inside is told along with it, and announced
    with it. Where the inside alone changed it stands for itself."""
    text = NETLIST.replace("Xd a d half", "Xd a d half lower=1k").replace(
        ".subckt half in out\n", ".subckt half in out\n+ params: lower=1k\n"
    ).replace("Rdown out 0 1k", "Rdown out 0 {lower}")  # fmt: skip
    before = drawn(tmp_path, text)
    set_anew = drawn(tmp_path, text.replace("half lower=1k", "half lower=2k"))
    inside = drawn(tmp_path, text.replace("{lower}", "{2*lower}"))
    moved_too = drawn(
        tmp_path, text.replace("half lower=1k", "half lower=2k").replace("Rup in out", "Rup in 0")
    )
    for after, along in (
        (set_anew, {"Xd": "", "xd.Rdown": "Xd"}),
        (inside, {"xd.Rdown": ""}),
        (moved_too, {"Xd": "", "xd.Rup": "", "xd.Rdown": "Xd"}),
    ):
        changes = part_changes(before, after)
        assert {each.name: each.along for each in changes} == along
    for intended, revision, expected in (
        ({}, True, True),
        ({}, False, False),
        ({"xd.rdown": 1e3}, True, False),
    ):
        told = announced(part_changes(before, set_anew), (intended, intended), set_anew, revision)
        assert {each.name: each.announced for each in told} == {"Xd": revision, "xd.Rdown": expected}


def test_nodes_numbered_anew_are_no_change(tmp_path: Path) -> None:
    """An exporter counts nodes from the first part: names move on by one, connections stay."""
    renamed = NETLIST
    for old, new in (("c", "n3"), ("b", "n2"), ("d", "n4"), ("a", "n1")):
        renamed = "\n".join(
            " ".join(new if word == old else word for word in line.split(" ")) for line in renamed.split("\n")
        )
    assert part_changes(drawn(tmp_path, NETLIST), drawn(tmp_path, renamed)) == []
    turned = renamed.replace("R3 n2 n3", "R3 n3 n2").replace("C1 n3 0", "C1 0 n3")
    assert turned != renamed and part_changes(drawn(tmp_path, NETLIST), drawn(tmp_path, turned)) == []
    shifted = NETLIST.replace("R3 b c", "R3 c b").replace("C1 c 0", "C1 b 0")
    assert part_changes(drawn(tmp_path, NETLIST), drawn(tmp_path, shifted)) != []


def test_an_instance_with_pins_exchanged_is_the_one_part_that_changed(tmp_path: Path) -> None:
    """However many parts lie inside of it: they do not outvote those around that stayed where they were."""
    wider = NETLIST.replace("Rup in out 1k", "Rup in mid 1k\nRmid mid out 1k\nCin in 0 1p\nCout out 0 1p")
    wider = wider.replace("R1 a b", "Rd d 0 1k\nR1 a b")
    found = part_changes(drawn(tmp_path, wider), drawn(tmp_path, wider.replace("Xd a d", "Xd d a")))
    assert [(each.name, each.before, each.after) for each in found] == [("Xd", "nodes a d", "nodes d a")]


def test_a_part_of_another_name_alone_is_renamed(tmp_path: Path) -> None:
    """No change of the circuit, also where nodes were numbered anew or it is an instance; where anything else
    differs, a part went and another one came."""
    before = drawn(tmp_path, NETLIST)
    anew = NETLIST.replace("R3 b c", "R7 b n9").replace("C1 c 0", "C1 n9 0").replace("D1 c 0", "D1 n9 0")
    found = part_changes(before, drawn(tmp_path, anew))
    assert [(each.name, each.words) for each in found] == [("R7", "R7: R3 to R7 (renamed)")]
    assert not found[0].stands_alone and announced(found, ({}, {}), before, True) == found
    stage = NETLIST.replace("Xd a d half", "Xstage a d half")
    assert [each.words for each in part_changes(before, drawn(tmp_path, stage))] == [
        "Xstage: Xd to Xstage (renamed)"
    ]
    inside = part_changes(before, drawn(tmp_path, stage.replace("Rdown out 0 1k", "Rdown out 0 2k")))
    assert [each.verdict for each in inside] == ["renamed", "changed, unannounced"]
    for other in ("R7 b c 2meg", "R7 b 0 1meg", "C7 b c 1meg"):
        changes = part_changes(before, drawn(tmp_path, NETLIST.replace("R3 b c 1meg", other)))
        assert [each.how for each in changes] == ["removed", "added"]
    twins = NETLIST.replace("R3 b c 1meg", "R3 b c 1meg\nR4 b c 1meg")
    apart = NETLIST.replace("R3 b c 1meg", "R5 b c 1meg")
    found = part_changes(drawn(tmp_path, twins), drawn(tmp_path, apart))
    assert [each.how for each in found] == ["renamed", "removed"]


def test_a_renamed_part_makes_no_board_worse() -> None:
    """Told, and its entry of [intended] with it; what the board file calls by the old name is a slip."""
    before = side()
    assert before.kept is not None
    parts = {"r7": replace(before.kept.parts["r1"], name="R7"), "r2": before.kept.parts["r2"]}
    intended = {"r7": 100e3, "r2": 100e3}
    old = replace(before.kept, facts={**before.kept.facts, "intended.R1": "100 kOhm 1 %"})
    new = replace(
        old, parts=parts, intended=intended, facts={**before.kept.facts, "intended.R7": "100 kOhm 1 %"}
    )
    found = compare(replace(before, kept=old), replace(before, kept=new))
    assert statement(found) == "No part changed; 1 part renamed; no figure moved in 4 corners."
    assert not found.worse and not found.facts and not found.nothing_changed
    assert "  R7: R1 to R7 (renamed)" in lines(found) and not any(
        "announced where" in x for x in lines(found)
    )
    forgotten = compare(replace(before, kept=old), replace(before, kept=replace(old, parts=parts)))
    assert forgotten.worse == ("newly not drawn as intended: R1",)


def test_what_lies_inside_an_instance_that_went_is_not_told(tmp_path: Path) -> None:
    """An instance that is not drawn any more is one removed part, not three."""
    found = part_changes(drawn(tmp_path, NETLIST), drawn(tmp_path, NETLIST.replace("Xd a d half\n", "")))
    assert [(each.name, each.how) for each in found] == [("Xd", "removed")]
    assert isinstance(found[0], PartChange)


@pytest.mark.parametrize(
    ("limit", "word"),
    [
        (Limit(0.2, 0.9), "loosened"), (Limit(None, 0.9), "loosened"), (Limit(0.4, 0.9), "tightened"),
        (Limit(0.2, 0.8), "changed"),
    ],
)  # fmt: skip
def test_the_direction_of_a_limit(limit: Limit, word: str) -> None:
    """Loosened where all that was allowed still is."""
    before, after = side().kept, side(limit=limit).kept
    assert before is not None and after is not None
    (change,) = with_directions([FactChange("limits.duty", "x", "y", "changed")], before, after)
    assert change.how == word


def test_paths_stay_in_the_repository() -> None:
    """Up and down again is fine; out of it is nothing."""
    assert _plain("boards/./kestrel/../plover") == "boards/plover"
    assert _plain("boards/../../etc") == ""


@pytest.mark.parametrize(("foreseen", "words"), [(True, "predicted 0.0625"), (False, "no prediction")])
def test_a_drawing_without_a_prediction_says_so(foreseen: bool, words: str) -> None:
    """In the sentence for who cannot see it."""
    pair = [side(), side(150e3)]
    if not foreseen:
        pair = [replace(one, corners=one.corners.drop(columns="duty.refined")) for one in pair]
    (picture,) = shift_pictures(compare(*pair), ["duty"])
    assert words in picture.alternative and "nan" not in picture.alternative


RUN = {"board": "held", "revision": "A", "left_out": 0, "versions": {}, "settings": {}, "hashes": {}}
TABLE = "corner,control,state\nc001,1,pulsing\n"


def run_folder(folder: Path, run: dict[str, object], corners: str = TABLE) -> Path:
    """The files without which nothing can be compared."""
    (folder / "run.json").write_text(json.dumps(run))
    (folder / "corners.csv").write_text(corners)
    (folder / "check.csv").write_text("part,drawn\n")
    return folder


def test_a_folder_of_a_run_is_read(tmp_path: Path) -> None:
    found = side_of_folder(run_folder(tmp_path, RUN))
    assert (found.title, found.axes["control"].values) == ("held, revision A", (1.0,))


@pytest.mark.parametrize(
    ("change", "corners", "why"),
    [
        ({"board": "../../elsewhere"}, TABLE, "names no board"),
        ({"board": 7}, TABLE, "names no board"),
        ({"revision": "A\x1b[2J"}, TABLE, "names no revision"),
        ({"versions": "new"}, TABLE, "something else than it should under versions"),
        ({"left_out": "none"}, TABLE, "something else than it should under left_out"),
        ({}, TABLE.replace(",1,", ",high,"), "no numbers for the axis control"),
    ],
)
def test_a_folder_that_no_run_wrote_is_one_sentence(
    change: dict[str, object], corners: str, why: str, tmp_path: Path
) -> None:
    """Names become parts of paths, so that those of a strange file must not lead anywhere."""
    with pytest.raises(InputError, match=why) as caught:
        side_of_folder(run_folder(tmp_path, RUN | change, corners))
    assert len(caught.value.findings) == 1


def test_a_revision_puts_no_file_outside_of_its_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A tree that git itself would not check out, written object by object."""
    repository, folder = tmp_path / "repository", tmp_path / "put" / "down"
    repository.mkdir()
    monkeypatch.chdir(repository)

    def git(*arguments: str, given: bytes = b"") -> str:
        name = ["-c", "user.name=tester", "-c", "user.email=tester@example.org"]
        return (
            subprocess.run(["git", *name, *arguments], input=given, check=True, capture_output=True)
            .stdout.decode()
            .strip()
        )

    git("init", "-q")
    blob = bytes.fromhex(git("hash-object", "-w", "--stdin", given=b"[board]\n"))
    entries = b"".join(b"100644 %s\0" % name + blob for name in (b"../up.inc", b"held.board.toml"))
    tree = git("hash-object", "-t", "tree", "-w", "--literally", "--stdin", given=entries)
    commit = git("commit-tree", tree, "-m", "one")
    with pytest.raises(InputError, match="which leads away"):
        extract(commit, "held.board.toml", folder)
    assert not (tmp_path / "put" / "up.inc").exists()


def test_a_path_from_here_is_no_path_from_the_top(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two boards of one file name: a dot in front means the one here, none the one at the top."""
    for folder, text in ((tmp_path, "top"), (tmp_path / "below", "below")):
        folder.mkdir(exist_ok=True)
        (folder / "held.board.toml").write_text(f"# {text}\n", encoding="utf-8")
    name = ["-c", "user.name=tester", "-c", "user.email=tester@example.org"]
    for arguments in (["init", "-q"], ["add", "-A"], [*name, "commit", "-q", "-m", "one"]):
        subprocess.run(["git", *arguments], cwd=tmp_path, check=True, capture_output=True)
    monkeypatch.chdir(tmp_path / "below")
    for number, (path, text) in enumerate(
        (("held.board.toml", "top"), ("./held.board.toml", "below"), ("../held.board.toml", "top"))
    ):
        found = extract("HEAD", path, tmp_path / f"put{number}")
        assert found.board.read_text(encoding="utf-8") == f"# {text}\n"
    with pytest.raises(InputError, match=r'has no file "\./below/held'):
        extract("HEAD", "./below/held.board.toml", tmp_path / "put")


def test_every_word_is_described() -> None:
    """The user's reference has every verdict and every column."""
    root = Path(__file__).resolve().parents[2]
    page = (root / "harness" / "pages" / "board-file.md").read_text(encoding="utf-8")
    said = page.partition("\n## Revisions compared\n")[2].partition("\n## ")[0]
    words = [
        *shifts.VERDICTS, *standing.WORSE_LIMITS, standing.MET, standing.NO_LIMIT, *standing.WORSE_AGREEMENTS,
        standing.ENDED, joined.MISSING, joined.NEW, joined.NOT_SIMULATED, joined.WORSE_STATE,
        joined.OTHER_STATE, LOOSENED, TIGHTENED, "added", "removed", "changed", "announced", "unannounced",
        "renamed", *COLUMNS,
    ]  # fmt: skip
    assert [word for word in words if f"`{word}`" not in said] == []
