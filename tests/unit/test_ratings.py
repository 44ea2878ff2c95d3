# SPDX-License-Identifier: GPL-3.0-or-later
"""Absolute maximum ratings: what parts bear in a record, which ratings hold for a board, and the verdict."""

from __future__ import annotations

import dataclasses
import math
import sys
from pathlib import Path

import numpy as np
import pytest

from harness.board import Board, load_board
from harness.findings import BoardError
from harness.measure.stress import Watch, stresses
from harness.netlist import Netlist, read_netlist
from harness.ratings import BOARD_FILE, BREACHED, NO_FIGURE, UNKNOWN, WITHIN, Rated, judged, rated_parts
from harness.report.story import tell
from harness.report.terminal import lines_of
from harness.sheets import models, read_sheet

sys.path.insert(0, str(Path(__file__).parent))  # helpers lie beside the tests
from board_text import SLICER
from report_fixture import make_result

NETLIST = """* a slicer
.include "parts/comparator_393.inc"
.include "parts/mosfet_small_n.inc"
Vcc vcc 0 15
Vrail rail 0 8
Vcontrol control 0 4
Vramp ramp 0 pulse(0.6 7.5 0 1.98m 10u 1u 2m)
Rcontrol control thr 100k
Rbias rail thr 4.7meg
Rtop thr 0 150k
Xslice thr ramp vcc 0 out comparator_393
Rpull rail out 3.3k
Cload out 0 470p
Mreset out gate 0 0 mosfet_small_n w=1 l=1
Vgate gate 0 0
.end
"""


def board_and_netlist(folder: Path, ratings: str = "", netlist: str = NETLIST) -> tuple[Board, Netlist]:
    (folder / "slicer.cir").write_text(netlist)
    (folder / "slicer.board.toml").write_text(f"{SLICER}\n[ratings]\n{ratings}\n")
    board = load_board(folder / "slicer.board.toml")
    return board, read_netlist(board.netlist, board.include, board.dialects)


# --- what parts bear


def test_extremes_and_means_of_known_waves() -> None:
    """A sine of 3 V peak on 1 V, and the power of 2 sin^2 W: 1 W on average (sin^2 averages to a half)."""
    time = np.linspace(0.0, 1.0, 20001)
    sine = np.sin(2 * np.pi * time)
    record = {"time": time, "a": 1.0 + 3.0 * sine, "b": 2.0 * sine, "@r1[i]": sine}
    watches = [
        Watch("volts", across=("a", "0")),
        Watch("turned", across=("0", "a")),
        Watch("between", across=("a", "b")),
        Watch("amps", through=(("@r1[i]", -2.0),)),
        Watch("mean", through=(("@r1[i]", 1.0),), averaged=True),
        Watch("watts", across=("b", "0"), through=(("@r1[i]", 1.0),)),
    ]
    found = stresses(record, 0.0, 1.0, watches)
    assert found["volts"] == pytest.approx([-2.0, 4.0])
    assert found["turned"] == pytest.approx([-4.0, 2.0])
    assert found["between"] == pytest.approx([0.0, 2.0], abs=1e-9)
    assert found["amps"] == pytest.approx([-2.0, 2.0])
    assert found["mean"] == pytest.approx([2 / math.pi] * 2, rel=1e-6)
    assert found["watts"] == pytest.approx([1.0, 1.0], rel=1e-6)


def test_only_the_cycle_counts_and_what_is_not_there_is_left_out() -> None:
    time = np.linspace(0.0, 3.0, 301)
    record = {"time": time, "a": np.where(time < 1.0, 100.0, time)}
    found = stresses(record, 1.5, 2.5, [Watch("a", across=("a", "0")), Watch("none", across=("b", "0"))])
    assert found == {"a": pytest.approx([1.5, 2.5])}


# --- verdicts


def rated(least: float, most: float, through: bool = False) -> Rated:
    watch = Watch("w", through=(("i", 1.0),)) if through else Watch("w", across=("a", "0"))
    return Rated("Rx", "voltage", watch, least, most, "V", "somewhere")


