# SPDX-License-Identifier: GPL-3.0-or-later
"""Writes the pages of harness/pages/ whose figures are simulated: ``make pages``.

``default-steps.html``: what a simulation of a ramp core gets wrong at default settings, and how the
harness knows. ``revision-story.html``: a resistor with two digits swapped, and what the commands say.
"""

from __future__ import annotations

import math
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from matplotlib.figure import Figure

from harness.characterise import characterise
from harness.engine.session import EngineError, session
from harness.engine.steps import settle
from harness.measure.cycle import measure_cycle
from harness.planning import tasks_of
from harness.predict.refined import predict
from harness.report.canvas import BLUE, INK, MUTED, ORANGE, WIDTH, engineering_axis, style, to_svg
from harness.resources import netlists_folder
from harness.run import prepare

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
PAGES = ROOT / "harness" / "pages"
sys.path += [str(HERE), str(ROOT / "tests" / "physics")]

from revision_story import story  # noqa: E402
from test_default_steps import by_default, compare_corners, last_cycle  # noqa: E402
from test_steps_against_closed_forms import PROBES, Core, random_cores, simulate  # noqa: E402

UNIFORM = (
    ("trap", "1e-3", 50, "the default"),
    ("trap", "1e-3", 1000, "twenty times finer"),
    ("gear", "1e-6", 200, "tight tolerance, other method"),
    ("gear", "1e-6", 2000, "the same, ten times finer"),
    ("gear", "1e-6", 20000, "the same, a hundred times finer"),
)


def reset_of(folder: Path, place: int) -> dict[str, Any]:
    """Ramp and output of one corner of the demo board, steered and at default steps, around the reset after
    which the default ramp is lowest."""
    prepared = prepare(netlists_folder() / "boards" / "kestrel" / "kestrel.board.toml")
    known = characterise(prepared.board, prepared.netlist, folder, measure=True)
    hints = predict(prepared.board, prepared.netlist, prepared.corners, known).refined
    task = tasks_of(prepared.board, prepared.netlist, prepared.corners, hints)[place]
    settled = settle(session(), task.plan, lambda r, b, e: measure_cycle(r, b, e, PROBES))
    period = 1 / settled.figures["frequency"]
    waves = {}
    for name, record in (("steered", settled.record), ("default", by_default(task.plan, period))):
        time, ramp = record["time"], record["ramp"]
        tops = np.flatnonzero((ramp[1:-1] > ramp[:-2]) & (ramp[1:-1] >= ramp[2:]) & (ramp[1:-1] > 6.5)) + 1
        tops = [k for k in tops if time[k] < time[-1] - 0.1 * period]
        if name == "default":  # the reset before the lowest point of the settled half
            half = int(np.searchsorted(time, 0.5 * time[-1]))
            lowest = half + int(np.argmin(ramp[half:]))
            tops = [k for k in tops if k < lowest] or tops
        begin = time[tops[-1]]
        part = (time >= begin - 0.1 * period) & (time <= begin + 0.6 * period)
        waves[name] = {"time": time[part] - begin, "ramp": ramp[part], "out": record["out"][part]}
    return waves


def reset_picture(waves: dict[str, Any]) -> str:
    """The reset, steered and at default steps, with the points the engine took."""
    with style():
        figure = Figure(figsize=(WIDTH, 3.4))
        whole, close = figure.subplots(1, 2, gridspec_kw={"width_ratios": [1.3, 1]})
        for axes in (whole, close):
            axes.plot(waves["default"]["time"], waves["default"]["ramp"], "--o", color=ORANGE, markersize=4)
            axes.plot(waves["steered"]["time"], waves["steered"]["ramp"], "-", color=BLUE)
            axes.axhline(0.0, color=MUTED, linewidth=0.8)
            engineering_axis(axes.xaxis, "s", 4)
            engineering_axis(axes.yaxis, "V")
        low = min(float(waves["default"]["ramp"].min()), 0.0)
        close.set_xlim(-20e-6, 120e-6)
        close.set_ylim(low - 0.3, 1.5)
        whole.set_title("ramp: dashed with dots, default steps; plain, steered")
        close.set_title("the same, just after the reset")
        figure.tight_layout()
        return to_svg(figure, "reset")


