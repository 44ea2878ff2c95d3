# SPDX-License-Identifier: GPL-3.0-or-later
"""The first screen: what is said, counted and named."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from harness.chain import FORMULA, REMAINDER, SLIP
from harness.findings import Finding
from harness.report.story import tell
from harness.report.terminal import lines_of, statement, summary_lines
from harness.results import RunResult
from harness.shortfalls import shortfalls_of

sys.path.insert(0, str(Path(__file__).parent))  # the made-up run lies beside the tests
from report_fixture import make_result


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    """A run with a slip, a corner without figures, a limit not met and a wrong formula."""
    return make_result(tmp_path_factory.mktemp("board"))


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    """A run in which nothing falls short."""
    return make_result(tmp_path_factory.mktemp("board"), clean=True)


def reduced(result: RunResult, **columns: object) -> RunResult:
    """The run with columns of its corner table set to one value in its first row."""
    corners = result.corners.copy()
    for name, value in columns.items():
        corners.loc[0, name.replace("__", ".")] = value
    return dataclasses.replace(result, corners=corners)


def test_a_clean_run_says_that_no_limit_falls_short(clean: RunResult) -> None:
    """The statement names the number of corners and gives no reason against a clean end."""
    said = tell(clean).statement
    assert said.kind == "within"
    assert said.words == f"No limit falls short in {len(clean.corners)} corners."
    assert said.reasons == ()
    assert said.exit_words.startswith("Exit status 0")


def test_an_outside_figure_says_falls_short(result: RunResult) -> None:
    """Counts of limits and corners come from the table."""
    outside = int((result.corners["duty.limit"] == "outside").sum())
    assert outside > 0
    said = tell(result).statement
    assert said.kind == "falls short"
    assert said.words == f"Falls short: 1 of 3 limits, in {outside} of {len(result.corners)} corners."
    assert said.exit_words.startswith("Exit status 1")


@pytest.mark.parametrize("word", ["no figure", "too close to call"])
def test_a_limit_without_an_answer_is_not_shown(clean: RunResult, word: str) -> None:
    """One corner that cannot be judged is enough to say not shown."""
    said = tell(reduced(clean, duty__limit=word)).statement
    assert said.kind == "not shown"
    assert "1 of 3 limits cannot be judged in 1 of" in said.words
    assert said.reasons


def test_without_limits_nothing_is_shown_about_them(tmp_path: Path) -> None:
    """No limit is not the same as no limit that falls short."""
    told = tell(make_result(tmp_path, with_limits=False))
    assert told.statement.kind == "not shown"
    assert "The board file sets no limits: nothing is shown about them." in told.not_shown


def test_without_limits_the_exit_status_praises_none(clean: RunResult) -> None:
    """Nothing was judged against a limit, so none is said to be within."""
    bare = dataclasses.replace(clean, board=dataclasses.replace(clean.board, limits={}))
    corners = bare.corners.assign(
        **{name: "no limit" for name in bare.corners.columns if name.endswith(".limit")}
    )
    bare = dataclasses.replace(bare, corners=corners)
    said = tell(bare).statement
    assert not shortfalls_of(bare)
    assert said.exit_words == ("Exit status 0: there is no limit that could fall short, and nothing differs.")
    assert "every limit within" in tell(clean).statement.exit_words


def test_what_is_too_coarse_says_what_helps(clean: RunResult) -> None:
    """A tenth of the accuracy that the run was asked for, in the words of the command."""
    coarse = reduced(clean, frequency__agreement="too coarse")
    sentence = next(text for text in tell(coarse).not_shown if "too coarse" in text)
    assert sentence.endswith("A finer run helps: `--accuracy 1e-5`, a tenth of this run's.")
    assert "`--accuracy 1e-5`" in " ".join(summary_lines(coarse))
    settings = coarse.run["settings"]
    finest = dataclasses.replace(coarse, run={**coarse.run, "settings": {**settings, "accuracy": 1e-7}})
    assert "--accuracy" not in " ".join(tell(finest).not_shown)


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"duty__limit": "outside"},
        {"duty__limit": "too close to call"},
        {"frequency__agreement": "disagrees"},
        {"frequency__agreement": "too coarse"},
        {"state": "out of range"},
        {"state": "no ramp"},
        {"state": "chatter"},
        {"state": "not simulated"},
        {"ratings": "breached: Rpull dissipation 300 mW, rating 250 mW"},
    ],
)
def test_reasons_are_given_exactly_where_the_verdict_finds_something(
    clean: RunResult, change: dict[str, str]
) -> None:
    """The story's reasons come from the list that decides the exit status: one clause a kind of reason."""
    changed = reduced(clean, **change)
    decided = shortfalls_of(changed)
    assert len(decided) == len(tell(changed).statement.reasons) == len(change)


