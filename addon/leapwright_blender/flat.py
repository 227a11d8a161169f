# SPDX-License-Identifier: GPL-3.0-or-later
"""Rigs that are scaled to nothing: no way back from where something is to what is keyed."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np

from leapwright.errors import HostError

__all__ = ["refusing_flat"]


@contextmanager
def refusing_flat(name: str) -> Iterator[None]:
    """Refuse, in words, where something is scaled to nothing.

    Every verb works out what to key before it writes, so nothing is written then.

    Parameters
    ----------
    name : str
        Of the rig.

    Raises
    ------
    HostError
        Instead of numpy's own error.
    """
    try:
        yield
    except np.linalg.LinAlgError as error:
        raise HostError(
            f"{name!r} or something that carries it is scaled to 0: "
            "nothing can be keyed through that, give it another scale"
        ) from error
