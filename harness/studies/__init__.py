# SPDX-License-Identifier: GPL-3.0-or-later
"""Questions to many boards of one design: the worst of them, and how many keep every limit and rating."""
