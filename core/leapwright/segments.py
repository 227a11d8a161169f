# SPDX-License-Identifier: GPL-3.0-or-later
"""How a person's mass is spread over the segments of the body: a published table."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["DE_LEVA", "SEXES", "Segment"]


@dataclass(frozen=True, slots=True)
class Segment:
    """One row of the mass table.

    Parameters
    ----------
    mass : float
        Percent of the body's mass.
    centre : float
        Centre of mass, percent of the segment's length from its first end.
    length : float
        mm, of the people measured.
    """

    mass: float
    centre: float
    length: float


def _rows(numbers: str) -> dict[str, Segment]:
    rows = (line.split(":") for line in numbers.strip().splitlines())
    return {name.strip(): Segment(*map(float, values.split())) for name, values in rows}


# P. de Leva, "Adjustments to Zatsiorsky-Seluyanov's segment inertia parameters", Journal of
# Biomechanics 29(9), 1996, 1223-1230, Table 4: mass %, centre %, length mm. Men 1.741 m and
# 73.0 kg, women 1.735 m and 61.9 kg. Masses and centres were compared with two public copies of
# the table. Lengths are from memory; where a segment is measured in more than one way, they agree
# through the centres (tested): one centre, whichever the ends. Of the others, thigh, shank and
# foot of men were compared with a copy.
DE_LEVA: dict[str, dict[str, Segment]] = {
    "male": _rows(
        """
        head (vertex to mid-gonion): 6.94 59.76 203.3
        head (vertex to C7): 6.94 50.02 242.9
        trunk (mid-shoulder to mid-hip): 43.46 43.10 515.5
        trunk (C7 to mid-hip): 43.46 51.38 603.3
        upper trunk (C7 to xiphion): 15.96 50.66 242.1
        middle trunk (xiphion to omphalion): 16.33 45.02 215.5
        lower trunk (omphalion to mid-hip): 11.17 61.15 145.7
        upper arm (shoulder to elbow): 2.71 57.72 281.7
        forearm (elbow to wrist): 1.62 45.74 268.9
        hand (wrist to 3rd knuckle): 0.61 79.00 86.2
        hand (wrist to 3rd fingertip): 0.61 36.24 187.9
        thigh (hip to knee): 14.16 40.95 422.2
        shank (knee to ankle): 4.33 43.95 440.3
        shank (knee to lateral malleolus): 4.33 44.59 434.0
        foot (heel to toe tip): 1.37 44.15 258.1
        """
    ),
    "female": _rows(
        """
        head (vertex to mid-gonion): 6.68 58.94 200.2
        head (vertex to C7): 6.68 48.41 243.7
        trunk (mid-shoulder to mid-hip): 42.57 37.82 497.9
        trunk (C7 to mid-hip): 42.57 49.64 614.8
        upper trunk (C7 to xiphion): 15.45 50.50 228.0
        middle trunk (xiphion to omphalion): 14.65 45.12 205.3
        lower trunk (omphalion to mid-hip): 12.47 49.20 181.5
        upper arm (shoulder to elbow): 2.55 57.54 275.1
        forearm (elbow to wrist): 1.38 45.59 264.3
        hand (wrist to 3rd knuckle): 0.56 74.74 78.0
        hand (wrist to 3rd fingertip): 0.56 34.27 170.1
        thigh (hip to knee): 14.78 36.12 368.5
        shank (knee to ankle): 4.81 43.52 438.6
        shank (knee to lateral malleolus): 4.81 44.16 432.3
        foot (heel to toe tip): 1.29 40.14 228.3
        """
    ),
}
"""Rows by sex and segment; the ends are in the names."""
DE_LEVA["mean"] = {
    name: Segment(
        *(
            0.5 * (getattr(row, part) + getattr(DE_LEVA["female"][name], part))
            for part in ("mass", "centre", "length")
        )
    )
    for name, row in DE_LEVA["male"].items()
}

SEXES = tuple(DE_LEVA)
"""What a table is called: ``"male"``, ``"female"``, or ``"mean"`` of the two."""
