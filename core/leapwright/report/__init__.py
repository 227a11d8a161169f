# SPDX-License-Identifier: GPL-3.0-or-later
"""Pictures and pages that show a jump; these need the extra ``batch``."""
