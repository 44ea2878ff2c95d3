# SPDX-License-Identifier: GPL-3.0-or-later
"""The files of a comparison."""

from __future__ import annotations

from pathlib import Path

from harness.revision.comparison import Comparison
from harness.writing import table_writer, write_together


def write_comparison(comparison: Comparison, folder: Path) -> list[Path]:
    """Writes compare.csv and compare.html, both or neither. Returns the paths."""
    from harness.revision.page import render  # imports matplotlib: only where it is needed

    page = render(comparison)

    def write_page(path: Path) -> None:
        path.write_bytes(page)

    return write_together(
        folder,
        {
            "compare.csv": table_writer(comparison.table()),
            "compare.html": write_page,
        },
    )
