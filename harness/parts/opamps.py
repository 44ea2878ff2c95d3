# SPDX-License-Identifier: GPL-3.0-or-later
"""Benches for opamps."""

from __future__ import annotations

from harness.parts.rows import BenchFunction

BENCHES: dict[str, BenchFunction] = {}
