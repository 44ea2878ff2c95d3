# SPDX-License-Identifier: GPL-3.0-or-later
"""Notations of a netlist beside the engine's own: which file is written in which, and what is made of it."""

from harness.netlist.dialects.files import COMMERCIAL, MODES, NATIVE, Dialects
from harness.netlist.dialects.reading import translate

__all__ = ["COMMERCIAL", "MODES", "NATIVE", "Dialects", "translate"]
