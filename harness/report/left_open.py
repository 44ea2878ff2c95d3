# SPDX-License-Identifier: GPL-3.0-or-later
"""What a run leaves open, in sentences: corners without figures, wide bars, limits nobody met."""

from __future__ import annotations

from harness import quantities
from harness.intent.accuracy import FINEST
from harness.report import rounding, tables
from harness.results import RunResult


def not_shown(result: RunResult) -> tuple[str, ...]:
    """Sentences about everything that this run leaves open."""
    corners = result.corners
    sentences: list[str] = []
    if left_out := tables.left_out(result):
        verb = "was" if left_out == 1 else "were"
        sentences.append(
            f"{rounding.count(left_out, 'corner')} of the board {verb} not asked for: nothing here speaks of"
            " the whole board."
        )
    for word in ("not simulated", "out of range", "no ramp", "chatter"):
        for names, reason in tables.in_state(corners, word):
            sentence = f"{rounding.count(len(names), 'corner')} {word}: {rounding.listed(names)}"
            sentences.append(f"{sentence} ({reason})." if reason else f"{sentence}.")
    for quantity in tables.present(corners):
        title = quantities.stem(quantity).title
        coarse = tables.number_of(corners, quantity, "agreement", "too coarse")
        if coarse:
            sentences.append(
                f"{title}: too coarse in {rounding.count(coarse, 'corner')}, the bar is above a quarter of"
                f" the tolerance or not known.{_finer(result)}"
            )
        for word, meaning in (
            ("no figure", "a limit without a figure"),
            ("too close to call", "the limit lies inside the bar, or the bar is not known,"),
        ):
            if tables.number_of(corners, quantity, "limit", word):
                names = corners.loc[corners[f"{quantity}.limit"] == word, "corner"].astype(str).tolist()
                sentences.append(
                    f"{title}: {meaning} in {rounding.count(len(names), 'corner')}: {rounding.listed(names)}."
                )
    for quantity in tables.compared(corners):
        if tables.numbers(corners, quantity, "simulated").isna().all():
            sentences.append(
                f"{quantities.stem(quantity).title}: a hand figure and nothing simulated beside it."
            )
    missing = [name for name in result.board.limits if name not in tables.present(corners)]
    if missing:
        sentences.append(f"Limits on quantities that nothing measured: {', '.join(missing)}.")
    if not result.board.limits:
        sentences.append("The board file sets no limits: nothing is shown about them.")
    if not tables.compared(corners):
        sentences.append("The board file has no hand formulas: simulated figures stand alone.")
    sentences += _settings_left_open(result)
    return tuple(sentences)


def _finer(result: RunResult) -> str:
    """What narrows the bars: the command's option with a tenth of what this run was asked for; nothing where
    the option does not go so far."""
    tenth = float(result.run.get("settings", {}).get("accuracy", 0.0)) / 10.0
    if tenth < FINEST * (1.0 - 1e-9):
        return ""
    return f" A finer run helps: `--accuracy {_short(tenth)}`, a tenth of this run's."


def _short(value: float) -> str:
    """``1e-5``: a power of ten as people write it."""
    mantissa, _, power = f"{value:.2e}".partition("e")
    return f"{float(mantissa):g}e{int(power)}"


def _settings_left_open(result: RunResult) -> list[str]:
    """What the run's own record says about its bars and about what it could not check."""
    settings = result.run.get("settings", {})
    sentences = []
    with_figures = int((~result.corners["state"].isin(("no ramp", "not simulated"))).sum())
    wide = with_figures - int(settings.get("bar_asked_for_reached", with_figures))
    if wide > 0:
        sentences.append(
            f"The bar asked for, {settings['accuracy']:g} of the period, was not reached in"
            f" {rounding.count(wide, 'corner')}; the bars that were reached are shown."
        )
    sentences += [
        f"{text[0].upper()}{text[1:]}." for text in result.run.get("assumed", ()) if "not checked" in text
    ]
    return sentences
