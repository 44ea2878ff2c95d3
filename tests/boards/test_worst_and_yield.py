# SPDX-License-Identifier: GPL-3.0-or-later
"""Worst case and yield on the real engine, against every vertex and against the binomial law."""

from __future__ import annotations

import hashlib
import json
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from harness.board import load_board
from harness.cli import main
from harness.ledger import Ledger
from harness.netlist import read_netlist
from harness.order.studies import Asked, sections, study_states
from harness.studies.answers import worst_case
from harness.studies.rows import Study
from harness.studies.variation import unusable, varied
from harness.studies.worst import budget
from harness.studies.yields import blame_of, draw, low_discrepancy_words
from harness.units import engineering

NETLIST = """* An ideal ramp, sliced at a threshold that three resistors make of reference, control and ground
.include "parts/comparator_393.inc"
Vcc vcc 0 12
Vref ref 0 5
Vcontrol control 0 2
Vramp ramp 0 PULSE(0 5 0 980u 10u 10u 1m)
Rref ref thr 100k
Rcontrol control thr 150k
Rlow thr 0 220k
Xslice thr ramp vcc 0 out comparator_393
Rpull vcc out 4.7k
Rload out 0 47k
Cload out 0 220p
.end
"""
SHARE = 0.99  # of the period that the ramp moves from end to end, up and down: what a threshold takes part in
BOARD = """
[board]
format = 1
name = "sliced"
revision = "A"
netlist = "sliced.cir"

[roles]
ramp = "ramp"
threshold = "thr"
output = "out"
comparator = "Xslice"
comparator_class = "393"
ramp_input = "minus"
pullup = "Rpull"
supply = "Vcc"
load_resistor = "Rload"
load_capacitor = "Cload"

[core]
kind = "ramp source"

[intended]
Rref = "100k 5%"
Rcontrol = "150k 5%"
Rlow = "220k 5%"
Rpull = "4.7k 5%"
Rload = "47k 10%"
Vref = "5 V 2%"
Cload = "220p"

[axes.control]
values = [-5, -2.6, 2, 5]
unit = "V"
sets = "Vcontrol"

[limits]
duty = { least = 0.02, most = 0.75 }
high_level = { least = "10 V" }
pullup_current = { most = "2.7 mA" }
"""


def board_in(folder: Path, text: str = BOARD) -> Path:
    (folder / "sliced.cir").write_text(NETLIST)
    path = folder / "sliced.board.toml"
    path.write_text(text)
    return path


def every_vertex(board: Path, only: list[tuple[str, float | str]]) -> pd.DataFrame:
    """All vertices of the deviations at some axis corners, simulated: corner, quantity figures, bars."""
    with Ledger(None) as ledger:
        study = Study(board, ledger, only=only)
        vertices = np.array(list(product((-1.0, 1.0), repeat=study.count)))
        places = np.repeat(np.arange(len(study.corners)), len(vertices))
        names = [f"{place}-{row}" for row, place in enumerate(places)]
        rows = study.rows(places.tolist(), np.tile(vertices, (len(study.corners), 1)) * study.widths, names)
        outcomes = study.simulated(rows)
        table = pd.DataFrame({q: outcomes.judged(q) for q in study.varied.board.limits})
        table.insert(0, "corner", study.corners["corner"].to_numpy()[places])
        return table


def compare_with_every_vertex(board: Path, out: Path, only: list[str]) -> None:
    options = [word for setting in only for word in ("--only", setting)]
    assert main(["worst", str(board), "--out", str(out), *options]) in (0, 1)
    found = pd.read_csv(out / "worst_corners.csv")
    pairs: list[tuple[str, float | str]] = [(s.partition("=")[0], float(s.partition("=")[2])) for s in only]
    full = every_vertex(board, pairs)
    compared = 0
    for corner, vertices in full.groupby("corner"):
        for quantity in ("duty", "high_level", "pullup_current"):
            rows = found[(found["corner"] == corner) & (found["quantity"] == quantity)].set_index("end")
            for end, extreme in (("least", vertices[quantity].min()), ("most", vertices[quantity].max())):
                if np.isnan(extreme):
                    assert np.isnan(rows.loc[end, "value"])
                    continue
                beyond = rows.loc[end, "value"] - extreme
                short = beyond if end == "least" else -beyond
                assert short <= 2 * rows.loc[end, "bar"], (corner, quantity, end, beyond)
                compared += 1
    assert compared >= 4


