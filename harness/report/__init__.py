# SPDX-License-Identifier: GPL-3.0-or-later
"""What a run has to tell: a page, and the same story as lines for the terminal."""

from __future__ import annotations

from harness.report.page import write_report
from harness.report.terminal import summary_lines

__all__ = ["summary_lines", "write_report"]
