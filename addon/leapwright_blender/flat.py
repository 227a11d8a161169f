# SPDX-License-Identifier: GPL-3.0-or-later
"""Rigs that are scaled to nothing: no way back from where something is to what is keyed."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any, TypeVar, cast

import numpy as np

from leapwright.errors import HostError

__all__ = ["refuses_flat"]

Verb = TypeVar("Verb", bound=Callable[..., Any])


def refuses_flat(verb: Verb) -> Verb:
    """Make a verb of a rig refuse, in words, where something is scaled to nothing.

    Every verb works out what to key before it writes, so nothing is written then.

    Parameters
    ----------
    verb : callable
        A method of something that has a `name`.
    """

    @functools.wraps(verb)
    def refusing(self: Any, *args: Any, **more: Any) -> Any:
        try:
            return verb(self, *args, **more)
        except np.linalg.LinAlgError as error:
            raise HostError(
                f"{self.name!r} or something that carries it is scaled to 0: "
                "nothing can be keyed through that, give it another scale"
            ) from error

    return cast(Verb, refusing)
