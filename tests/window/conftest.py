# SPDX-License-Identifier: GPL-3.0-or-later
"""The scripts that run inside the window are no modules of tests."""

collect_ignore = ["costs.py", "drive.py", "hands.py", "looks.py", "work.py", "wrong.py"]