def test_three_deviations_against_all_their_vertices(tmp_path: Path) -> None:
    text = BOARD.replace('"220k 5%"', '"220k"').replace('"47k 10%"', '"47k"').replace('"5 V 2%"', '"5 V"')
    board = board_in(tmp_path, text)
    compare_with_every_vertex(board, tmp_path / "out", ["control=2"])
    record = json.loads((tmp_path / "out" / "run.json").read_text())
    assert record["vertices"] == 8 and record["simulations_at_most"] <= budget(3)
    for path in (board, tmp_path / "sliced.cir"):
        assert record["hashes"][path.name] == hashlib.sha256(path.read_bytes()).hexdigest()
    worst = pd.read_csv(tmp_path / "out" / "worst.csv").set_index(["quantity", "end"])
    assert worst.loc[("duty", "most"), "parts"].startswith("Rref -5 %, Rcontrol ")
    assert "monotone" in worst.loc[("duty", "most"), "assumed"]


def test_a_deviation_that_moves_the_duty_but_neither_threshold_nor_ramp(tmp_path: Path) -> None:
    """The offset of the slicing comparator; at -5 V it also counts where the boards without it are stuck."""
    text = BOARD.replace('"220k 5%"', '"220k"').replace('"47k 10%"', '"47k"').replace('"5 V 2%"', '"5 V"')
    text = text.replace('[core]\nkind = "ramp source"\n', "").replace('"4.7k 5%"', '"4.7k"')
    board = board_in(tmp_path, f'{text}\n[spread]\n"Xslice.offset" = "5 mV"\n')
    compare_with_every_vertex(board, tmp_path / "out", ["control=-5", "control=2"])
    found = pd.read_csv(tmp_path / "out" / "worst_corners.csv").set_index(["quantity", "corner", "end"])
    assert "Xslice.offset +5 mV" in found.loc[("duty", "c003", "least"), "parts"]
    assert "Xslice.offset -5 mV" in found.loc[("duty", "c003", "most"), "parts"]
    record = json.loads((tmp_path / "out" / "run.json").read_text())
    assert record["simulations_at_most"] <= budget(3)


@pytest.mark.slow
def test_six_deviations_against_all_their_vertices_at_the_ends_of_the_control(tmp_path: Path) -> None:
    """At -5 V the threshold lies below the ramp on some boards and not on others, at 5 V near its top."""
    board = board_in(tmp_path)
    compare_with_every_vertex(board, tmp_path / "out", ["control=-5", "control=-2.6", "control=5"][1:])
    compare_with_every_vertex(board, tmp_path / "low", ["control=-5"])
    record = json.loads((tmp_path / "out" / "run.json").read_text())
    assert record["vertices"] == 64 and record["simulations_at_most"] <= budget(6)


def test_the_same_seed_gives_the_same_boards_and_another_one_others(tmp_path: Path) -> None:
    board = board_in(tmp_path)
    tables = {}
    for name, seed in (("one", "7"), ("two", "7"), ("three", "8")):
        main(
            [
                "yield",
                str(board),
                "--draws",
                "12",
                "--seed",
                seed,
                "--only",
                "control=5",
                "--out",
                str(tmp_path / name),
            ]
        )
        tables[name] = (tmp_path / name / "draws.csv").read_bytes()
    assert tables["one"] == tables["two"] != tables["three"]
    again = json.loads((tmp_path / "two" / "run.json").read_text())
    assert again["reused"] == again["simulations"] == 13  # one tells how long it will take
    summary = pd.read_csv(tmp_path / "one" / "yield.csv").iloc[0]
    assert summary["passed"] + summary["failed"] + summary["undecided"] == 12
    assert summary["least"] <= summary["share"] <= summary["most"]


