# SPDX-License-Identifier: GPL-3.0-or-later
"""Build hook: a wheel carries netlists/ and shared/; an editable install reads the checkout's own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class ShipData(BuildHookInterface):  # type: ignore[type-arg]
    """Adds the two data folders to every wheel but the editable one."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Name what goes where; ``version`` is ``standard`` or ``editable``."""
        if version == "editable":
            return
        for folder in ("netlists", "shared"):
            build_data["force_include"][str(Path(self.root, folder))] = f"harness/_data/{folder}"
