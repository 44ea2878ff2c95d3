# SPDX-License-Identifier: GPL-3.0-or-later
"""What changed between two states of a board, and what it did; references that boards are held to."""
