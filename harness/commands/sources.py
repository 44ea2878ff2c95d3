# SPDX-License-Identifier: GPL-3.0-or-later
"""``sources``: every outside check behind the tool."""

from __future__ import annotations

import argparse

from harness.commands.options import SHORT, WITHIN, Commands, out


def add(commands: Commands) -> None:
    """Adds the command."""
    sources = commands.add_parser("sources", help="every outside check behind the tool, with its source")
    out(sources, "also write sources.csv there")
    sources.set_defaults(action=_sources)


def _sources(options: argparse.Namespace) -> int:
    from harness.sources import sources_table
    from harness.writing import table_writer, write_together

    table = sources_table()
    if options.out:
        write_together(options.out, {"sources.csv": table_writer(table)})
    for source, checks in table.groupby("source", sort=False):
        print(source)
        for row in checks.itertuples():
            print(f"  {row.verdict:<7} {row.check}: printed {row.printed}, got {row.got}")
            print(f"          {row.kind}: {row.place}")
    counts = table["verdict"].value_counts().to_dict()
    print(f"{len(table)} checks from {table['source'].nunique()} sources: ", end="")
    print(", ".join(f"{count} {verdict}" for verdict, count in counts.items()))
    print('"found" is a slip in print that the tool finds.')
    return SHORT if "off" in counts else WITHIN
