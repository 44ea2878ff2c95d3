# SPDX-License-Identifier: GPL-3.0-or-later
"""The document that a designer signs before boards are ordered: its contents as records, then as pages."""
