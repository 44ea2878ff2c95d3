# SPDX-License-Identifier: GPL-3.0-or-later
"""What a designer intends, as a board file says it: its objects, and the reading of each of its tables."""
