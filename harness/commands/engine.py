# SPDX-License-Identifier: GPL-3.0-or-later
"""``engine``: which ngspice is used."""

from __future__ import annotations

import argparse

from harness.commands.options import NO_ENGINE, WITHIN, Commands, out


def add(commands: Commands) -> None:
    """Adds the command."""
    engine = commands.add_parser("engine", help="which ngspice is used, the tested range, how to mend")
    out(engine, "also write engine.csv there")
    engine.set_defaults(action=_engine)


def _engine(options: argparse.Namespace) -> int:
    from harness.engine.session import engine_report

    report = engine_report()
    if report["found"]:
        inside = "inside" if report["within_tested"] else "outside"
        print(f"{report['version_text']}, {report['library']}")
        print(f"Tested with ngspice {report['tested']}: this one is {inside} that range.")
    if report["mend"]:
        print(report["mend"])
    if options.out:
        import pandas as pd

        from harness.writing import make_folder

        make_folder(options.out)
        pd.DataFrame(report.items(), columns=["item", "value"]).to_csv(
            options.out / "engine.csv", index=False
        )
    return WITHIN if report["found"] else NO_ENGINE
