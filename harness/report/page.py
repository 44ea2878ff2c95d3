# SPDX-License-Identifier: GPL-3.0-or-later
"""The page: one file that opens anywhere without a network, made from a run's tables.

Plain ASCII with character references, no date and nothing that the clock decides: the same run gives the same
bytes.
"""

from __future__ import annotations

import os
from pathlib import Path

import pandas as pd
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

from harness import quantities
from harness.report import details, pictures, rounding, tables
from harness.report.canvas import Picture
from harness.report.complete import completed
from harness.report.story import tell
from harness.results import RunResult

MOST_UNSCROLLED = 60
"""Corners that the page shows at their full height; more stand in a box of their own to scroll."""

TEMPLATES = Path(__file__).resolve().parent / "templates"

SHAPES = {
    "within": "\N{BLACK CIRCLE}",
    "agrees": "\N{BLACK CIRCLE}",
    "same": "\N{BLACK CIRCLE}",
    "outside": "\N{MULTIPLICATION SIGN}",
    "falls short": "\N{MULTIPLICATION SIGN}",
    "disagrees": "\N{MULTIPLICATION SIGN}",
    "differs": "\N{NOT EQUAL TO}",
    "not drawn": "\N{MULTIPLICATION SIGN}",
    "explained": "\N{BLACK DIAMOND}",
    "conceded": "\N{WHITE SQUARE}",
    "beyond": "\N{MULTIPLICATION SIGN}",
    "too close to call": "\N{WHITE DIAMOND}",
    "too coarse": "\N{WHITE DIAMOND}",
    "no figure": "\N{WHITE CIRCLE}",
    "not shown": "\N{WHITE CIRCLE}",
    "not intended": "\N{WHITE CIRCLE}",
    "no hand figure": "\N{EN DASH}",
    "no limit": "\N{EN DASH}",
    "not needed": "\N{EN DASH}",
    "not judged": "\N{EN DASH}",
}
"""The shape that goes with each verdict, so that no verdict is told by colour."""

SECTIONS = (
    ("glance", "At a glance"),
    ("duty", "Pulse width"),
    ("axes", "Against the axes"),
    ("waves", "Waveforms of telling corners"),
    ("effects", "From hand to simulated, effect by effect"),
    ("spectrum", "Harmonics"),
)
AFTER = (
    ("corners", "Corners"),
    ("full", "One corner in full"),
    ("formulas", "Formulas"),
    ("origins", "Origins"),
    ("parts", "Parts"),
    ("settings", "Settings"),
    ("taken", "How figures are taken"),
    ("beyond", "Not covered"),
    ("cautions", "Cautions"),
    ("glossary", "Words"),
)


def write_report(result: RunResult, path: Path) -> None:
    """Writes the page of ``result`` to ``path``; an earlier page stays whole until the new one is
    complete."""
    page = render(result)
    partial = path.with_name(f".{path.name}.part")
    partial.write_bytes(page)
    os.replace(partial, path)


def render(result: RunResult) -> bytes:
    """The page as ASCII bytes."""
    result = completed(result)
    constants = pictures.constants(result)
    drawings = _drawings(result, bool(constants))
    nominal = tables.nominal_row(result.board, result.corners)
    table = details.corner_table(result)
    full = details.full_corner(result, nominal) if nominal is not None else ()
    shown = {anchor for anchor, _, _ in drawings}
    contents = [(anchor, words) for anchor, words in SECTIONS if anchor in shown]
    contents += [(anchor, words) for anchor, words in AFTER if anchor != "full" or full]
    text = (
        environment()
        .get_template("report.html.j2")
        .render(
            css=Markup(asset("style.css") + switches(len(table.quantities))),
            script=Markup(asset("table.js")),
            shapes=SHAPES,
            story=tell(result),
            contents=contents,
            drawings=drawings,
            leads={
                "duty": pictures.MARKS,
                "axes": pictures.axes_lead(result),
                "waves": "One settled cycle and a little more, from where the ramp begins its sweep.",
                "effects": pictures.CHAIN_MARKS,
            },
            constants=constants,
            effects=details.effect_rows(result),
            table=table,
            tall=len(table.rows) > MOST_UNSCROLLED,
            full=full,
            full_name=str(nominal["corner"]) if nominal is not None else "",
            full_place=tables.place(result.board, nominal) if nominal is not None else "",
            formulas=_formulas(result, nominal),
            origins=result.parts_text,
            parts=details.part_rows(result.check),
            settings=details.settings_rows(result),
            notes=[str(finding) for finding in result.notes],
        )
    )
    return text.encode("ascii", "xmlcharrefreplace")


def environment() -> Environment:
    """Where templates come from, and what they may ask for."""
    made = Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined, trim_blocks=False
    )
    made.filters["drawn"] = Markup
    made.filters["coded"] = coded
    return made


def asset(name: str) -> str:
    """A style or script file; it is put in as it stands, so it must be ASCII."""
    return (TEMPLATES / name).read_text(encoding="ascii")


def switches(number: int) -> str:
    """One rule a quantity: its cells show when the table is switched to it."""
    return "".join(f'#table[data-pick="{index}"] .q{index}{{display:table-cell}}' for index in range(number))


def coded(text: str) -> Markup:
    """Escaped text; what stands between backticks, as on a terminal, as code."""
    pieces = str(text).split("`")
    if len(pieces) % 2 == 0:
        return Markup(escape(text))
    return Markup("").join(
        Markup("<code>{}</code>").format(piece) if place % 2 else escape(piece)
        for place, piece in enumerate(pieces)
    )


def _drawings(result: RunResult, constants: bool) -> list[tuple[str, str, list[Picture]]]:
    made = {
        "glance": pictures.overview(result) + pictures.limit_maps(result),
        "duty": pictures.duty_picture(result),
        "axes": pictures.axes_pictures(result),
        "waves": pictures.waveform_pictures(result),
        "effects": pictures.chain_pictures(result),
        "spectrum": pictures.harmonics_picture(result),
    }
    shown = [anchor for anchor in made if made[anchor] or (anchor == "axes" and constants)]
    return [(anchor, title, made[anchor]) for anchor, title in SECTIONS if anchor in shown]


def _formulas(result: RunResult, nominal: pd.Series | None) -> list[tuple[str, str, str, str]]:
    rows = []
    for name, (text, numbers) in result.formulas.items():
        value = ""
        if nominal is not None and quantities.is_stem(name):
            hand = float(nominal.get(f"{name}.hand", float("nan")))
            value = rounding.figure(hand, quantities.stem(name).unit) if hand == hand else ""
        rows.append((name, text, numbers, value))
    return rows
