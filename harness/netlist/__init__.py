# SPDX-License-Identifier: GPL-3.0-or-later
"""A netlist as it was drawn: read, checked and refused before any engine sees it."""

from harness.netlist.lines import Line
from harness.netlist.parts import Part
from harness.netlist.reading import Netlist, Settings, read_netlist, rewritten
from harness.netlist.scopes import FlatPart

__all__ = ["FlatPart", "Line", "Netlist", "Part", "Settings", "read_netlist", "rewritten"]