@pytest.mark.parametrize(
    ("least", "most", "extremes", "value", "word"),
    [
        (-0.3, 36.0, [-0.31, 5.0], -0.31, BREACHED),
        (-0.3, 36.0, [-0.29, 5.0], -0.29, WITHIN),
        (-0.3, 36.0, [1.0, 36.1], 36.1, BREACHED),
        (math.nan, 36.0, [-50.0, 35.9], 35.9, WITHIN),
        (-35.0, math.nan, [-36.0, 50.0], -36.0, BREACHED),
        (math.nan, 36.0, [0.0, 36.0], 36.0, WITHIN),
    ],
)
def test_a_voltage_is_judged_by_the_bound_it_is_nearest_to(
    least: float, most: float, extremes: list[float], value: float, word: str
) -> None:
    assert rated(least, most).verdict(extremes) == (value, word)


def test_the_size_of_a_current_counts() -> None:
    assert rated(math.nan, 0.02, through=True).verdict([-0.021, 0.001]) == (0.021, BREACHED)
    assert rated(math.nan, 0.02, through=True).verdict(None)[1] == NO_FIGURE


def test_each_corner_says_what_is_breached_and_each_rating_its_worst_corner() -> None:
    one = rated(math.nan, 10.0)
    texts, table = judged([one], ["c1", "c2", "c3"], [{"w": [0, 9]}, {"w": [0, 12]}, {}])
    assert texts == [WITHIN, "breached: Rx voltage 12 V, rating 10 V", NO_FIGURE]
    assert list(table[["corner", "value", "verdict"]].iloc[0]) == ["c2", 12.0, BREACHED]
    assert judged([], ["c1"], [{}])[0] == [UNKNOWN]


# --- which ratings hold


def by_part(rows: list[Rated]) -> dict[tuple[str, str], Rated]:
    return {(row.part, row.words): row for row in rows}


def test_sheets_rate_parts_by_their_models(tmp_path: Path) -> None:
    """393: 36 V, -0.3 V, 20 mA (SLCS005Y, 6.1). 2N7002: 60 V, 800 mA pulsed (Central, maximum ratings)."""
    rows = by_part(rated_parts(*board_and_netlist(tmp_path)))
    supply = rows["Xslice", "supply voltage"]
    assert (supply.watch.across, supply.most) == (("vcc", "0"), 36.0)
    minus = rows["Xslice", "voltage at the minus input"]
    assert (minus.watch.across, minus.least) == (("ramp", "0"), -0.3)
    output = rows["Xslice", "output current"]
    assert output.most == 0.02
    assert output.watch.through == (("@rpull[i]", -1.0),)
    assert rows["Mreset", "drain-source voltage"].most == 60.0
    assert rows["Mreset", "peak drain current"].watch.through == (("@mreset[id]", 1.0),)
    assert "SLCS005Y" in supply.source


def test_the_board_file_rates_parts_and_goes_before_a_sheet(tmp_path: Path) -> None:
    rows = by_part(
        rated_parts(*board_and_netlist(tmp_path, 'Rpull = "0.25 W"\nCload = "50 V"\nsink_current = "2 mA"'))
    )
    power = rows["Rpull", "dissipation"]
    assert (power.most, power.watch.across) == (0.25, ("rail", "out"))
    assert power.watch.through == (("@rpull[i]", 1.0),)
    assert (rows["Cload", "voltage"].least, rows["Cload", "voltage"].most) == (-50.0, 50.0)
    assert (rows["Xslice", "output current"].most, rows["Xslice", "output current"].source) == (
        2e-3,
        BOARD_FILE,
    )


