# SPDX-License-Identifier: GPL-3.0-or-later
"""Concessions: what a board file may concede, what of a run its bound covers, and what still counts."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from harness.board import Board, BoardError, Concession, Tolerance, load_board
from harness.conceded import concession_words, outcomes, part_word, reach_and_bound, with_concessions
from harness.intent.objects import Intended
from harness.report.story import tell
from harness.report.terminal import lines_of
from harness.results import RunResult
from harness.revision.facts import conceded_share, facts_of
from harness.shortfalls import shortfalls_of

sys.path.insert(0, str(Path(__file__).parent))  # the made-up run lies beside the tests
from report_fixture import board_file, make_result

WHY = 'reason = "the formula leaves out the foot of the ramp"'


def loaded(folder: Path, concession: str) -> Board:
    path = board_file(folder)
    path.write_text(f"{path.read_text()}\n[concession]\n{concession}\n")
    return load_board(path)


def test_what_is_conceded_is_read(tmp_path: Path) -> None:
    """A bound is written like a tolerance, in cents for the frequency; axes that are not named are free."""
    text = f"""
        duty = {{ most = 0.03, {WHY}, at = {{ supply = "13.5 V" }} }}
        frequency = {{ most = "50 cents", {WHY} }}
        rpull = {{ most = "10 %", reason = "3.6k was in stock" }}
    """
    board = loaded(tmp_path, text)
    assert board.concessions == (
        Concession("quantity", "duty", Tolerance(0.03, "absolute"), WHY.split('"')[1], {"supply": 13.5}),
        Concession("quantity", "frequency", Tolerance(50.0, "cents"), WHY.split('"')[1]),
        Concession("part", "Rpull", Tolerance(0.1, "figure"), "3.6k was in stock"),
    )
    told = {key: words for key, words in facts_of(board).items() if key.startswith("concession")}
    reason = WHY.split('"')[1]
    assert told == {
        "concession.duty at supply 13.5": f"up to 0.03, {reason}",
        "concession.frequency": f"up to 50 cents, {reason}",
        "concession.Rpull": "up to 10 %, 3.6k was in stock",
    }
    assert [conceded_share(words) for words in told.values()] == [0.0, 0.0, 0.1]


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("duty = { most = 0.03 }", '"reason" is missing'),
        ('duty = { most = 0.03, reason = "fine" }', "too short for a reason"),
        ('duty = { most = 0.03, reason = " " }', "got an empty text"),
        (f"duty = {{ {WHY} }}", '"most" is missing; expected how far hand and simulated may be apart'),
        (f"duty = {{ most = -0.03, {WHY} }}", "a bound is above 0"),
        (f"duty = {{ most = 0.005, {WHY} }}", "no more than the tolerance of duty (0.01), within"),
        (f'frequency = {{ most = "4 cents", {WHY} }}', "than the tolerance of frequency (5 cents), within"),
        (f'duty = {{ most = "5 %", {WHY} }}', 'in two ways; write 0.05, or "5 % of figure"'),
        (f"duty = {{ most = 0.03, {WHY}, because = 3 }}", "no such key here (valid: at, most, reason)"),
        (f"frequency = {{ most = 40, {WHY} }}", 'expected a text with its unit, "5 cents"'),
        (f'low_level = {{ most = "3 A", {WHY} }}', "expected a figure in V"),
        (f"dutty = {{ most = 0.03, {WHY} }}", 'nor a part of [intended] (did you mean "duty"?)'),
        (f'Rpul = {{ most = "3 %", {WHY} }}', 'part of [intended] (did you mean "Rpull"?)'),
        (f'Rpull = {{ most = 10, {WHY} }}', 'is 1000%; expected a share below 100 %, such as "10 %"'),
        (f'Rpull = {{ most = "0 %", {WHY} }}', "a bound is above 0"),
        (f'Rpull = {{ most = "3 %", {WHY}, at = {{ supply = 15 }} }}', "with one value at every corner"),
        (f"duty = {{ most = 0.03, {WHY}, at = {{ suply = 15 }} }}", 'there is no axis "suply" (did you mean'),
        (f"duty = {{ most = 0.03, {WHY}, at = {{ supply = 14 }} }}", "no corner has supply at 14 V"),
        (
            f'duty = {{ most = 0.03, {WHY}, at = {{ pitch = "30 uA", temperature = 0 }} }}',
            "no corner at pitch 30 uA, temperature 0 degC",
        ),
        (f"duty = {{ most = 0.03, {WHY}, until = 3 }}", "there is no such key here"),
        (f"duty = {{ least = 0.05, most = 0.3, {WHY} }}", "a limit cannot be conceded"),
        (f"limits.duty = {{ most = 0.96, {WHY} }}", "a limit cannot be conceded"),
        (f"threshold = {{ most = 1, {WHY} }}", "there is no hand figure of threshold"),
        ("duty = 0.03", "expected { most = ..., reason"),
        ("duty = []", "the list is empty"),
        (
            f"duty = [{{ most = 0.03, {WHY} }}, {{ most = 0.05, {WHY}, at = {{ supply = 15 }} }}]",
            "has an earlier concession of duty already",
        ),
    ],
)  # fmt: skip
def test_what_cannot_be_conceded_is_said_with_its_line(tmp_path: Path, written: str, said: str) -> None:
    with pytest.raises(BoardError) as caught:
        loaded(tmp_path, written)
    (finding,) = (one for one in caught.value.findings if one.key.startswith("concession"))
    assert said in finding.message
    assert finding.path is not None and finding.line is not None
    assert finding.path.read_text().splitlines()[finding.line - 1] == written


def test_a_limit_without_a_hand_figure_is_not_conceded_either(tmp_path: Path) -> None:
    path = board_file(tmp_path)
    text = (
        path.read_text()
        + f'headroom = {{ least = "0 V" }}\n\n[concession]\nheadroom = {{ most = 1, {WHY} }}\n'
    )
    path.write_text(text)
    with pytest.raises(BoardError, match=r"no hand figure of headroom.* a limit cannot be conceded"):
        load_board(path)


def conceding(result: RunResult, *concessions: Concession) -> RunResult:
    """The run as it would be judged with these concessions in its board file."""
    board = dataclasses.replace(result.board, concessions=concessions)
    check = result.check.assign(
        concession=[
            part_word(board, row.part, Intended(3300.0, 0.01, "Ohm", "3.3k"), 4700.0)
            if row.verdict == "differs"
            else ""
            for row in result.check.itertuples()
        ]
    )
    return dataclasses.replace(
        result, board=board, corners=with_concessions(board, result.corners), check=check
    )


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    """A run whose rise time is off by a factor ln 9 and whose pull-up is drawn as 4.7k instead of 3.3k."""
    return make_result(tmp_path_factory.mktemp("board"))


def rise(most: float, **at: float) -> Concession:
    return Concession("quantity", "rise_time", Tolerance(most, "absolute"), "the edge is inaudible", at)


GAP = (np.log(9.0) - 1.0) * 3.3e-6  # s, between the formula of the made-up board and its simulation


def test_the_error_bar_counts_in(result: RunResult) -> None:
    """A bound that the bare difference just meets is exceeded by difference and bar."""
    bar = result.corners["rise_time.bar"].max()
    for most, word in ((GAP, "beyond"), (GAP + 2.0 * bar, "within")):
        words = conceding(result, rise(most)).corners["rise_time.concession"]
        off = result.corners["rise_time.agreement"] == "disagrees"
        assert set(words[off]) == {word}
        assert set(words[~off]) == {""}


def test_what_is_conceded_keeps_its_word_and_does_not_count(result: RunResult) -> None:
    kept = conceding(result, rise(1e-5))
    assert list(kept.corners["rise_time.agreement"]) == list(result.corners["rise_time.agreement"])
    before, after = ({reason.subject for reason in shortfalls_of(run)} for run in (result, kept))
    assert before - after == {"rise_time"}
    off = int((result.corners["rise_time.agreement"] == "disagrees").sum())
    told = tell(kept)
    assert f"{off} deviations are conceded" in told.statement.words
    assert "disagree with the hand calculation" not in " ".join(told.statement.reasons)
    parting = next(one for one in told.partings if one.quantity == "rise_time")
    assert (parting.verdict, parting.conceded) == ("disagrees", off)
    assert any("the edge is inaudible" in line for line in lines_of(told))


def test_beyond_its_bound_it_counts_in_full_and_says_by_how_much(result: RunResult) -> None:
    over = conceding(result, rise(3e-6))
    (one,) = tell(over).concessions
    assert one.outcome == "beyond"
    assert "apart 3.95 us, bar included, of 3.00 us, 950 ns beyond it" in one.words
    (reason,) = [reason for reason in shortfalls_of(over) if reason.subject == "rise_time"]
    off = int((result.corners["rise_time.agreement"] == "disagrees").sum())
    assert reason.number == off
    assert reason.words.endswith("all beyond what is conceded")


def test_it_speaks_of_its_corners_alone(result: RunResult) -> None:
    kept = conceding(result, rise(1e-5, supply=15.0))
    words = kept.corners["rise_time.concession"]
    assert set(kept.corners.loc[words == "within", "supply"]) == {15.0}
    (reason,) = [reason for reason in shortfalls_of(kept) if reason.subject == "rise_time"]
    rest = (result.corners["rise_time.agreement"] == "disagrees") & (result.corners["supply"] != 15.0)
    assert reason.number == int(rest.sum())


def test_cents_are_counted_from_the_hand_figure() -> None:
    """A semitone is 100 cents whichever way the figure is off."""
    table = pd.DataFrame({"frequency.hand": 440.0, "frequency.bar": 0.0, "corner": ["c001", "c002"]})
    table["frequency.simulated"] = 440.0 * 2.0 ** (np.array([1.0, -1.0]) / 12.0)
    semitone = Concession("quantity", "frequency", Tolerance(100.0, "cents"), "tuned by ear")
    reach, bound, unit = reach_and_bound(semitone, table)
    assert reach == pytest.approx([100.0, 100.0])
    assert (set(bound), unit) == ({100.0}, "cent")


def test_an_explained_figure_far_off_is_conceded_out_of_its_list(result: RunResult) -> None:
    far = next(one for one in tell(result).far if one.quantity == "frequency")
    assert "explained, yet more than 3 tolerances off" in far.words
    bound = Concession("quantity", "frequency", Tolerance(40.0, "cents"), "the knob is tuned by ear")
    kept = conceding(result, bound)
    assert all(one.quantity != "frequency" for one in tell(kept).far)
    near = (result.corners["frequency.difference"] / result.corners["frequency.tolerance"]).abs() <= 3.0
    assert set(kept.corners.loc[near, "frequency.concession"]) == {""}


def test_what_is_too_coarse_is_not_conceded(result: RunResult) -> None:
    coarse = result.corners["frequency.agreement"] == "too coarse"
    assert coarse.any()
    bound = Concession("quantity", "frequency", Tolerance(1200.0, "cents"), "the knob is tuned by ear")
    kept = conceding(result, bound)
    assert set(kept.corners.loc[coarse, "frequency.concession"]) == {""}
    assert [r.word for r in shortfalls_of(kept) if r.subject == "frequency"] == ["too coarse"]


def test_a_formula_without_a_figure_lies_within_no_bound(result: RunResult) -> None:
    corners = result.corners.assign(**{"rise_time.hand": np.nan})
    board = dataclasses.replace(result.board, concessions=(rise(1.0),))
    words = concession_words(board, "rise_time", corners)
    assert set(words) == {"", "beyond"}
    told = tell(conceding(dataclasses.replace(result, corners=corners), rise(1.0)))
    assert "where the hand calculation has no figure" in told.concessions[0].words


@pytest.mark.parametrize(("most", "outcome"), [(0.5, "within"), (0.1, "beyond")])
def test_a_part_is_conceded_by_its_share(result: RunResult, most: float, outcome: str) -> None:
    """4.7k instead of 3.3k are 42 % apart."""
    one = Concession("part", "Rpull", Tolerance(most, "figure"), "4.7k was in stock")
    kept = conceding(result, one)
    told = tell(kept)
    assert told.concessions[0].outcome == outcome
    assert "42.42 % apart" in told.concessions[0].words
    assert bool(told.slips) == (outcome == "beyond")
    assert any(reason.kind == "part" for reason in shortfalls_of(kept)) == (outcome == "beyond")


def test_a_concession_that_nothing_needs_is_said(tmp_path: Path) -> None:
    clean = make_result(tmp_path, clean=True)
    part = Concession("part", "Rpull", Tolerance(0.1, "figure"), "3.6k was in stock")
    kept = conceding(clean, rise(1e-5), part)
    found = outcomes(kept.board, kept.corners, kept.check, kept.expected)
    assert [one.outcome for one in found] == ["not needed", "not needed"]
    assert sum("not needed" in line for line in lines_of(tell(kept))) == 2
    assert tell(kept).statement.conceded == ""


def test_a_concession_of_corners_that_were_not_run_is_not_judged(result: RunResult) -> None:
    some = dataclasses.replace(result, corners=result.corners[result.corners["supply"] == 15.0])
    kept = conceding(some, rise(1e-5, supply=13.5))
    assert tell(kept).concessions[0].outcome == "not judged"


def test_the_record_of_a_part_is_a_share(result: RunResult) -> None:
    """0.2 of the value, not 0.2 %."""
    part = Concession("part", "Rpull", Tolerance(0.2, "figure"), WHY)
    board = dataclasses.replace(result.board, concessions=(part,))
    (one,) = outcomes(board, result.corners, result.check, result.expected)
    assert (one.record()["most"], one.record()["unit"]) == (0.2, "1")
