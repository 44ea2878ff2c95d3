# SPDX-License-Identifier: GPL-3.0-or-later
"""Device models measured alone in ngspice, each published figure beside what the model does.

``rows`` makes a table of a sheet, ``subject`` is a model on a bench; ``comparators``, ``opamps`` and
``discretes`` hold the benches, functions that sheets name with their arguments.
"""

from harness.parts.rows import COLUMNS, parts_table, rows_of
from harness.parts.subject import Subject

__all__ = ["COLUMNS", "Subject", "parts_table", "rows_of"]
