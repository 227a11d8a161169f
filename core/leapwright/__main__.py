# SPDX-License-Identifier: GPL-3.0-or-later
"""``python -m leapwright``: the command line."""

import sys

from leapwright.cli import main

if __name__ == "__main__":
    sys.exit(main())