def test_a_limit_on_what_nothing_measured_is_not_shown(clean: RunResult) -> None:
    """A limit whose quantity has no column is never a pass."""
    gone = clean.corners.drop(columns=[name for name in clean.corners if name.startswith("duty.")])
    told = tell(dataclasses.replace(clean, corners=gone))
    assert told.statement.kind == "not shown"
    assert "Limits on quantities that nothing measured: duty." in told.not_shown
    assert next(one for one in told.limits if one.quantity == "duty").verdict == "no figure"


def test_a_part_drawn_otherwise_comes_first_with_both_values(result: RunResult) -> None:
    """Words with both values, before anything about limits."""
    assert [slip.words for slip in tell(result).slips] == ["Rpull: 3.3 kOhm intended, 4.7 kOhm drawn"]
    lines = summary_lines(result)
    slip = next(index for index, line in enumerate(lines) if "3.3 kOhm intended, 4.7 kOhm drawn" in line)
    assert slip < next(index for index, line in enumerate(lines) if line.startswith("Falls short"))


def test_a_board_without_intent_says_what_cannot_be_noticed(tmp_path: Path) -> None:
    """No intended values: a wrong part value cannot be noticed, and the first screen says so."""
    told = tell(make_result(tmp_path, with_intent=False))
    assert told.intent.endswith("a wrong part value cannot be noticed.")
    assert told.partings == ()


def test_the_worst_corner_of_a_limit_is_the_one_with_the_least_room(result: RunResult) -> None:
    """Corner, axis values, figure and margin belong together."""
    limit = next(one for one in tell(result).limits if one.quantity == "duty")
    row = result.corners.loc[result.corners["duty.margin"].idxmin()]
    assert limit.corner == row["corner"]
    assert limit.place == "control 0 V, supply 13.5 V, temperature 0 degC, pitch 15 uA"
    assert float(limit.margin) == pytest.approx(row["duty.margin"], rel=1e-3)
    assert limit.verdict == "outside"


def test_the_largest_effect_is_named(result: RunResult) -> None:
    """Frequency parts by the reset time, most at the highest pitch, and is told in cents."""
    frequency = next(one for one in tell(result).partings if one.quantity == "frequency")
    assert frequency.effect == "reset time, -35.0 cents"
    assert frequency.largest == "-35.0 cents"
    assert "pitch 150 uA" in frequency.place


def test_a_remainder_larger_than_any_effect_is_said(result: RunResult) -> None:
    """Where the remainder is the largest step it is called so, the largest named effect behind it."""
    corner = next(one.corner for one in tell(result).partings if one.quantity == "duty")
    effects = result.effects.copy()
    mine = (effects["quantity"] == "duty") & (effects["corner"] == corner)
    effects.loc[mine & (effects["effect"] == REMAINDER), "amount"] = 0.5
    told = tell(dataclasses.replace(result, effects=effects))
    words = next(one.effect for one in told.partings if one.quantity == "duty")
    assert words.startswith(f"{REMAINDER}, +0.5000 (largest named effect: ramp follows the supply")


def test_explained_but_far_is_listed(result: RunResult) -> None:
    """Explained figures beyond three tolerances are counted and the worst is named."""
    off = (result.corners["frequency.difference"] / result.corners["frequency.tolerance"]).abs()
    number = int((off[result.corners["frequency.agreement"] == "explained"] > 3.0).sum())
    assert number > 0
    far = next(one.words for one in tell(result).far if one.quantity == "frequency")
    assert f"off in {number} corners" in far


def test_a_disagreeing_figure_is_not_listed_as_explained(result: RunResult) -> None:
    """The wrong rise time formula disagrees and is not among the explained ones."""
    told = tell(result)
    assert all(one.quantity != "rise_time" for one in told.far)
    assert told.partings[0].quantity == "rise_time"
    assert told.partings[0].disagrees == int((result.corners["rise_time.agreement"] == "disagrees").sum())


def test_what_was_not_shown_is_listed_with_reasons(result: RunResult) -> None:
    """Not simulated with its reason, too coarse, and limits without a figure."""
    told = "\n".join(tell(result).not_shown)
    assert "1 corner not simulated: c004 (the time limit of 60 s ran out)." in told
    assert "Frequency: too coarse in 1 corner" in told
    assert "Pull-up current, output low: a limit without a figure in 2 corners: c001, c004." in told


def test_quantities_that_agree_everywhere_are_told_in_one_line(result: RunResult) -> None:
    """They are not listed as parted, and how far apart they are at most is said."""
    lines = summary_lines(result)
    line = next(line for line in lines if line.startswith("Hand and simulated agree"))
    assert "Output, low level (+10 mV; no figure in 1 corner)" in line
    assert "Duty factor" not in line


