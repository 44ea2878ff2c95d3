# SPDX-License-Identifier: GPL-3.0-or-later
"""What single faults do to a board, before power is applied to one."""
