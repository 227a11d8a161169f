# SPDX-License-Identifier: GPL-3.0-or-later
"""The script that runs in a process of its own is no module of tests."""

collect_ignore = ["drive.py", "jumper.py", "more_steps.py", "steps.py"]
