# SPDX-License-Identifier: GPL-3.0-or-later
"""Which names are quantities of a board: the fixed ones, and the currents of its own rails."""

from __future__ import annotations

from harness.findings import nearest
from harness.intent.toml_source import Source
from harness.quantities import STEMS, is_stem

_CURRENT, _PEAK = "supply_current_", "_peak"


def no_quantity(source: Source, name: str) -> str:
    """A sentence where ``name`` is no quantity of this board file, with the nearest that is; else nothing."""
    if name in STEMS:
        return ""
    rails = _rails(source)
    currents = [f"{_CURRENT}{rail}{kind}" for rail in rails for kind in ("", _PEAK)]
    if name in currents:
        return ""
    if not is_stem(name):
        return f'"{name}" is no quantity{nearest(name, STEMS)}'
    rail = name.removeprefix(_CURRENT).removesuffix(_PEAK)
    hint = nearest(name, currents) or f'; add supplies = {{ {rail or "rail"} = "its source" }} there'
    return f'[roles] names no rail "{rail}" among its supplies{hint}'


def _rails(source: Source) -> list[str]:
    roles = source.data.get("roles")
    supplies = roles.get("supplies") if isinstance(roles, dict) else None
    return list(supplies) if isinstance(supplies, dict) else []
