# SPDX-License-Identifier: GPL-3.0-or-later
"""ngspice inside this process and in worker processes: results with positive proof, or a reason."""