def test_a_strange_comparator_is_rated_by_its_class_where_its_pins_have_names(tmp_path: Path) -> None:
    strange = ".subckt other out vss vcc inn inp\nr1 out vss 1k\nr2 inp inn 1meg\nr3 vcc vss 10k\n.ends"
    text = NETLIST.replace(
        "Xslice thr ramp vcc 0 out comparator_393", f"Xslice out 0 vcc ramp thr other\n{strange}"
    )
    rows = by_part(rated_parts(*board_and_netlist(tmp_path, netlist=text)))
    assert rows["Xslice", "voltage at the minus input"].watch.across == ("ramp", "0")
    assert rows["Xslice", "output current"].watch.through == (("@rpull[i]", -1.0),)


def test_nothing_is_rated_where_nothing_is_known(tmp_path: Path) -> None:
    lines = [line for line in NETLIST.splitlines() if not line.startswith(("Xslice", "Mreset"))]
    text = "\n".join(
        [
            *lines[:-1],
            "Xslice thr ramp out odd",
            ".subckt odd a b c",
            "r1 a b 1k",
            "r2 b c 1k",
            ".ends",
            ".end",
        ]
    )
    assert rated_parts(*board_and_netlist(tmp_path, netlist=text)) == []


@pytest.mark.parametrize("model", models())
def test_ratings_of_sheets_are_whole(model: str) -> None:
    """Every row has a source, a bound, and pins that the model has; pins are checked where it is read."""
    for rating in read_sheet(model).ratings:
        assert rating.source and rating.words
        assert not (math.isnan(rating.least) and math.isnan(rating.most))
        assert bool(rating.between) != bool(rating.current)


# --- the table [ratings]


@pytest.mark.parametrize(
    ("line", "key", "sentence"),
    [
        ("Rpull = 0.25", "Rpull", "a text with a unit"),
        ('Rpull = "0.25 Hz"', "Rpull", "is in W or V or A"),
        ('Rpull = "-1 W"', "Rpull", "above 0"),
        ('Cload = "1 W"', "Cload", "is in V or A"),
        ('Vcc = "1 W"', "Vcc", "cannot be rated"),
        ('sink_current = "1 V"', "sink_current", "expected a current"),
    ],
)
def test_what_cannot_be_a_rating_is_said(tmp_path: Path, line: str, key: str, sentence: str) -> None:
    with pytest.raises(BoardError) as caught:
        board_and_netlist(tmp_path, line)
    assert [f for f in caught.value.findings if f.key == f"ratings.{key}" and sentence in f.message]


def test_a_rated_part_has_to_be_drawn(tmp_path: Path) -> None:
    board, netlist = board_and_netlist(tmp_path, 'Rpul = "0.25 W"')
    (finding,) = [f for f in board.check_against(netlist) if f.key == "ratings.Rpul"]
    assert 'no part "Rpul" (did you mean "Rpull"?)' in finding.message


# --- the first screen


def test_a_breach_is_a_reason_of_its_own(tmp_path: Path) -> None:
    """The run of the report's tests in which nothing falls short, with one corner that breaches a rating."""
    result = make_result(tmp_path, clean=True)
    names = [str(name) for name in result.corners["corner"]]
    bears: list[dict[str, list[float]]] = [{"w": [0.0, 9.0]} for _ in names]
    bears[1] = {"w": [0.0, 12.0]}
    for stressed, number in ((bears[:1] * len(names), 0), (bears, 1)):
        corners = result.corners.copy()
        corners["ratings"], table = judged([rated(math.nan, 10.0)], names, stressed)
        story = tell(dataclasses.replace(result, corners=corners, ratings=table))
        lines = "\n".join(lines_of(story))
        assert len(story.ratings.breaches) == number
        assert len(story.statement.reasons) == number
        assert ("1 corner breaches an absolute maximum rating" in lines) == bool(number)
        assert (f"Rx: voltage 12 V, rating 10 V or less, in {names[1]}" in lines) == bool(number)
        assert ("none is breached" in lines) != bool(number)


def test_without_any_rating_that_is_said(tmp_path: Path) -> None:
    assert "No absolute maximum rating is known" in "\n".join(lines_of(tell(make_result(tmp_path))))
