# SPDX-License-Identifier: GPL-3.0-or-later
"""What a netlist has to offer so that a board file can be used with it: nodes, parts, values to set."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from harness.findings import NetlistError, nearest
from harness.intent.cores import Core
from harness.intent.objects import Axis, Roles
from harness.intent.toml_source import Position

if TYPE_CHECKING:
    from harness.netlist import Netlist

_NODES = ("ramp", "threshold", "output", "emitter")
_MOVING = ("ramp", "output")
_GROUND = ("0", "gnd")
_PARTS = ("comparator", "pullup", "supply", "load_resistor", "load_capacitor")


def lacking(
    netlist: Netlist, roles: Roles, core: Core | None, axes: Mapping[str, Axis]
) -> Iterator[tuple[Position, str]]:
    """Key and sentence for every role that the netlist does not have and every axis that cannot be set in it.

    Names are looked up and settings tried; no value of the netlist is taken over.
    """
    file, parts = netlist.path.name, [part.name for part in netlist.parts.values()]
    known = {*netlist.parts, *netlist.flat, *(scope.path for scope in netlist.scopes)}
    inner = netlist.nodes | {node for part in netlist.flat.values() for node in part.nodes}
    yield from _no_range(roles)
    for path, name in _nodes(roles, core):
        if path[-1] in _MOVING and name.lower() in _GROUND:
            yield path, f'"{name}" is ground, which never moves; expected the node of the {path[-1]}'
        elif name.lower() not in inner:
            yield path, f'{file} has no node "{name}"{nearest(name, netlist.nodes)}'
    for path, name in _parts(roles, core):
        if name.lower() not in known:
            yield path, f'{file} has no part "{name}"{nearest(name, parts)}'
    for axis in axes.values():
        if axis.sets is None:
            continue
        path = ("axes", axis.name, "sets")
        if axis.sets.lower() not in netlist.parameters and axis.sets.lower() not in known:
            hint = nearest(axis.sets, [*parts, *netlist.parameters])
            yield path, f'{file} has no parameter, source or part "{axis.sets}"{hint}'
        else:
            yield from ((path, message) for message in _not_settable(netlist, axis.sets, axis.values))


def _no_range(roles: Roles) -> Iterator[tuple[Position, str]]:
    """Without a pull-up and a supply nobody knows how far the output may swing."""
    if not (roles.pullup or roles.supply):
        message = "names no pullup and no supply, so how far the output can swing is not known; expected one"
        yield ("roles",), f'{message} of them, such as pullup = "Rpull"'


def _nodes(roles: Roles, core: Core | None) -> Iterator[tuple[Position, str]]:
    for role in _NODES:
        if name := getattr(roles, role):
            yield ("roles", role), name
    if core:
        yield from ((("core", *key), name) for key, name in core.nodes())


def _parts(roles: Roles, core: Core | None) -> Iterator[tuple[Position, str]]:
    for role in _PARTS:
        if name := getattr(roles, role):
            yield ("roles", role), name
    for rail, name in roles.supplies.items():
        yield ("roles", "supplies", rail), name
    yield from ((("roles", "amplifiers", place), name) for place, name in enumerate(roles.amplifiers))
    if core:
        yield from ((("core", *key), name) for key, name in core.part_names())


def _not_settable(netlist: Netlist, name: str, values: tuple[float, ...]) -> list[str]:
    messages: dict[str, None] = {}
    for value in values:
        try:
            netlist.set_values({name: value})
        except NetlistError as error:
            messages.update(
                (f"{netlist.path.name}: {found.key} {found.message}", None) for found in error.findings
            )
    return list(messages)
