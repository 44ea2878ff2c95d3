# SPDX-License-Identifier: GPL-3.0-or-later
"""``python -m harness`` is ``ramp-harness``."""

import sys

from harness.cli import main

sys.exit(main())
