# SPDX-License-Identifier: GPL-3.0-or-later
"""The page as a file: self-contained, stable to the byte, complete, readable without colour."""

from __future__ import annotations

import dataclasses
import re
import sys
import time
from html.parser import HTMLParser
from pathlib import Path

import matplotlib
import pandas as pd
import pytest

from harness.intent.objects import Limit
from harness.report import details, page
from harness.report.complete import completed
from harness.report.page import SHAPES, render, write_report
from harness.report.tables import AGREEMENT_WORDS, LIMIT_WORDS
from harness.results import RunResult

sys.path.insert(0, str(Path(__file__).parent))  # the made-up run lies beside the tests
from report_fixture import make_result

VOID = {"meta", "input", "br"}
CLOSED_BY_NEXT = {"td"}


class Reader(HTMLParser):
    """Ids, links, references to anything outside, and whether elements nest."""

    def __init__(self) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.outside: list[str] = []
        self.open: list[str] = []
        self.faults: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if self.open and self.open[-1] == tag and tag in CLOSED_BY_NEXT:
            self.open.pop()
        if tag not in VOID:
            self.open.append(tag)
        for name, value in attrs:
            if name == "id":
                self.ids.append(value or "")
            if name in ("href", "src", "action", "data", "poster", "srcset"):
                (self.links if (value or "").startswith("#") else self.outside).append(value or "")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        while self.open and self.open[-1] != tag and self.open[-1] in CLOSED_BY_NEXT:
            self.open.pop()
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"</{tag}> at line {self.getpos()[0]}")

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("style", "script"):
            self.text.append(data)


def read(content: bytes) -> Reader:
    reader = Reader()
    reader.feed(content.decode("ascii"))
    reader.close()
    return reader


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    """A run with one of everything."""
    return make_result(tmp_path_factory.mktemp("board"))


@pytest.fixture(scope="module")
def content(result: RunResult) -> bytes:
    """Its page."""
    return render(result)


def test_the_page_is_one_ascii_file_without_anything_from_outside(content: bytes) -> None:
    """No address, no link but to places in the page, no import, no font, no picture file."""
    text = content.decode("ascii")
    assert read(content).outside == []
    assert "http" not in text
    assert "@import" not in text
    assert re.findall(r"url\((?!#)", text) == []
    assert "//cdn" not in text


def test_every_link_has_its_place_and_no_id_comes_twice(content: bytes) -> None:
    """Links, clip paths and markers all lead somewhere."""
    reader = read(content)
    assert len(reader.ids) == len(set(reader.ids))
    assert {link[1:] for link in reader.links} <= set(reader.ids)
    assert set(re.findall(r"url\(#([^)]*)\)", content.decode("ascii"))) <= set(reader.ids)
    labelled = re.findall(r'aria-labelledby="([^"]*)"', content.decode("ascii"))
    assert set(labelled) <= set(reader.ids)


def test_elements_nest(content: bytes) -> None:
    """Every element that opens is closed in order."""
    reader = read(content)
    assert reader.faults == []
    assert reader.open == []


def test_the_same_run_gives_the_same_bytes(result: RunResult, content: bytes) -> None:
    """Neither other drawings nor the user's own matplotlib settings nor times of the run change a byte."""
    with matplotlib.rc_context({"lines.linewidth": 7.0, "svg.hashsalt": "other", "font.size": 20.0}):
        slower = dataclasses.replace(
            result, run={**result.run, "wall_seconds": 99.0, "workers": 1, "reused": 57}
        )
        assert render(slower) == content


def test_what_users_write_is_escaped(content: bytes) -> None:
    """A title with markup stays text."""
    text = content.decode("ascii")
    assert "<h1>Sandpiper &lt;test&gt; &amp; bench board</h1>" in text
    assert "<test>" not in text


def test_hostile_text_stays_text(result: RunResult) -> None:
    """Reasons, effects, formulas and notes cannot open an element, in tables or in drawings."""
    evil = '"><script>alert(1)</script><i x="'
    effects = result.effects.assign(effect=evil, origin=evil)
    corners = result.corners.copy()
    corners.loc[3, "reason"] = evil
    told = dataclasses.replace(
        result,
        effects=effects,
        corners=corners,
        formulas={"duty": (evil, evil)},
        parts_text=((evil, evil, evil),),
        telling=dict.fromkeys(result.telling, evil),
        run={**result.run, "settings": {evil: evil}},
    )
    made = render(told)
    assert b"<script>alert" not in made
    assert read(made).faults == []


def test_the_first_screen_comes_in_order(content: bytes) -> None:
    """Slips first, then the statement, then limits, partings, what was not shown, before any drawing."""
    text = content.decode("ascii")
    order = [
        'id="slips"',
        'id="statement"',
        'id="limits"',
        'id="partings"',
        'id="open"',
        'id="expected"',
        "<svg",
    ]
    places = [text.index(mark) for mark in order]
    assert places == sorted(places)
    assert "Rpull: 3.3 kOhm intended, 4.7 kOhm drawn" in text