def test_every_count_of_a_quantity_adds_up(result: RunResult) -> None:
    """The words of agreement together cover all corners."""
    for one in tell(result).partings:
        assert sum(number for _, number in one.numbers) == len(result.corners)


def test_an_expected_figure_stands_beside_its_corner(result: RunResult) -> None:
    """The literal figure, the simulated one with its bar, and the verdict."""
    (expected,) = tell(result).expected
    assert expected.expected == "0.5"
    assert expected.simulated.startswith("0.502")
    assert expected.verdict == "agrees"


def test_an_expected_figure_without_its_corner_is_told(result: RunResult) -> None:
    """A run over a part of the corners does not lose the figure in silence."""
    lost = result.expected.assign(corner="", simulated=np.nan, bar=np.nan, agreement="no figure")
    (expected,) = tell(dataclasses.replace(result, expected=lost)).expected
    assert expected.place == "not in this run"
    assert expected.simulated == "no figure"
    assert expected.words == "Duty factor, expected 0.5 at a corner that is not in this run: no figure"


def test_terminal_lines_are_plain_ascii_and_tell_the_same(result: RunResult) -> None:
    """Nothing but ASCII, and the page's statement word for word."""
    lines = summary_lines(result)
    assert all(line.isascii() for line in lines)
    assert statement(result).words in lines
    assert lines[-1] == statement(result).exit_words


def test_no_text_of_a_file_commands_the_terminal(result: RunResult) -> None:
    """Escape sequences in titles and in what is wrong with a file are spelled out."""
    board = dataclasses.replace(result.board, title="\x1b[2Jall\x07 well\r\x9b0m")
    (title, *_) = summary_lines(dataclasses.replace(result, board=board))
    assert title.startswith(r"\x1b[2Jall\x07 well\x0d\x9b0m")
    found = str(Finding(Path("a\x1b[1m.board.toml"), 'no axis "\x1bc"', "axes.\x7f"))
    assert found == r'a\x1b[1m.board.toml: axes.\x7f: no axis "\x1bc"'


@pytest.mark.parametrize("clean", [True, False])
def test_nothing_is_called_safe(tmp_path: Path, clean: bool) -> None:
    """A simulation shows; it does not promise."""
    assert "safe" not in "\n".join(lines_of(tell(make_result(tmp_path, clean=clean)))).lower()


def test_an_empty_effect_table_is_no_obstacle(result: RunResult) -> None:
    """Without effects the story names none."""
    empty = pd.DataFrame(columns=["corner", "quantity", "effect", "amount", "origin"])
    assert all(one.effect == "" for one in tell(dataclasses.replace(result, effects=empty)).partings)


def test_bars_that_were_not_reached_and_ranges_not_checked_are_said(result: RunResult) -> None:
    """What the run's record leaves open stands on the first screen."""
    with_figures = int((result.corners["state"] != "not simulated").sum())
    settings = {**result.run["settings"], "bar_asked_for_reached": with_figures - 2}
    assumed = ["common-mode range not checked: no class is named"]
    record = {**result.run, "settings": settings, "assumed": assumed}
    said = " ".join(tell(dataclasses.replace(result, run=record)).not_shown)
    assert "was not reached in 2 corners" in said
    assert "Common-mode range not checked" in said


def chattering(clean: RunResult) -> RunResult:
    """The clean run with a duty far off in its first corner that must not be judged."""
    word = {"duty__agreement": "no figure", "duty__limit": "no figure", "state": "chatter"}
    return reduced(clean, duty__simulated=0.9, duty__difference=0.78, duty__margin=np.nan, **word)


def test_figures_that_are_not_judged_count_nowhere(clean: RunResult) -> None:
    """Out of range and chatter: how far apart at most is asked of the corners that are compared."""
    changed, before = chattering(clean), next(one for one in tell(clean).partings if one.quantity == "duty")
    duty = next(one for one in tell(changed).partings if one.quantity == "duty")
    judged = changed.corners[changed.corners["duty.agreement"] != "no figure"]
    worst = judged.loc[judged["duty.difference"].abs().idxmax()]
    assert duty.corner == worst["corner"] != "c001"
    assert float(duty.largest) == pytest.approx(worst["duty.difference"], abs=1e-4)
    assert duty.no_figure == before.no_figure + 1


def test_a_part_of_the_corners_does_not_look_like_all(clean: RunResult) -> None:
    """The statement, the list of what was not shown and the exit words all say what was left out."""
    told = tell(dataclasses.replace(clean, run={**clean.run, "left_out": 8}))
    number = len(clean.corners)
    assert told.statement.words == (
        f"No limit falls short in {number} corners; 8 corners of the board were left out."
    )
    assert any(
        sentence.startswith("8 corners of the board were not asked for") for sentence in told.not_shown
    )
    assert told.statement.exit_words.endswith("in the corners that were asked for.")
    assert ("left out" in dict(told.facts)["Corners"]) is True
    assert "left out" not in " ".join(lines_of(tell(clean)))


