# SPDX-License-Identifier: GPL-3.0-or-later
"""The script that runs inside the window is no module of tests."""

collect_ignore = ["drive.py"]