def test_the_page_says_what_the_simulation_does_not_cover(content: bytes) -> None:
    """Layout, noise, ageing; current limit, reversed supply, hearing, mains."""
    text = " ".join(read(content).text).lower()
    for word in (
        "layout",
        "noise",
        "ageing",
        "current limit",
        "reversed supply",
        "headphones",
        "mains",
        "licensed",
    ):
        assert word in text
    assert "safe" not in re.findall(r"\w+", text)


def test_every_verdict_has_a_shape() -> None:
    """No verdict is told by colour alone, and opposite verdicts do not share a shape."""
    assert set(LIMIT_WORDS) | set(AGREEMENT_WORDS) <= set(SHAPES)
    assert SHAPES["within"] != SHAPES["outside"] != SHAPES["too close to call"]
    assert SHAPES["agrees"] != SHAPES["disagrees"] != SHAPES["explained"]


def test_light_dark_and_print_are_provided(content: bytes) -> None:
    """One page for both schemes and for paper, drawings included."""
    text = content.decode("ascii")
    assert "prefers-color-scheme: dark" in text
    assert "@media print" in text
    drawings = "".join(re.findall(r"<svg.*?</svg>", text, re.DOTALL))
    assert re.findall(r"#[0-9a-f]{6}\b", drawings) == []
    assert "var(--ink)" in drawings


def test_every_drawing_has_words_for_those_who_cannot_see_it(content: bytes) -> None:
    """As many labelled pictures as drawings."""
    text = content.decode("ascii")
    assert len(re.findall(r'role="img" aria-label="[^"]{20,}"', text)) == text.count("<svg") > 8


def test_every_corner_stands_in_the_table(result: RunResult, content: bytes) -> None:
    """All corners where there are few."""
    text = content.decode("ascii")
    for corner in result.corners["corner"]:
        assert f'<tr><th scope="row">{corner}</th>' in text


def test_no_time_and_no_date_in_the_page(content: bytes) -> None:
    """What the clock decides stays in run.json."""
    text = " ".join(read(content).text)
    assert "engine seconds" not in text
    assert not re.search(r"\b20\d\d-\d\d-\d\d\b", text)


def test_a_page_without_optional_things(result: RunResult) -> None:
    """No effects, waveforms, harmonics, formulas, origins or findings: the page still stands and says so."""
    bare = dataclasses.replace(
        result,
        effects=pd.DataFrame(columns=result.effects.columns),
        harmonics=pd.DataFrame(columns=result.harmonics.columns),
        expected=pd.DataFrame(columns=result.expected.columns),
        check=pd.DataFrame(columns=result.check.columns),
        waveforms={},
        telling={},
        formulas={},
        parts_text=(),
        lint=(),
        notes=(),
        run={},
    )
    reader = read(render(bare))
    assert reader.faults == []
    text = " ".join(reader.text)
    assert "The board file has no hand formulas." in text
    assert "The refined form used no figure of a real part." in text


def test_a_page_without_intent_limits_or_hand(tmp_path: Path) -> None:
    """A bare board says on its first screen that a wrong part value cannot be noticed."""
    made = render(make_result(tmp_path, with_intent=False, with_limits=False))
    text = " ".join(read(made).text)
    assert "a wrong part value cannot be noticed" in text
    assert "simulated figures stand alone" in text


def test_nothing_simulated_still_makes_a_page(result: RunResult) -> None:
    """All corners without figures: not shown, no crash."""
    corners = result.corners.copy()
    for name in corners.columns:
        if name.endswith((".simulated", ".bar", ".difference", ".margin")):
            corners[name] = float("nan")
        if name.endswith(".agreement"):
            corners[name] = "no figure"
    for name in result.board.limits:
        corners[f"{name}.limit"] = "no figure"
    corners["state"], corners["reason"] = "not simulated", "the engine stopped"
    empty = dataclasses.replace(
        result,
        corners=corners,
        effects=result.effects.iloc[:0],
        harmonics=result.harmonics.iloc[:0],
        waveforms={},
    )
    text = " ".join(read(render(empty)).text)
    assert "Not shown:" in text
    assert f"{len(corners)} corners not simulated" in text
    assert "No corner has figures of both that can be compared: Duty factor" in text


EMPTY = (
    "duty.refined", "duty.tolerance", "high_level.hand", "low_level.simulated", "low_level.bar",
    "frequency.bar", "headroom.margin", "pullup_current.hand", "rise_time.difference", "ac_rms.limit",
    "headroom.agreement",
)  # fmt: skip
"""Columns that a run may have no figure or verdict for."""


