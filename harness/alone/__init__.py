# SPDX-License-Identifier: GPL-3.0-or-later
"""Real parts measured alone, each on a small test circuit of its own; never the board under test."""
