# SPDX-License-Identifier: GPL-3.0-or-later
"""What a run keeps of drawing and board file beside its tables, so that it can be compared without either:
``drawing.json``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from harness.board import Board
from harness.intent.objects import Axis, Limit
from harness.netlist import Netlist
from harness.revision.drawn import DrawnPart, drawn_parameters, drawn_parts, part_from
from harness.revision.facts import facts_of

FORMAT = 1
NAME = "drawing.json"


@dataclass(frozen=True)
class Kept:
    """Drawing and board file as they were when a run was made.

    ``parts``: by name in lower case; ``parameters``: values (SI) of the netlist's parameters; ``intended``:
    values (SI) by name of part in lower case; ``facts``: dotted key of the board file -> text; ``on_drawn``:
    quantity -> hand formula on drawn values, corner by corner, where the refined prediction has no figure.
    """

    title: str
    axes: Mapping[str, Axis]
    parts: Mapping[str, DrawnPart]
    parameters: Mapping[str, float]
    intended: Mapping[str, float]
    facts: Mapping[str, str]
    limits: Mapping[str, Limit]
    on_drawn: Mapping[str, list[float]] = field(default_factory=dict)

    def plain(self) -> dict[str, Any]:
        """Ready for JSON."""
        return {
            "format": FORMAT,
            "title": self.title,
            "axes": {
                name: {
                    "values": list(axis.values), "unit": axis.unit, "nominal": axis.nominal,
                    "sets": axis.sets, "written_unit": axis.written_unit, "names": list(axis.names),
                }
                for name, axis in self.axes.items()
            },
            "board_file": dict(self.facts),
            "limits": {
                name: {"least": limit.least, "most": limit.most} for name, limit in self.limits.items()
            },
            "intended": dict(self.intended),
            "parameters": dict(self.parameters),
            "parts": [part.plain() for part in self.parts.values()],
            "hand_on_drawn": {
                name: [None if math.isnan(value) else value for value in column]
                for name, column in self.on_drawn.items()
            },
        }  # fmt: skip


def kept_of(board: Board, netlist: Netlist, on_drawn: pd.DataFrame, corners: pd.DataFrame) -> Kept:
    """What is kept of a run. ``on_drawn``: hand formulas fed with drawn values, rows as in ``corners``, which
    is the corner table with its columns ``q.refined``."""
    driven = {axis.sets.lower(): axis.name for axis in board.axes.values() if axis.sets}
    return Kept(
        title=board.title,
        axes=board.axes,
        parts=drawn_parts(netlist, driven),
        parameters=drawn_parameters(netlist),
        intended={name.lower(): each.value for name, each in board.intended.items()},
        facts=facts_of(board),
        limits=board.limits,
        on_drawn=dict(_where_refined_lacks(on_drawn, corners)),
    )


def _where_refined_lacks(on_drawn: pd.DataFrame, corners: pd.DataFrame) -> list[tuple[str, list[float]]]:
    found = []
    for name in on_drawn.columns:
        refined = corners.get(f"{name}.refined")
        if refined is None or f"{name}.simulated" not in corners:
            continue
        column = np.where(np.isfinite(refined), math.nan, on_drawn[name].to_numpy(dtype=float))
        if np.isfinite(column).any():
            found.append(
                (str(name), [float(value) if math.isfinite(value) else math.nan for value in column])
            )
    return found


def kept_from(content: Mapping[str, Any]) -> Kept:
    """What :meth:`Kept.plain` made plain. Raises KeyError, TypeError or ValueError for other content."""
    if content["format"] != FORMAT:
        raise ValueError(f"format {content['format']} is not known here (known: {FORMAT})")
    parts = [part_from(each) for each in content["parts"]]
    return Kept(
        title=str(content["title"]),
        axes={name: axis_from(name, each) for name, each in dict(content["axes"]).items()},
        parts={part.name.lower(): part for part in parts},
        parameters=_figures(content["parameters"]),
        intended=_figures(content["intended"]),
        facts={str(key): str(text) for key, text in dict(content["board_file"]).items()},
        limits={
            str(name): Limit(_figure(each.get("least")), _figure(each.get("most")))
            for name, each in dict(content["limits"]).items()
        },
        on_drawn={
            str(name): [math.nan if value is None else float(value) for value in column]
            for name, column in dict(content["hand_on_drawn"]).items()
        },
    )


def axis_from(name: str, content: Mapping[str, Any]) -> Axis:
    """An axis from its plain content. Raises KeyError, TypeError or ValueError for other content."""
    return Axis(
        name=str(name),
        values=tuple(float(value) for value in content["values"]),
        unit=str(content["unit"]),
        sets=None if content.get("sets") is None else str(content["sets"]),
        nominal=float(content["nominal"]),
        written_unit=str(content.get("written_unit", "")),
        names=tuple(str(each) for each in content.get("names", ())),
    )


def _figure(value: Any) -> float | None:
    return None if value is None else float(value)


def _figures(content: Mapping[str, Any]) -> dict[str, float]:
    return {str(name): float(value) for name, value in dict(content).items()}