def test_columns_without_figures_do_not_matter_however_they_are_written(tmp_path: Path) -> None:
    """Missing, NaN, None in a column of objects, infinite: the same tables, and a page.

    The run is one of some corners only, and the title, which is what a tab shows, says so.
    """
    result = make_result(tmp_path, controls=2)
    result = dataclasses.replace(result, run={**result.run, "left_out": 8})
    corners = result.corners.drop(columns=[name for name in EMPTY if name in result.corners])
    words = {"headroom.agreement": "no figure", "ac_rms.limit": "no limit"}
    as_nan = corners.assign(**{name: words.get(name, float("nan")) for name in EMPTY})
    nothing = pd.Series([None] * len(corners), index=corners.index, dtype=object)
    as_none = corners.assign(**dict.fromkeys(EMPTY, nothing))
    as_infinite = as_nan.assign(**{"frequency.bar": float("inf"), "low_level.simulated": float("inf")})
    as_objects = result.effects.assign(amount=result.effects["amount"].astype(object))
    told = completed(dataclasses.replace(result, corners=as_nan))
    for table in (corners, as_none.astype(object), as_infinite):
        other = completed(dataclasses.replace(result, corners=table, effects=as_objects))
        pd.testing.assert_frame_equal(other.corners, told.corners, check_like=True)
        pd.testing.assert_frame_equal(other.effects, told.effects)
    wanted = render(dataclasses.replace(result, corners=as_none.astype(object), effects=as_objects))
    assert b"bar not known" in wanted
    assert b", part of the corners</title>" in wanted
    assert "inf" not in re.findall(r"\w+", " ".join(read(wanted).text))


def test_what_looked_odd_in_the_netlist_stands_beside_the_parts(content: bytes) -> None:
    """Under its own heading, and the first screen leads there."""
    text = content.decode("ascii")
    odd, finding = text.index('id="odd"'), text.index("node n7 has one connection only")
    assert text.index('id="parts"') < odd < finding < text.index('id="settings"')
    assert text.index('href="#odd"') < text.index('id="limits"')


def test_an_earlier_page_survives_a_failure(
    result: RunResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A page that cannot be made leaves the old file as it was."""
    target = tmp_path / "report.html"
    target.write_bytes(b"earlier")

    def fail(_: RunResult) -> bytes:
        raise RuntimeError("no drawing")

    monkeypatch.setattr(page, "render", fail)
    with pytest.raises(RuntimeError, match="no drawing"):
        write_report(result, target)
    assert target.read_bytes() == b"earlier"
    assert [entry.name for entry in tmp_path.iterdir()] == ["report.html"]


def test_the_corner_table_keeps_the_worst_where_there_are_many(tmp_path: Path) -> None:
    """More than 500 corners: those that fall short are kept before any other, in the table's order."""
    result = make_result(tmp_path, controls=120)
    table = details.corner_table(result)
    assert len(table.rows) == 500 < table.total == len(result.corners)
    names = [row.corner for row in table.rows]
    assert names == sorted(names)
    outside = result.corners.loc[result.corners["duty.limit"] == "outside", "corner"]
    assert 0 < len(outside) < 500
    assert set(outside) <= set(names)


@pytest.mark.slow
def test_ten_thousand_corners_stay_small_and_quick(tmp_path: Path) -> None:
    """At most 15 MB, and made in well under a minute."""
    result = make_result(tmp_path, controls=1112)
    assert len(result.corners) >= 10_000
    begun = time.perf_counter()
    made = render(result)
    assert time.perf_counter() - begun < 30.0
    assert len(made) < 15e6


def test_a_prediction_that_nobody_asked_for_has_no_row(result: RunResult) -> None:
    """Only predicted: no row; with a limit or one simulated figure it has one."""
    predicted = result.corners.assign(**{"output_resistance.refined": 3300.0})
    bare = dataclasses.replace(result, corners=predicted)
    row = predicted.iloc[0]
    title = "Output resistance"
    assert title not in {one.title for one in details.full_corner(bare, row)}
    assert "output_resistance" not in details.table_quantities(bare)
    measured = dataclasses.replace(
        result, corners=predicted.assign(**{"output_resistance.simulated": 3310.0})
    )
    assert title in {one.title for one in details.full_corner(measured, measured.corners.iloc[0])}
    limits = {**result.board.limits, "output_resistance": Limit(None, 4000.0)}
    asked = dataclasses.replace(bare, board=dataclasses.replace(result.board, limits=limits))
    assert title in {one.title for one in details.full_corner(asked, row)}


def test_backticks_become_code_and_stay_escaped() -> None:
    assert page.coded("run `fit <x>` & see") == "run <code>fit &lt;x&gt;</code> &amp; see"
    assert page.coded("a lone ` stays") == "a lone ` stays"


def test_the_table_of_corners_scrolls_only_where_it_says_so(result: RunResult, content: bytes) -> None:
    """Few corners stand at full height; many in a box, and the sentence above says that it scrolls."""
    text = content.decode("ascii")
    assert len(result.corners) <= page.MOST_UNSCROLLED
    assert 'class="wide tall"' not in text
    assert "Scroll inside the table" not in text
    twice = pd.concat([result.corners, result.corners.assign(corner=result.corners["corner"] + "b")])
    many = render(dataclasses.replace(result, corners=twice.reset_index(drop=True))).decode("ascii")
    assert 'class="wide tall"' in many
    assert "Scroll inside the table" in many
