# SPDX-License-Identifier: GPL-3.0-or-later
"""The command line: ``leapwright VERB``. Data goes to standard output, talk to standard error."""

from leapwright.cli.app import main

__all__ = ["main"]
