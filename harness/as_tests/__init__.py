# SPDX-License-Identifier: GPL-3.0-or-later
"""Board files as tests: one run a board, whichever process of pytest asks for it."""
