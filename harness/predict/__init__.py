# SPDX-License-Identifier: GPL-3.0-or-later
"""What the drawing predicts: the resistive network solved exactly, and closed forms refined by real-part
values."""