def test_nothing_to_ask_is_bad_input(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = BOARD.partition("[limits]")[0].replace(" 5%", "").replace(" 10%", "").replace(" 2%", "")
    board = board_in(tmp_path, text)
    assert main(["worst", str(board)]) == 2
    said = capsys.readouterr().err
    assert "nothing deviates" in said and "no [limits]" in said and "Traceback" not in said


@pytest.mark.parametrize("wrong", ['"100k 0%"', '"100k 100%"', '"100k -5%"'])
def test_a_tolerance_that_is_none_is_bad_input(
    tmp_path: Path, wrong: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["worst", str(board_in(tmp_path, BOARD.replace('"100k 5%"', wrong)))]) == 2
    assert "intended.Rref" in capsys.readouterr().err


def test_a_spread_and_parts_that_track(tmp_path: Path) -> None:
    """An offset moves the threshold one to one; parts that track move no divider of the two."""
    text = BOARD.replace('Rload = "47k 10%"', 'Rload = "47k 5%"')
    text += '\n[spread]\n"Xslice.offset" = "9 mV"\n\n[tracking]\nreel = ["Rpull", "Rload"]\n'
    board = board_in(tmp_path, text)
    assert main(["worst", str(board), "--only", "control=2", "--out", str(tmp_path / "out")]) in (0, 1)
    blame = pd.read_csv(tmp_path / "out" / "blame.csv").set_index(["quantity", "part"])["half_effect"]
    assert blame["duty", "Xslice.offset"] == pytest.approx(9e-3 / 5 * SHARE, rel=0.01)
    assert blame["high_level", "reel"] < 1e-3
    assert "Rpull" not in blame["high_level"].index


def with_ratings(folder: Path, ratings: str) -> Path:
    """The board with ratings, two resistors that deviate and nothing else."""
    text = BOARD.replace('"150k 5%"', '"150k"').replace('"220k 5%"', '"220k"')
    text = text.replace('"47k 10%"', '"47k"').replace('"5 V 2%"', '"5 V"')
    return board_in(folder, f"{text}\n[ratings]\n{ratings}\n")


def test_a_rating_that_only_a_vertex_breaches(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What the pull-up brings grows as its resistance falls, by Ohm's law: 2.6 mA are kept as drawn and not
    with a resistor 5 % below. Its dissipation is kept by both."""
    board = with_ratings(tmp_path, 'sink_current = "2.6 mA"\nRpull = "20 mW"')
    out, only = tmp_path / "out", ["--only", "control=2"]
    assert main(["run", str(board), *only, "--out", str(out)]) == 0
    drawn = pd.read_csv(out / "ratings.csv").set_index(["part", "rating"])
    as_drawn = drawn.loc[("Xslice", "output current"), "value"]
    assert drawn.loc[("Xslice", "output current"), "verdict"] == "within"
    capsys.readouterr()

    assert main(["worst", str(board), *only, "--out", str(out)]) == 1
    worst = pd.read_csv(out / "worst.csv").set_index("quantity")
    current, power = worst.loc["Xslice output current"], worst.loc["Rpull dissipation"]
    assert (current["verdict"], current["end"], current["corner"]) == ("breached", "most", "c003")
    low_level = 12.0 - 4.7e3 * as_drawn
    assert current["value"] == pytest.approx((12.0 - low_level) / (0.95 * 4.7e3), rel=2e-3)
    assert current["limit"] == 2.6e-3 and current["margin"] == pytest.approx(2.6e-3 - current["value"])
    assert current["parts"] == "Rpull -5 %" and current["state"] == "pulsing" and np.isnan(current["bar"])
    assert power["verdict"] == "within" and power["parts"].startswith("Rpull -5 %")
    assert "no proof of the worst" in current["assumed"]
    assert not worst.loc[["duty", "high_level", "pullup_current"], "verdict"].isin(["outside"]).any()
    said = capsys.readouterr().out
    total = int(current["simulations"])
    assert f"7 absolute maximum ratings watched in {total} simulations: breached in " in said
    figure = engineering(current["value"], "A")
    breach = f"Xslice output current {figure}, rating 2.6 mA: breached, c003 (control 2 V): Rpull -5 %"
    assert breach in said

    answers = {"worst": worst_case(board, [("control", 2.0)])}
    loaded = load_board(board)
    state = study_states(loaded, Asked(("worst",)), answers)[0]
    assert (state.words, state.short) == ("rating breached: Xslice output current", True)
    corners = pd.DataFrame({"corner": ["c003"], "control": [2.0]})
    (section,) = sections(loaded, corners, answers)
    assert any(breach in words for words in section.words)
    assert len(section.tables[0][1].rows) == 4  # the limits alone, as before


def test_ratings_leave_the_limits_as_they_were_and_none_is_breached(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tables = []
    for ratings in ("", 'Rpull = "20 mW"'):
        board = with_ratings(tmp_path, ratings)
        assert main(["worst", str(board), "--only", "control=2", "--out", str(tmp_path / "out")]) == 0
        tables.append(pd.read_csv(tmp_path / "out" / "worst.csv", dtype=str))
    limited = tables[0]["quantity"].isin(("duty", "high_level", "pullup_current"))
    assert limited.tolist() == [True] * 6 + [False] * 6
    pd.testing.assert_frame_equal(tables[0][limited], tables[1].iloc[:6])
    assert set(tables[1].iloc[6:]["verdict"]) == {"within"}
    assert tables[1]["quantity"].iloc[-1] == "Rpull dissipation"
    said = capsys.readouterr().out
    total = tables[1]["simulations"].iloc[-1]
    assert f"7 absolute maximum ratings watched in {total} simulations: none is breached." in said
    assert "ratings: at the vertices that were simulated" in said


def test_a_board_that_breaches_a_rating_does_not_pass(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Which boards breach it follows from their own pull-ups, by Ohm's law; every limit is kept by all."""
    asked = ["--draws", "10", "--seed", "5", "--only", "control=2"]
    plain, rated = tmp_path / "plain", tmp_path / "rated"
    for out, ratings, code in ((plain, "", 0), (rated, 'sink_current = "2.61 mA"', 1)):
        assert main(["yield", str(with_ratings(tmp_path, ratings)), *asked, "--out", str(out)]) == code
    before, after = (pd.read_csv(out / "draws.csv") for out in (plain, rated))
    assert (before["verdict"] == "pass").all() and (before["ratings"] == "within").all()
    low_level = 0.1  # V, about what the output keeps; no board drawn is near the rating
    current = (12.0 - low_level) / (4.7e3 * (1.0 + after["Rpull"]))
    beyond = current > 2.61e-3
    assert (current - 2.61e-3).abs().min() > 0.005e-3
    assert 1 < beyond.sum() < len(after)
    assert (after["verdict"] == np.where(beyond, "fail", "pass")).all()
    assert (after["limit"][beyond] == "ratings").all() and (after["corner"][beyond] == "c003").all()
    assert after["ratings"][beyond].str.startswith("breached: Xslice output current 2.6").all()
    summary = pd.read_csv(rated / "yield.csv").iloc[0]
    assert summary["breached"] == summary["failed"] == beyond.sum()
    assert pd.read_csv(plain / "yield.csv")["breached"].iloc[0] == 0
    said = capsys.readouterr().out
    assert "6 absolute maximum ratings watched in 10 simulations: none is breached." in said
    assert (
        f"an absolute maximum rating alone: {beyond.sum()} boards, most often at c003 (control 2 V)" in said
    )


def test_a_board_counts_at_every_limit_that_it_misses(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No board keeps either limit: the second one is not hidden behind the first."""
    text = BOARD.replace("least = 0.02, most = 0.75", "most = 0.1").replace("2.7 mA", "1 mA")
    asked = ["--draws", "6", "--only", "control=2", "--out", str(tmp_path / "out")]
    assert main(["yield", str(board_in(tmp_path, text)), *asked]) == 1
    said = capsys.readouterr().out
    assert "Duty factor: 6 boards, most often at c003 (control 2 V)" in said
    assert "Pull-up current, output low: 6 boards, most often at c003 (control 2 V)" in said
    record = json.loads((tmp_path / "out" / "run.json").read_text())
    assert record["falls_short"] == {"duty": 6, "pullup_current": 6}


def test_low_discrepancy_draws_are_evener_than_chance_and_say_so_where_they_could_be_evener(
    recwarn: pytest.WarningsRecorder,
) -> None:
    """Every one of 16 equal pieces of a tolerance holds its share of 96 points to a point or two."""
    points = draw(4, 96, 3, "uniform", low_discrepancy=True)
    pieces = np.floor(8.0 * (points + 1.0)).astype(int)
    counts = np.array([np.bincount(column, minlength=16) for column in pieces.T])
    assert np.abs(counts - 6).max() <= 1 and not recwarn.list
    assert "such as 128 would be" in low_discrepancy_words(96)
    assert "such as" not in low_discrepancy_words(128)


def test_no_part_is_blamed_for_what_chance_does() -> None:
    """The deviation that decides is named from few boards on, and those that do not decide are not."""
    shares = np.random.default_rng(5).uniform(-1.0, 1.0, (60, 6))
    table = pd.DataFrame({"verdict": np.where(shares[:, 2] > 0.4, "fail", "pass")})
    for boards in (5, 10, 20, 60):
        blamed = blame_of(table[:boards], shares[:boards], list("abcdef"))
        clear = list(blamed["part"][blamed["apart"].abs() > blamed["by_chance"]])
        assert clear == (["c"] if boards > 10 else [])


TRIM = """
[trim.width]
part = "Rlow"
least = "100k"
most = "400k"
quantity = "duty"
target = 0.55
at = { control = 2 }
"""


def trimmed_board(folder: Path) -> Path:
    text = BOARD.replace("duty = { least = 0.02, most = 0.75 }", "duty = { least = 0.545, most = 0.555 }")
    return board_in(folder, text.replace("values = [-5, -2.6, 2, 5]", "values = [1.9, 2]") + TRIM)


@pytest.mark.slow
def test_every_board_is_trimmed_before_it_is_judged(tmp_path: Path) -> None:
    """The duty is at its target where the trimmer was set, on every board; without the trimmer it is not."""
    asked = ["--draws", "8", "--seed", "3", "--only", "control=2"]
    main(["yield", str(trimmed_board(tmp_path)), *asked, "--out", str(tmp_path / "with")])
    draws = pd.read_csv(tmp_path / "with" / "draws.csv")
    assert draws["width.reached"].all() and draws["width.left"].min() > 0.05
    assert (draws["width.error"].abs() < 2e-4).all()
    assert pd.read_csv(tmp_path / "with" / "yield.csv")["failed"].iloc[0] == 0
    board = tmp_path / "sliced.board.toml"
    board.write_text(board.read_text().replace(TRIM, ""))
    main(["yield", str(board), *asked, "--out", str(tmp_path / "without")])
    assert pd.read_csv(tmp_path / "without" / "yield.csv")["failed"].iloc[0] > 0


def test_a_trimmer_that_does_not_reach_is_said_to(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    board = trimmed_board(tmp_path)
    board.write_text(board.read_text().replace('most = "400k"', 'most = "110k"'))
    board.write_text(board.read_text().replace("least = 0.545, most = 0.555", "least = 0.1, most = 0.9"))
    assert main(["yield", str(board), "--draws", "4", "--seed", "3", "--only", "control=2"]) == 1
    said = capsys.readouterr().out
    assert "reaches 0.55 on 0 of 4 boards" in said
    assert "0 keep every limit and rating everywhere, 4 do not" in said and "trimmer width: 4 boards" in said


@pytest.mark.slow
def test_what_a_trimmer_leaves_over_another_axis(tmp_path: Path) -> None:
    """0.1 V of the control through 150 k against the board's own resistance at the threshold."""
    board = trimmed_board(tmp_path)
    main(["yield", str(board), "--draws", "3", "--seed", "3", "--out", str(tmp_path / "out")])
    draws = pd.read_csv(tmp_path / "out" / "draws.csv")
    low = draws["width.setting"]
    rref, rcontrol = (value * (1 + draws[name]) for name, value in (("Rref", 100e3), ("Rcontrol", 150e3)))
    parallel = 1 / (1 / rref + 1 / rcontrol + 1 / low)
    np.testing.assert_allclose(
        draws["width.over_control"], -0.1 * parallel / rcontrol / 5 * SHARE, rtol=0.005
    )


def test_a_study_that_would_take_too_long_is_not_started(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    board = board_in(tmp_path)
    assert main(["yield", str(board), "--draws", "100000", "--only", "control=2", "--within", "60"]) == 2
    said = capsys.readouterr().err
    assert "100000 simulations" in said and "more than the 60 seconds that --within allows" in said
    asked = ["worst", "--only", "control=2", "--within", "0.01"]
    assert main([*asked, str(board)]) == 2
    assert f"for {budget(6)} simulations" in capsys.readouterr().err
    assert main([*asked, str(trimmed_board(tmp_path))]) == 2  # Rlow is set, so that five deviations are left
    assert f"for {budget(5) + 3 * budget(5)} simulations" in capsys.readouterr().err


def half_effects(board: Path, out: Path) -> pd.Series:
    assert main(["worst", str(board), "--only", "control=2", "--out", str(out)]) in (0, 1)
    return pd.read_csv(out / "blame.csv").set_index(["quantity", "part"])["half_effect"]["duty"]


@pytest.mark.slow
def test_each_of_several_spreads_of_one_device_acts(tmp_path: Path) -> None:
    """Offset and bias of one comparator: each does what it does alone."""
    spreads = {"offset": '"Xslice.offset" = "9 mV"', "bias": '"Xslice.bias" = "60 %"'}
    alone = {}
    for name, line in spreads.items():
        folder = tmp_path / name
        folder.mkdir()
        alone[name] = half_effects(board_in(folder, f"{BOARD}\n[spread]\n{line}\n"), folder / "out")
    both = half_effects(
        board_in(tmp_path, "\n".join([BOARD, "[spread]", *spreads.values()])), tmp_path / "out"
    )
    for name in spreads:
        assert both[f"Xslice.{name}"] == pytest.approx(alone[name][f"Xslice.{name}"], rel=1e-3)
        assert both[f"Xslice.{name}"] > 1e-5
    assert both["Xslice.offset"] == pytest.approx(9e-3 / 5 * SHARE, rel=0.01)


def staged_netlist(copies: int) -> str:
    """The netlist with its comparator in a subcircuit, which is used so many times."""
    inside = "Xslice thr ramp vcc 0 out comparator_393"
    stage = [".subckt stage thr ramp vcc out", inside, ".ends", "Xstage thr ramp vcc out stage"]
    for number in range(1, copies):
        stage += [f"Xstage{number} thr ramp vcc out{number} stage", f"Rout{number} vcc out{number} 4.7k"]
    return NETLIST.replace(inside, "\n".join(stage))


def test_a_part_inside_a_subcircuit_deviates_and_one_with_copies_cannot(tmp_path: Path) -> None:
    text = BOARD.replace('comparator = "Xslice"', 'comparator = "Xstage.Xslice"')
    board = board_in(tmp_path, f'{text}\n[spread]\n"xstage.Xslice.offset" = "9 mV"\n')
    netlist = tmp_path / "sliced.cir"
    netlist.write_text(staged_netlist(1))
    study = varied(load_board(board), read_netlist(netlist))
    (offset,) = (d for d in study.deviations if d.name == "xstage.Xslice.offset")
    assert offset.parameter in study.netlist.find("xstage.xslice").part.parameters["offset"]
    netlist.write_text(staged_netlist(2))
    (finding,) = unusable(load_board(board), read_netlist(netlist))
    assert "used more than once" in finding.message and finding.line is not None


def test_check_says_all_that_is_wrong_with_spread_and_trim_and_where(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (
        BOARD
        + '\n[spread]\n"Xslice.ofset" = "9 mV"\n"Xnone.offset" = "9 mV"\n'
        + TRIM.replace("Rlow", "Rlwo")
    )
    board = board_in(tmp_path, text)
    assert main(["check", str(board)]) == 2
    said = capsys.readouterr().err
    assert 'no parameter "ofset" (did you mean "offset"?)' in said
    assert 'no part "Xnone"' in said and 'no part "Rlwo" (did you mean' in said
    assert len([line for line in said.splitlines() if line.startswith("sliced.board.toml:")]) == 3
