# SPDX-License-Identifier: GPL-3.0-or-later
"""The scripts that run inside the window are no modules of tests."""

collect_ignore = [
    "costs.py", "drive.py", "findings.py", "hands.py", "long.py", "looks.py", "popups.py",
    "ways.py", "work.py", "wrong.py",
]  # fmt: skip
