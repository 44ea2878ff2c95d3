# SPDX-License-Identifier: GPL-3.0-or-later
"""The kinds of faults, in the order in which they are told."""

OPEN, SHORTED, BRIDGED, SWAPPED = "open", "shorted", "bridged", "swapped"
JACK, OUTPUT, JOINED, SUPPLY = "jack", "output", "joined", "supply"
UNPOWERED, ORDER, START = "unpowered", "order", "start"
OF_PARTS = (OPEN, SHORTED, BRIDGED, SWAPPED)
KINDS = (*OF_PARTS, JACK, OUTPUT, JOINED, SUPPLY, UNPOWERED, ORDER, START)
