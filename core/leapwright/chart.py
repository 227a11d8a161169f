# SPDX-License-Identifier: GPL-3.0-or-later
"""The table beside the desk: rise frames against height, speed and spacing."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.errors import InputError
from leapwright.units import STANDARD_GRAVITY, frame_rate_of, gravity_of, positive, single

__all__ = ["Chart", "chart"]


@dataclass(frozen=True, slots=True)
class Chart:
    """Rows of the chart as arrays of shape (R,).

    Attributes
    ----------
    rise_frames : ndarray
        Frames from take-off to apex.
    height_m : ndarray
        Jump height, m.
    takeoff_speed_m_s : ndarray
        m/s.
    air_frames : ndarray
        Rise and fall of a level landing.
    step_m : ndarray
        What the COG moves in the frame that many frames from the apex, m: for rows 1, 2, 3 … the
        spacing of the rise read down from the apex, in the proportions 1 : 3 : 5 : 7 …
    """

    rise_frames: NDArray[np.float64]
    height_m: NDArray[np.float64]
    takeoff_speed_m_s: NDArray[np.float64]
    air_frames: NDArray[np.float64]
    step_m: NDArray[np.float64]


def chart(
    rise_frames: ArrayLike | None = None,
    *,
    frame_rate: float | str | Fraction = 24,
    gravity: float | str = STANDARD_GRAVITY,
) -> Chart:
    """Height, take-off speed and spacing for rises of so many frames.

    Parameters
    ----------
    rise_frames : array_like, shape (R,)
        Frames of rise, above 0; default 1 to 24.
    frame_rate : number or str
        Frames a second.
    gravity : float or str
        m/s², or a body's name.

    Returns
    -------
    Chart

    Raises
    ------
    InputError
        A value is not allowed.

    Notes
    -----
    h = g (r/f)²/2 and v = g r/f, free fall. In equal times the distances fallen run 1 : 3 : 5 : 7
    (Galileo, Two New Sciences, 1638): step r is g (2 r - 1) / 2 f².

    Examples
    --------
    >>> row = chart([12])
    >>> float(row.height_m[0].round(3)), float(row.step_m[0].round(4))
    (1.226, 0.1958)
    """
    rise = positive(
        np.arange(1, 25) if rise_frames is None else rise_frames, "rise_frames", "frames"
    )
    rise = np.atleast_1d(rise)
    if rise.ndim != 1:
        raise InputError(f"rise_frames must be one row, got shape {rise.shape}", "rise_frames")
    fps = float(frame_rate_of(frame_rate))
    g = single(gravity_of(gravity), "gravity")
    return Chart(
        rise_frames=rise,
        height_m=g * (rise / fps) ** 2 / 2,
        takeoff_speed_m_s=g * rise / fps,
        air_frames=2 * rise,
        step_m=g * np.maximum(2 * rise - 1, rise**2 * (rise < 1)) / (2 * fps**2),
    )