def test_no_limit_falls_short_and_yet_something_differs(clean: RunResult) -> None:
    """The statement holds the reason itself, once, and is of another kind than a clean one."""
    told = tell(reduced(clean, frequency__agreement="disagrees"))
    assert told.statement.kind == "differs"
    assert told.statement.words == (
        f"No limit falls short in {len(clean.corners)} corners,"
        " but 1 figure disagrees with the hand calculation."
    )
    assert told.statement.further == ()
    assert "\n".join(lines_of(told)).count("disagrees with the hand calculation") == 1


def test_the_terminal_says_the_states(result: RunResult) -> None:
    """Every state that occurs, with its number of corners."""
    found = result.corners["state"].value_counts()
    assert (
        f"Output: pulsing in {found['pulsing']} corners, stuck low in 1, not simulated in 1."
        in summary_lines(result)
    )


@pytest.mark.parametrize("number", [1, 5, 7])
def test_the_terminal_lists_at_most_five_warnings(result: RunResult, number: int) -> None:
    """The rest is counted."""
    lines = summary_lines(dataclasses.replace(result, lint=result.lint * number))
    assert sum("node n7 has one connection only" in line for line in lines) == min(number, 5)
    assert ("  and 2 more in the report" in lines) == (number == 7)


def test_a_limit_without_any_figure_is_one_clause(clean: RunResult) -> None:
    """No figure is said once, not three times."""
    corners = clean.corners.assign(
        **{"duty.simulated": np.nan, "duty.margin": np.nan, "duty.limit": "no figure"}
    )
    (line,) = [
        line for line in summary_lines(dataclasses.replace(clean, corners=corners)) if "(least 0.1" in line
    ]
    assert line == f"  Duty factor (least 0.1, most 0.95): no figure in all {len(corners)} corners"


def test_a_limit_whose_bars_are_not_known_shows_a_figure(clean: RunResult) -> None:
    """Without a bar there is no margin, but there is a figure, and it is said that its bar is not known."""
    lost = {"duty.bar": np.inf, "duty.margin": np.nan, "duty.limit": "too close to call"}
    told = tell(dataclasses.replace(clean, corners=clean.corners.assign(**lost)))
    duty = next(one for one in told.limits if one.quantity == "duty")
    assert duty.figure.endswith(", bar not known")
    assert duty.margin == "not known"
    assert duty.corner


def test_a_figure_without_one_by_hand_is_told_from_no_figure(clean: RunResult) -> None:
    """A literal at one corner leaves simulated figures alone elsewhere; the words say which lacks."""
    corners = clean.corners.copy()
    corners.loc[1:, "high_level.hand"] = np.nan
    corners.loc[1:, "high_level.agreement"] = "no figure"
    lines = summary_lines(dataclasses.replace(clean, corners=corners))
    line = next(line for line in lines if line.startswith("Hand and simulated agree"))
    assert f"no hand figure in {len(corners) - 1} corners" in line


def drawn_otherwise(result: RunResult, amount: float) -> RunResult:
    """The run with so much of the rise time's gap put down to the drawing, everywhere."""
    effects = result.effects.copy()
    rest = (effects["quantity"] == "rise_time") & (effects["effect"] == FORMULA)
    effects.loc[rest, "amount"] -= amount
    slips = effects[rest].assign(effect=SLIP, amount=amount, origin="netlist against board file")
    return dataclasses.replace(result, effects=pd.concat([effects, slips], ignore_index=True))


@pytest.mark.parametrize(
    ("amount", "said"),
    [
        (3e-6, "the drawing differs (Rpull), which accounts for 76 % of the gap"),
        (5e-6, "the drawing differs (Rpull), which accounts for 127 % of the gap"),
        (-1e-6, "the drawing differs (Rpull), which works against the gap"),
        (1e-8, ""),
    ],
)
def test_a_quantity_says_what_the_drawing_has_to_do_with_it(
    result: RunResult, amount: float, said: str
) -> None:
    """Hand and simulated rise time are (ln 9 - 1) * 3.3 us = 3.95 us apart; the formula uses Rpull alone of
    the parts drawn otherwise."""
    told = tell(drawn_otherwise(result, amount))
    assert next(one.drawing for one in told.partings if one.quantity == "rise_time") == said
    assert [line for line in lines_of(told) if said and said in line] != [] or not said
    assert next(one.drawing for one in told.partings if one.quantity == "frequency") == ""
