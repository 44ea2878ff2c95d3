# SPDX-License-Identifier: GPL-3.0-or-later
"""Which drawings a run calls for, each with its title, its caption and words for those who cannot see it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from harness import quantities
from harness.conceded import counts
from harness.report import charts, cycles, limits, rounding, series, sweeps, tables
from harness.report.canvas import Picture
from harness.report.series import PITCH, Series
from harness.results import RunResult, Waveforms

GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Output levels", ("high_level", "low_level")),
    ("Pull-up and sink current", ("pullup_current", "sink_current")),
    ("Room to the common-mode limits", ("headroom", "floor_room")),
    ("Pitch against hand", (PITCH,)),
    ("Ramp and threshold", ("ramp_high", "threshold", "ramp_low")),
    ("Edges", ("rise_time", "fall_time")),
    ("Level and offset", ("ac_rms", "mean_level", "level_vs_square")),
)
"""Drawings of quantities against every axis, in this order; what a run does not hold is left out."""

STILL = 0.25
"""An axis along which nothing moves by more than this share of a tolerance gets no panel."""

MOST_PANELS = 4
MOST_PLACES = 30
MOST_WAVEFORMS = 6
MOST_CHAINS = 4
MARKS = (
    "Dashed with squares: hand. Plain line: refined. Dots with bars: simulated, hollow where the output"
    " chatters or is out of range. A cross at the foot: no figure."
)
BELOW = (
    "Below: what is left after taking off the hand figure, with the tolerance dotted and the room beyond it"
    " hatched."
)
CHAIN_MARKS = (
    "Each step from hand to simulated, where they part most and where that is explained. Filled: effects"
    " with an origin. Hatched: a slip or a wrong formula. Crossed: the remainder, which is given no cause."
    " Grey: the tolerance around hand."
)


def overview(result: RunResult) -> list[Picture]:
    """All differences from hand at a glance."""
    spans = []
    for quantity in tables.compared(result.corners):
        simulated = _spread(result.corners, quantity, "simulated")
        if simulated is None:
            continue
        words = tables.agreements(result.corners, quantity).value_counts()
        counted = ", ".join(f"{words[word]} {word}" for word in tables.AGREEMENT_WORDS if word in words)
        if conceded := int((~counts(result.corners, quantity)).sum()):
            counted += f"; {conceded} conceded"
        refined = _spread(result.corners, quantity, "refined")
        spans.append(charts.Span(quantities.stem(quantity).title, simulated, refined, counted))
    if not spans:
        return []
    far = max(spans, key=lambda span: max(abs(span.simulated[0]), abs(span.simulated[2])))
    return [
        Picture(
            "Every difference from hand, counted in tolerances",
            "Each line runs from the least to the greatest difference over all corners that are compared,"
            " the mark stands at the middle one. Where the thin line lies in the grey band of nought, hand"
            " and refined agree; where thick and thin line lie together outside it, the effects of real parts"
            " account for the difference.",
            f"Spread of differences from hand for {rounding.count(len(spans), 'quantity', 'quantities')};"
            f" the widest is {far.title}.",
            charts.spans_chart(spans, "spans"),
        )
    ]


def _spread(corners: pd.DataFrame, quantity: str, witness: str) -> tuple[float, float, float] | None:
    share = tables.judged_off(corners, quantity, witness).dropna()
    return None if share.empty else (float(share.min()), float(share.median()), float(share.max()))


def axes_lead(result: RunResult) -> str:
    """How to read the drawings against the axes, and where the axes that do not move stand."""
    nominals = tables.nominals(result.board, result.corners)
    held = ", ".join(sweeps.panel_words(result.board, name, value) for name, value in nominals.items())
    return f"{MARKS} Each panel moves one axis, the others stay at {held}."


def limit_maps(result: RunResult) -> list[Picture]:
    """Where in the corners a limit is not met, for the limits that are not met everywhere (four at most)."""
    corners, board = result.corners, result.board
    axes = [name for name in board.axes if name in corners and corners[name].nunique() > 1]
    bad = [record for record in limits.limit_stories(result) if record.verdict != "within"][:MOST_PANELS]
    if len(axes) < 2 or not bad:
        return []
    first = max(axes, key=lambda name: (name == "control", corners[name].nunique()))
    second = max(
        (name for name in axes if name != first), key=lambda name: len(corners.drop_duplicates([first, name]))
    )
    corners = corners.assign(**{name: _gathered(corners[name]) for name in (first, second)})
    rest = (
        " A place with several corners shows the worst of them."
        if corners.duplicated([first, second]).any()
        else ""
    )
    return [
        Picture(
            "Where limits are not met",
            "Cross: outside the limit; diamond: too close to call; ring: no figure; small dot:"
            f" within.{rest}",
            f"Maps over {first} and {second} for {', '.join(record.title for record in bad)}; the table"
            " of corners"
            " holds the same verdicts as words.",
            charts.limit_map(
                board, corners, [(record.quantity, record.title) for record in bad], first, second, "map"
            ),
        )
    ]


def _gathered(values: pd.Series) -> pd.Series:
    """Values of an axis moved to the nearest of 30, where there are more than a map can show apart."""
    if values.nunique() <= MOST_PLACES or not pd.api.types.is_numeric_dtype(values):
        return values
    places = np.array(series.picked(sorted(values.unique()), MOST_PLACES), dtype=float)
    middles = 0.5 * (places[1:] + places[:-1])
    return pd.Series(places[np.searchsorted(middles, values.to_numpy(dtype=float))], index=values.index)


def duty_picture(result: RunResult, quantity: str = "duty") -> list[Picture]:
    """Duty (or another quantity) along the axis that moves it most, one panel a value of a second axis."""
    board, corners = result.board, result.corners
    if quantity not in tables.present(corners):
        return []
    first = (
        "control"
        if "control" in series.swept_axes(board, corners)
        else series.leading_axis(board, corners, quantity)
    )
    if first is None:
        return []
    second = series.second_axis(board, corners, first)
    nominals = tables.nominals(board, corners)
    panels = []
    if second is None:
        rows = series.along(board, corners, first, nominals)
        panels.append(
            ("every other axis nominal" if len(nominals) > 1 else "", series.series(rows, quantity, first))
        )
    else:
        values = sorted(corners[second].drop_duplicates().tolist(), key=_order)
        for value in series.picked(values, MOST_PANELS):
            rows = series.along(board, corners, first, {**nominals, second: value})
            if len(rows):
                panels.append(
                    (sweeps.panel_words(board, second, value), series.series(rows, quantity, first))
                )
    if all(one.empty for _, one in panels):
        return []
    title = quantities.stem(quantity).title
    held = ", ".join(
        sweeps.panel_words(board, name, value)
        for name, value in nominals.items()
        if name not in (first, second)
    )
    words = [BELOW] if sweeps.compared(panels) else []
    words += [f"Held: {held}."] if held else []
    return [
        Picture(
            f"{title} against {first}",
            " ".join([*words, *_limit_words(result, quantity)]),
            f"{title} by hand, refined and simulated along {first} in"
            f" {rounding.count(len(panels), 'panel')}.",
            sweeps.with_differences(board, quantity, panels, f"{quantity}-sweep"),
        )
    ]


def _order(value: object) -> tuple[int, object]:
    return (1, value) if isinstance(value, str) else (0, value)


def _limit_words(result: RunResult, quantity: str) -> list[str]:
    limit = result.board.limits.get(quantity)
    if limit is None:
        return []
    return [f"Limit: {tables.limit_words(limit, quantities.stem(quantity).unit)}."]


@dataclass(frozen=True)
class Constant:
    """A quantity that no axis moves, as text: its figures in the corner with every axis nominal."""

    title: str
    hand: str
    refined: str
    simulated: str
    limit: str


def constants(result: RunResult) -> tuple[Constant, ...]:
    """The quantities of the drawings that do not move along any axis, in the order of the drawings."""
    board, corners = result.board, result.corners
    axes = series.swept_axes(board, corners)
    nominal = tables.nominal_row(board, corners)
    if not axes or nominal is None:
        return ()
    present = tables.present(corners)
    found = []
    for _, names in _groups(present):
        known = [name for name in names if name in (PITCH, *present)]
        for quantity, drawn in sweeps.rows_against_axes(board, corners, known, axes):
            if stands_still(drawn):
                found.append(_constant(result, "frequency" if quantity == PITCH else quantity, nominal))
    return tuple(found)


def _constant(result: RunResult, quantity: str, nominal: pd.Series) -> Constant:
    stem, step = quantities.stem(quantity), tables.step(result.corners, quantity)
    hand, refined = (_known(nominal, f"{quantity}.{part}", stem.unit, step) for part in ("hand", "refined"))
    simulated, bar = tables.simulated_and_bar(nominal, quantity)
    limit = result.board.limits.get(quantity)
    return Constant(
        stem.title,
        hand,
        refined,
        rounding.figure_with_bar(simulated, bar, stem.unit) if np.isfinite(simulated) else "",
        "" if limit is None else tables.limit_words(limit, stem.unit),
    )


def _known(row: pd.Series, name: str, unit: str, step: float) -> str:
    value = float(row.get(name, np.nan))
    return rounding.figure(value, unit, step) if np.isfinite(value) else ""


def stands_still(drawn: list[Series]) -> bool:
    """Whether no witness moves along any axis by more than `STILL` of a tolerance, and the simulation has
    all of its figures or none: a gap is to be seen."""
    whole = all(len(np.unique(np.isfinite(one.simulated))) < 2 for one in drawn)
    return whole and not any(one.moves > STILL for one in drawn)


def _groups(present: list[str]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    supplies = tuple(name for name in present if name.startswith("supply_current_"))
    return (*GROUPS, ("Supply currents", supplies))


def axes_pictures(result: RunResult) -> list[Picture]:
    """The groups of quantities against every axis."""
    board, corners = result.board, result.corners
    axes = series.swept_axes(board, corners)
    if not axes:
        return []
    present = tables.present(corners)
    pictures = []
    for title, names in _groups(present):
        rows = sweeps.rows_against_axes(
            board, corners, [name for name in names if name in (PITCH, *present)], axes
        )
        rows = [(quantity, drawn) for quantity, drawn in rows if not stands_still(drawn)]
        if not rows:
            continue
        shown = [
            place for place in range(len(axes)) if any(drawn[place].moves > STILL for _, drawn in rows)
        ] or [0]
        still = [name for place, name in enumerate(axes) if place not in shown]
        rows = [(quantity, [drawn[place] for place in shown]) for quantity, drawn in rows]
        sentences = [
            f"Limit on {drawn[0].title[0].lower()}{drawn[0].title[1:]}:"
            f" {tables.limit_words(board.limits[quantity], drawn[0].unit)}."
            for quantity, drawn in rows
            if quantity in board.limits
        ]
        if still:
            sentences.append(f"Nothing here moves by a quarter of its tolerance along {_listed(still)}.")
        if len(rows) == 1 and len(names) > 1:  # a title of several would speak of what is not there
            title = rows[0][1][0].title
        alone = len(rows) == 1 and rows[0][1][0].title == title
        pictures.append(
            Picture(
                title,
                " ".join(sentences),
                f"{title} by hand, refined and simulated along {', '.join(axes)}.",
                sweeps.against_axes(board, rows, f"axes-{names[0]}", named=not alone),
            )
        )
    return pictures


def _listed(names: list[str]) -> str:
    return " or ".join([*([", ".join(names[:-1])] if names[1:] else []), names[-1]])


def waveform_pictures(result: RunResult) -> list[Picture]:
    """Ramp, threshold and pulse of the telling corners."""
    pictures = []
    by_corner = result.corners.set_index(result.corners["corner"].astype(str))
    for number, corner in enumerate(
        [name for name in result.telling if name in result.waveforms][:MOST_WAVEFORMS]
    ):
        if corner not in by_corner.index:
            continue
        row = by_corner.loc[corner]
        words = [tables.place(result.board, row), f"state: {row['state']}"]
        for quantity in ("duty", "frequency"):
            figure, bar = tables.simulated_and_bar(row, quantity)
            if np.isfinite(figure):
                words.append(
                    f"{quantity} {rounding.figure_with_bar(figure, bar, quantities.stem(quantity).unit)}"
                )
        pictures.append(
            Picture(
                f"{corner}: {result.telling[corner]}",
                "; ".join(words) + ".",
                f"Ramp, threshold and pulse over time in corner {corner}.",
                charts.waveform_chart(_from_the_sweep(result, row, corner), f"wave{number}"),
            )
        )
    return pictures


def _from_the_sweep(result: RunResult, row: pd.Series, corner: str) -> Waveforms:
    frequency, _ = tables.simulated_and_bar(row, "frequency")
    period = 1.0 / frequency if frequency > 0.0 else np.nan
    return cycles.from_the_sweep(result.waveforms[corner], period)


def chain_pictures(result: RunResult) -> list[Picture]:
    """From hand to simulated where each quantity parts most, and where it parts most and is explained."""
    chosen: dict[tuple[str, str], tuple[bool, bool, float]] = {}
    known = set(zip(result.effects["quantity"], result.effects["corner"].astype(str), strict=True))
    for quantity in tables.compared(result.corners):
        share = tables.judged_off(result.corners, quantity, "simulated").abs()
        explained = tables.column(result.corners, quantity, "agreement", "").astype(str) == "explained"
        for picked in (share, share[explained]):
            if not picked.notna().any():
                continue
            corner = str(result.corners.loc[picked.idxmax(), "corner"])
            if (quantity, corner) in known:
                urgent = bool(explained.loc[picked.idxmax()])
                chosen.setdefault((quantity, corner), (quantity != "duty", not urgent, -float(picked.max())))
    order = sorted(chosen, key=lambda key: chosen[key])[:MOST_CHAINS]
    return [chain_picture(result, quantity, corner) for quantity, corner in order]


def chain_picture(result: RunResult, quantity: str, corner: str) -> Picture:
    """The chain of effects on one quantity in one corner."""
    row = result.corners.loc[(result.corners["corner"].astype(str) == corner).idxmax()]
    stem, tolerance = quantities.stem(quantity), float(row[f"{quantity}.tolerance"])
    steps = charts.steps_of(tables.chain(result.effects, quantity, corner), tolerance / rounding.FINENESS)
    hand, simulated = float(row[f"{quantity}.hand"]), float(row[f"{quantity}.simulated"])
    total = rounding.amount(sum(step.amount for step in steps), stem.unit, tolerance)
    return Picture(
        f"{stem.title}: from hand to simulated in {corner}",
        f"{tables.place(result.board, row)}. The steps add up to {total}, simulated minus hand;"
        f" verdict: {row[f'{quantity}.agreement']}.",
        f"Effect chain of {stem.title} in corner {corner}; the table of effects holds the amounts.",
        charts.chain_chart(hand, simulated, tolerance, stem.unit, steps, f"chain-{quantity}-{corner}"),
    )


def harmonics_picture(result: RunResult) -> list[Picture]:
    """The harmonics of the nominal corner, or of the first one that has any, beside a rectangle of equal
    duty."""
    if result.harmonics.empty:
        return []
    nominal = tables.nominal_row(result.board, result.corners)
    held = result.harmonics["corner"].astype(str)
    corner = str(nominal["corner"]) if nominal is not None else ""
    if corner not in set(held):
        corner = held.iloc[0]
    rows = result.harmonics[held == corner].sort_values("harmonic")
    amplitudes, numbers = rows["amplitude"].to_numpy(dtype=float), rows["harmonic"].to_numpy(dtype=float)
    row = result.corners.loc[(result.corners["corner"].astype(str) == corner).idxmax()]
    duty, high, low = (
        float(row.get(f"{name}.simulated", np.nan)) for name in ("duty", "high_level", "low_level")
    )
    if not np.isfinite(amplitudes).any() or not np.isfinite([duty, high, low]).all():
        return []
    ideal = 2.0 * (high - low) / (numbers * np.pi) * np.abs(np.sin(numbers * np.pi * duty))
    return [
        Picture(
            f"Harmonics of the pulse in {corner}",
            f"{tables.place(result.board, row)}. Peak amplitudes. Squares: a rectangle of the same duty"
            " and swing,"
            " 2A/(n\N{GREEK SMALL LETTER PI})\N{MIDDLE DOT}|sin(n\N{GREEK SMALL LETTER PI}D)|; edges that"
            " take time"
            " pull the high ones below it. harmonics.csv holds every corner.",
            f"Amplitudes of harmonics 1 to {int(numbers.max())} in corner {corner}.",
            charts.harmonics_chart(numbers, amplitudes, ideal, "harmonics"),
        )
    ]