def errors_picture(rows: list[dict[str, Any]]) -> str:
    """Duty error of the defaults at every corner, against the tolerance of a hand calculation."""
    errors = [row["duty_error"] for row in rows if math.isfinite(row["duty_error"])]
    with style():
        figure = Figure(figsize=(WIDTH, 2.8))
        axes = figure.subplots()
        axes.axhspan(-0.01, 0.01, color=MUTED, alpha=0.25)
        axes.vlines(range(len(errors)), 0, errors, color=ORANGE, linewidth=1)
        axes.plot(range(len(errors)), errors, "o", color=ORANGE, markersize=4)
        axes.axhline(0.0, color=INK, linewidth=0.8)
        axes.set_xlabel("corner of the demo board, in the order of its table")
        axes.set_ylabel("duty, default minus steered")
        axes.set_title("grey: the tolerance within which hand and simulated figure are said to agree, 0.01")
        figure.tight_layout()
        return to_svg(figure, "errors")


def uniform_rows(core: Core) -> list[dict[str, Any]]:
    """A core whose period and duty are known in closed form, with ever finer uniform steps, and steered."""
    rows = []
    period = 1 / core.frequency
    settled = simulate(core, 1e-5)
    for method, reltol, divisions, words in UNIFORM:
        engine = session()
        engine.load([*core.deck(), f".options method={method} reltol={reltol} chgtol=1e-12"], "uniform")
        try:
            record = engine.transient(period / divisions, 8 * period, period / divisions)
        except EngineError:
            words, record = "the engine gave up", None
        row: dict[str, Any] = {
            "setting": f"{method}, reltol {reltol}, steps of at most period/{divisions}",
            "words": words,
        }
        if record is not None:
            duty, frequency = last_cycle(record["time"], record["ramp"], record["out"])
            row |= {
                "points": str(len(record["time"]) // 8),
                "duty": f"{duty - core.duty:+.1e}",
                "frequency": f"{frequency / core.frequency - 1:+.1e}",
            }
        rows.append(row)
    rows.append(
        {
            "setting": settled.setting,
            "words": f"bars: {settled.bars['duty']:.1e}, {settled.bars['frequency'] / core.frequency:.1e}",
            "points": str(settled.points),
            "duty": f"{settled.figures['duty'] - core.duty:+.1e}",
            "frequency": f"{settled.figures['frequency'] / core.frequency - 1:+.1e}",
        }
    )
    return rows


def main() -> None:
    """Simulates what the pages show and writes them: those named on the command line, else all."""
    environment = Environment(loader=FileSystemLoader(PAGES), autoescape=True, undefined=StrictUndefined)
    environment.filters["drawn"] = Markup
    css = (ROOT / "harness" / "report" / "templates" / "style.css").read_text(encoding="ascii")
    pages = {"default-steps.html": default_steps, "revision-story.html": revision_story}
    for name in sys.argv[1:] or pages:
        page = pages[name](environment, css)
        (PAGES / name).write_bytes(page.encode("ascii", "xmlcharrefreplace"))
        print(f"wrote harness/pages/{name}")


def revision_story(environment: Environment, css: str) -> str:
    """A slip of the pen, from the drawing to the comparison."""
    with tempfile.TemporaryDirectory() as name:
        return story(environment, Path(name), css)


def default_steps(environment: Environment, css: str) -> str:
    """What a simulation of a ramp core gets wrong at default settings."""
    with tempfile.TemporaryDirectory() as name:
        rows = compare_corners(Path(name))
        place = int(np.argmin([row["default_lowest"] for row in rows]))
        waves = reset_of(Path(name), place)
    core = random_cores(20, 1)[0]
    errors = np.array([abs(row["duty_error"]) for row in rows])
    return environment.get_template("default-steps.html.j2").render(
        css=css,
        engine=session().version_text,
        corners=len(rows),
        worst=np.nanmax(errors),
        median=np.nanmedian(errors),
        beyond=int(np.nansum(errors > 0.01)),
        pulsing=int(np.isfinite(errors).sum()),
        worst_cents=max(abs(row["default_cents_off"]) for row in rows if row["state"] == "pulsing"),
        widest_bar=np.nanmax([row["bar"] for row in rows]),
        shown=rows[place]["corner"],
        lowest=float(waves["default"]["ramp"].min()),
        lowest_steered=float(waves["steered"]["ramp"].min()),
        reset=reset_picture(waves),
        errors=errors_picture(rows),
        core=core,
        uniform=uniform_rows(core),
    )


if __name__ == "__main__":
    main()
