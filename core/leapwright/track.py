# SPDX-License-Identifier: GPL-3.0-or-later
"""A track: where the COG and the soles are on every frame, as arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.errors import InputError
from leapwright.units import LARGEST, frame_rate_of

__all__ = ["Track"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


LEAST_STEP = 1e-3
"""Frames nearer than this are one frame, to the host too."""


@dataclass(frozen=True, slots=True)
class Track:
    """A measured COG and feet over frames. Made by `Track.of`, which checks what comes.

    Attributes
    ----------
    frames : ndarray, shape (F,)
        Increasing, by a thousandth at least.
    frame_rate : Fraction
        Frames a second.
    cog : ndarray, shape (F, 3)
        m, z up.
    soles : ndarray, shape (S, F, 3), or None
        Points that touch the floor: heels, balls, toe ends. None: feet unknown.
    names : tuple of str
        Of the soles.
    contacts : ndarray of bool, shape (S, F), or None
        Where each sole is on the floor, when that is known better than its place says.
    stretch : ndarray, shape (L, F), or None
        Length asked of each leg, hip to where its foot is wanted, over its full length.
    keys : ndarray, shape (K,), or None
        Frames on which the COG or the feet are keyed. None: not known.
    stepped : bool
        Poses are held from key to key: only the keys say where the body is.
    """

    frames: Floats
    frame_rate: Fraction
    cog: Floats
    soles: Floats | None = None
    names: tuple[str, ...] = ()
    contacts: Bools | None = None
    stretch: Floats | None = None
    keys: Floats | None = None
    stepped: bool = False

    @classmethod
    def of(
        cls,
        cog: ArrayLike,
        *,
        frame_rate: float | str | Fraction = 24,
        frames: ArrayLike | None = None,
        soles: ArrayLike | None = None,
        names: Sequence[str] = (),
        contacts: ArrayLike | None = None,
        stretch: ArrayLike | None = None,
        keys: ArrayLike | None = None,
        stepped: bool = False,
    ) -> Track:
        """Read a track.

        Parameters
        ----------
        cog : array_like, shape (F, 3) or (F,)
            m, z up; one number a frame is a height.
        frame_rate : number or str
        frames : array_like, shape (F,), optional
            Default 1, 2, 3 ...
        soles, contacts, stretch, keys, stepped
            As the attributes.

        Raises
        ------
        InputError
            A shape does not fit, a number is not finite, frames do not increase, nothing is there.

        Examples
        --------
        >>> Track.of([1.0, 1.1, 1.0]).frames.tolist()
        [1.0, 2.0, 3.0]
        """
        place = _numbers(cog, "cog")
        if place.ndim == 1:
            flat = np.zeros_like(place)
            place = np.stack([flat, flat, place], axis=-1)
        if place.ndim != 2 or place.shape[1] != 3:
            raise InputError(f"cog must have the shape (F, 3) or (F,), got {place.shape}", "cog")
        count = len(place)
        if count == 0:
            raise InputError("cog must hold at least one frame, got none", "cog")
        at = np.arange(1.0, count + 1) if frames is None else _numbers(frames, "frames")
        _shaped(at, (count,), "frames")
        _known(at, "frames", at)
        if np.any(np.diff(at) < LEAST_STEP):
            raise InputError(f"frames must increase, by {LEAST_STEP:g} at least", "frames")
        _known(place, "cog", at)
        feet = None if soles is None else _read(soles, "soles", at, (count, 3))
        if feet is not None and not len(feet):
            feet = None
        legs = None if stretch is None else _read(stretch, "stretch", at, (count,))
        on = None if contacts is None else np.atleast_2d(np.asarray(contacts, dtype=bool))
        if on is not None:
            _shaped(on, (len(on) if feet is None else len(feet), count), "contacts")
        labels = tuple(names) or tuple(f"sole {i + 1}" for i in range(_rows(feet, on)))
        if len(labels) != _rows(feet, on):
            raise InputError(
                f"names must be one a sole, got {len(labels)} for {_rows(feet, on)}", "names"
            )
        keyed = None if keys is None else np.unique(_numbers(keys, "keys").ravel())
        if keyed is not None and not np.all(np.isfinite(keyed)):
            raise InputError("keys must be finite", "keys")
        # A numpy number would be read by how it prints.
        rate = frame_rate_of(float(frame_rate) if isinstance(frame_rate, float) else frame_rate)
        return cls(at, rate, place, feet, labels, on, legs, keyed, stepped)

    @property
    def fps(self) -> float:
        """Frames a second as a float."""
        return float(self.frame_rate)

    @property
    def has_feet(self) -> bool:
        """Whether anything is known of the feet."""
        return self.soles is not None or self.contacts is not None

    def known(self) -> NDArray[np.intp]:
        """Indices of the frames that say where the body is: all, or the keys of held poses.

        A pose begins where a key is; without keys, where the place changes.
        """
        if not self.stepped:
            return np.arange(len(self.frames))
        if self.keys is not None:
            rows = np.searchsorted(self.frames, self.keys - 1e-6)
            rows = np.unique(rows[rows < len(self.frames)])
        else:
            moved = np.any(np.abs(np.diff(self.cog, axis=0)) > 1e-9, axis=1)
            if self.soles is not None:
                moved |= np.any(np.abs(np.diff(self.soles, axis=1)) > 1e-9, axis=(0, 2))
            rows = np.concatenate([[0], np.flatnonzero(moved) + 1])
        return rows if len(rows) else np.arange(len(self.frames))


def _numbers(value: ArrayLike, argument: str) -> Floats:
    try:
        return np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError):
        raise InputError(f"{argument} must be numbers, got {value!r:.80}", argument) from None


def _rows(feet: Floats | None, contacts: Bools | None) -> int:
    if feet is not None:
        return len(feet)
    return 0 if contacts is None else len(contacts)


def _read(value: ArrayLike, argument: str, frames: Floats, tail: tuple[int, ...]) -> Floats:
    array = _numbers(value, argument)
    if array.ndim == len(tail):
        array = array[None]
    _shaped(array, (len(array), *tail), argument)
    _known(np.moveaxis(array, 0, -1), argument, frames)
    return array


def _shaped(array: NDArray[np.generic], shape: tuple[int, ...], argument: str) -> None:
    if array.shape != shape:
        raise InputError(f"{argument} must have the shape {shape}, got {array.shape}", argument)


def _known(array: Floats, argument: str, frames: Floats) -> None:
    """Refuse what is not finite, or absurdly large; axis 0 of `array` is the frames."""
    bad = ~(np.abs(array) <= LARGEST).reshape(len(array), -1).all(axis=1)
    if np.any(bad):
        first = int(np.argmax(bad))
        where = f"{frames[first]:g}" if np.isfinite(frames[first]) else f"number {first + 1}"
        raise InputError(
            f"{argument} must be finite on every frame, and {LARGEST:g} at most; it is not on "
            f"{int(bad.sum())} of {len(bad)}, first on frame {where}",
            argument,
        )
