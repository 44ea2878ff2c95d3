# SPDX-License-Identifier: GPL-3.0-or-later
"""What a run has to tell: a page, and the same story as lines for the terminal."""
