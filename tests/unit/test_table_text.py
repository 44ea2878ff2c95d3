# SPDX-License-Identifier: GPL-3.0-or-later
"""Tables as CSV: to the byte what pandas writes with the standard library's writer."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from harness import table_text
from harness.table_text import write_table

TABLES = {
    "figures": pd.DataFrame({"a": [1.0, np.nan, -0.0, np.inf, 1e-300, 0.1 + 0.2], "b": [1, 2, 3, 4, 5, 6]}),
    "few figures": pd.DataFrame({"a": [0.0, -0.0, 0.0, np.nan, -0.0] * 5, "b": [0.1, 0.3 - 0.2] * 12 + [1]}),
    "texts": pd.DataFrame({"a, b": ["x", 'say "y"', "", None, "one\ntwo", "µ, \r"], "b": ["p"] * 6}),
    "kinds": pd.DataFrame({"a": pd.Categorical(["x,", None, "y", "x,"]), "b": [True, False, True, True]}),
    "mixed": pd.DataFrame({"a": [1, True, 1.0, None, "x", (1, 2)], "b": pd.Series([None] * 6, dtype=object)}),
    "no rows": pd.DataFrame({"a": pd.Series(dtype=float), "b": pd.Series(dtype=str)}),
    "nothing": pd.DataFrame(),
}


@pytest.mark.parametrize("cells", [1, 4, table_text.CELLS])
@pytest.mark.parametrize("name", list(TABLES))
def test_the_same_bytes_as_from_pandas(
    name: str, cells: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(table_text, "CELLS", cells)
    write_table(TABLES[name], tmp_path / "ours.csv")
    TABLES[name].to_csv(tmp_path / "theirs.csv", index=False, lineterminator="\n")
    assert (tmp_path / "ours.csv").read_bytes() == (tmp_path / "theirs.csv").read_bytes()


def test_a_column_of_figures_reads_back_to_the_bit(tmp_path: Path) -> None:
    figures = np.random.default_rng(1).standard_normal(500) * 10.0 ** np.arange(-250, 250)
    write_table(pd.DataFrame({"a": figures}), tmp_path / "a.csv")
    lines = (tmp_path / "a.csv").read_text(encoding="utf-8").splitlines()[1:]
    np.testing.assert_array_equal([float(line) for line in lines], figures)
