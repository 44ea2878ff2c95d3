# SPDX-License-Identifier: GPL-3.0-or-later
"""Starting a board: from an exported netlist, with roles proposed and reasons given, or from a choice of
circuits that ship with the package."""
