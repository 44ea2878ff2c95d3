# SPDX-License-Identifier: GPL-3.0-or-later
"""The commands: a module's ``add`` defines options, and what they lead to is imported when it runs."""
