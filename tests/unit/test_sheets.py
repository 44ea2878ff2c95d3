# SPDX-License-Identifier: GPL-3.0-or-later
"""Sheets of devices: every one is whole, names its sources, and fits the model it speaks of."""

from __future__ import annotations

import math
import re

import pytest

from harness import sheets
from harness.sheets import KINDS, models, read_sheet


def test_every_model_has_a_sheet() -> None:
    parts = {path.stem for path in (sheets.netlists_folder() / "parts").iterdir()}
    assert parts == set(models())


@pytest.mark.parametrize("model", models())
def test_sheet_is_whole(model: str) -> None:
    sheet = read_sheet(model)
    assert sheet.model == model
    assert sheet.figures
    for figure in sheet.figures.values():
        assert figure.kind in KINDS
        assert figure.source
        assert figure.place
        numbers = [n for n in (figure.least, figure.typical, figure.most) if not math.isnan(n)]
        assert numbers == sorted(numbers), figure.name


@pytest.mark.parametrize("model", models())
def test_sheet_names_the_pins_in_the_order_of_the_model(model: str) -> None:
    sheet = read_sheet(model)
    text = "\n".join(sheet.model_lines())
    if sheet.kind == "subcircuit":
        heading = re.search(rf"^\.subckt {model} (.*)$", text, re.MULTILINE)
        assert heading is not None
        assert tuple(heading[1].split()) == sheet.pins
    else:
        assert re.search(rf"^\.model {model} {sheet.kind}\(", text, re.MULTILINE)


def test_limits_are_limits_and_typical_figures_are_not() -> None:
    sheet = read_sheet("comparator_393")
    level = sheet.figures["low_level"]
    assert level.allows(0.39)
    assert not level.allows(0.41)
    assert level.allows(0.01)
    assert not level.allows(math.nan)
    assert not sheet.figures["sink_current"].allows(5.9e-3)


def test_unknown_model_has_no_sheet() -> None:
    with pytest.raises(FileNotFoundError):
        read_sheet("no_such_model")


def test_malformed_rows_are_refused(monkeypatch: pytest.MonkeyPatch, tmp_path) -> None:  # type: ignore[no-untyped-def]
    folder = tmp_path / "devices"
    folder.mkdir()
    monkeypatch.setattr(sheets, "shared_folder", lambda: tmp_path)
    head = '[device]\nmodel="x"\ntitle="x"\nfile="x"\nkind="pnp"\npins=["a"]\n'
    head += '[sources.s]\ntitle="s"\nkind="published"\n'
    row = '[[figure]]\nname="gain"\nwords="w"\ncondition=""\nplace="p"\n'
    for text, words in (
        (head + row + 'source="t"\n', "no source is called t"),
        (head + row + 'source="s"\nmost="1 V"\nleast="1 A"\n', "units differ"),
        (head + row + 'source="s"\nmaximum="1 V"\n', "unknown key maximum"),
        (head + row + 'source="s"\nbench="gain"\n', "has a bench and no number"),
        (
            head + row + 'source="s"\nbench="gain"\ntypical="1 V"\njudged="limits"\n',
            "has a bench and no number",
        ),
        (head + (row + 'source="s"\n') * 2, "two figures are called gain"),
        (head.replace("published", "hearsay") + row + 'source="s"\n', "kind hearsay"),
    ):
        (folder / "x.toml").write_text(text)
        with pytest.raises(ValueError, match=words):
            read_sheet("x")
