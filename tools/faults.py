# SPDX-License-Identifier: GPL-3.0-or-later
"""Seed every kind of fault into sound jumps and print how many the check finds and names right.

``python tools/faults.py [COUNT] [SEED]``: COUNT random jumps of each kind (50), each fault at
twice its threshold, and six times COUNT sound jumps for the false alarms. Ends with 1 when fewer
than 95 % of a kind are found, or more than 2 % of the sound jumps are not clean.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "core"))

from leapwright import plan  # noqa: E402
from leapwright.check import check  # noqa: E402
from leapwright.find import find  # noqa: E402
from leapwright.findings import FINDINGS  # noqa: E402
from leapwright.style import Style, styled_air  # noqa: E402
from leapwright.thresholds import THRESHOLDS  # noqa: E402
from leapwright.track import Track  # noqa: E402

Floats = NDArray[np.float64]
Random = np.random.Generator

STAND = 1.0
"""m from soles to COG where the leg is straight."""

FOUND, FALSE = 0.95, 0.02


@dataclass
class Parts:
    """A jump in pieces, so that one of them can be spoilt. Frames, m."""

    fps: float
    push: int
    absorb: int
    rise: float
    air: float
    push_height: float
    speed: float
    level: float
    depth: float
    travel: float
    gravity: float
    hold: int = 0
    first: float = 1.0
    push_shape: float = 1.0
    air_heights: Callable[[Floats], Floats] | None = None
    leave: float = 0.0
    keys: list[float] = field(default_factory=list)

    @property
    def takeoff(self) -> float:
        """Frame of take-off."""
        return self.first + 20 + self.hold + self.push

    @property
    def land(self) -> float:
        """Frame of land."""
        return self.takeoff + self.air

    @property
    def low(self) -> float:
        """Frame of low."""
        return self.land + self.absorb

    def frames(self) -> Floats:
        """All of the shot's."""
        return np.arange(self.first, np.ceil(self.low) + 24)

    def heights(self, t: Floats) -> Floats:
        """COG above that of take-off."""
        g, v = self.gravity / self.fps**2, self.speed
        crouch = self.takeoff - self.push
        start = crouch - self.hold
        u = np.clip((t - crouch) / self.push, 0, 1)
        a = self.push_shape
        push = self.push_height * ((3 - 2 * a) * u**2 + (2 * a - 2) * u**3 - 1)
        s = t - self.takeoff
        air = v * s - g * s**2 / 2 if self.air_heights is None else self.air_heights(s)
        eps = 1e-5
        end = np.array([self.air - eps, self.air])
        tail = v * end - g * end**2 / 2 if self.air_heights is None else self.air_heights(end)
        speed = float(tail[1] - tail[0]) / eps
        w = np.clip((t - self.land) / self.absorb, 0, 1)
        low = float(tail[1]) - self.depth
        flat = w * w * (3 - 2 * w)
        absorb = float(tail[1]) * (1 - flat) + low * flat + speed * self.absorb * w * (1 - w) ** 2
        stand = -0.05
        before = _flat(t, start - 14, start, stand, -self.push_height)
        after = _flat(t, self.low, self.low + 14, low, low + 0.8 * self.depth)
        return np.select(
            [t < start, t < self.takeoff, t <= self.land, t <= self.low],
            [before, push, air, absorb],
            after,
        )


@dataclass
class Shot:
    """What a track is made of."""

    parts: Parts
    t: Floats
    cog: Floats
    soles: Floats
    stretch: Floats
    keys: Floats

    def track(self) -> Track:
        """The shot as a track."""
        return Track.of(
            self.cog,
            frames=self.t,
            frame_rate=float(self.parts.fps),
            soles=self.soles,
            names=("left", "right"),
            stretch=self.stretch,
            keys=self.keys,
        )


def _flat(t: Floats, start: float, stop: float, a: float, b: float) -> Floats:
    u = np.clip((t - start) / (stop - start), 0, 1)
    return a + (b - a) * u * u * (3 - 2 * u)


def sound(random: Random, *, fine: bool = False) -> Parts:
    """A sound jump. Fine: with many frames in every phase, so that no fault is rounded away."""
    while True:
        height = float(np.exp(random.uniform(np.log(0.3), np.log(1.5))))
        jump = plan(
            jump_height=height,
            magnification=float(random.uniform(1.0, 2.0 if fine else 5.0)),
            frame_rate=60 if fine else int(random.choice([24, 25, 30, 60])),
            landing_level=float(random.uniform(-0.5, 0.3) * height) * (random.random() < 0.4),
            travel=float(random.uniform(0.5, 2.5)),
            keep="gravity",
        )
        if jump.push_height < 0.75 and jump.absorb_height < 0.75:
            break
    fps = float(jump.frame_rate)
    return Parts(
        fps=fps,
        push=jump.frames.push,
        absorb=jump.frames.absorb,
        rise=jump.takeoff_speed / jump.gravity * fps,
        air=jump.frames.air,
        push_height=jump.push_height,
        speed=jump.takeoff_speed / fps,
        level=jump.landing_level,
        depth=jump.absorb_height,
        travel=jump.travel,
        gravity=jump.gravity,
        hold=int(random.integers(0, 6)) if random.random() < 0.5 else 0,
    )


def shot(parts: Parts) -> Shot:
    """The jump on frames: COG, feet that leave with it and come back, legs, keys."""
    t = parts.frames()
    pace = parts.travel / parts.air
    s = t - parts.takeoff
    gain = parts.push / 2
    lose = parts.absorb / 2
    before = np.clip(s + parts.push, 0, parts.push)
    x = np.where(s < 0, before**2 / (2 * parts.push) - gain, s) * pace
    after = np.clip(s - parts.air, 0, parts.absorb)
    slowing = parts.air + after - after**2 / (4 * lose)
    x = np.where(s > parts.air, slowing * pace, x)
    z = parts.heights(t) + STAND
    cog = np.stack([x, 0 * x, z], axis=-1)
    leave = parts.takeoff + parts.leave
    clear = (t > leave) & (t < parts.land)
    u = np.clip((t - leave) / (parts.land - leave), 0, 1)
    floor = float(parts.heights(np.array([parts.land]))[0])
    spots = []
    for side in (-0.1, 0.1):
        place = np.where(
            (t >= parts.land)[:, None], [parts.travel, 0, floor], np.array([0.0, 0, 0])
        )
        lift = STAND - 0.15 * np.sin(np.pi * u)
        from_body = cog - np.stack([0 * u, 0 * u, np.minimum(lift, z)], axis=-1)
        if parts.leave != 0:
            # Feet that leave early or late do so with the body's way from there on.
            start = float(np.interp(leave, t, z))
            own = np.maximum(z - start + 0.02, 0.02) * np.minimum(1, (parts.land - t) / 3)
            from_body[:, 2] = own + floor * u
        place = np.where(clear[:, None], from_body, place)
        spots.append(place + np.array([0.0, side, 0.0]))
    soles = np.array(spots)
    stretch = np.hypot(cog[:, 0] - soles[0, :, 0], cog[:, 2] - soles[0, :, 2]) / STAND
    stretch = np.tile(np.where(clear, 0.97, np.minimum(stretch, 0.999)), (2, 1))
    top = parts.takeoff + round(parts.rise)
    keys = [t[0], parts.takeoff - parts.push, parts.takeoff, top, parts.land, parts.low, t[-1]]
    return Shot(parts, t, cog, soles, stretch, np.unique(keys))


def _twice(name: str) -> float:
    """A ratio twice as far from 1 as its threshold."""
    value = THRESHOLDS[name].value
    return 1 + 2 * (value - 1)


def _push(random: Random, name: str) -> Shot:
    while True:
        parts = sound(random, fine=True)
        fits = 2 * parts.push_height / parts.speed
        count = round(fits / _twice(name))
        if count >= 6:
            break
    shape = parts.speed * count / (2 * parts.push_height)
    return shot(replace(parts, push=count, push_shape=shape))


def _gains(random: Random) -> Shot:
    while True:
        parts = sound(random, fine=True)
        early = 2 * THRESHOLDS["gains_after_takeoff"].value * parts.push
        if early >= 2:
            return shot(replace(parts, leave=-float(np.ceil(early)) - 1))


def _slows(random: Random) -> Shot:
    parts = sound(random, fine=True)
    late = 2 * THRESHOLDS["slows_before_takeoff"].value * parts.rise
    return shot(replace(parts, leave=float(np.ceil(late))))


def _eases(random: Random) -> Shot:
    """The fall loses twice the threshold of its speed over its last quarter."""
    parts = sound(random, fine=True)
    g, v = parts.gravity / parts.fps**2, parts.speed
    lost = 2 * THRESHOLDS["eases_into_landing"].value
    turn = parts.air - 0.25 * (parts.air - parts.rise)
    fall = g * turn - v
    left = float(v * turn - g * turn**2 / 2 - (v * parts.air - g * parts.air**2 / 2))
    more = round(left / (fall * (1 - lost / 2)))

    def heights(s: Floats) -> Floats:
        arc = v * s - g * s**2 / 2
        d = s - turn
        slow = v * turn - g * turn**2 / 2 - fall * d + lost * fall * d**2 / (2 * more)
        return np.where(s <= turn, arc, slow)

    air = float(np.rint(turn)) + more
    return shot(replace(parts, air=air, air_heights=heights))


def _hangs(random: Random) -> Shot:
    parts = sound(random, fine=True)
    share = 2 * THRESHOLDS["hangs"].value
    return _styled(parts, hang=float(np.ceil(parts.air * share / (1 - share))))


def _styled(parts: Parts, *, fall: float = 1.0, hang: float = 0.0) -> Shot:
    fps = parts.fps
    rise = parts.rise / fps
    high = parts.gravity * rise**2 / 2
    drop = high - parts.level
    air = rise * (1 + np.sqrt(drop / high / fall)) + hang / fps
    air = round(air * fps) / fps
    made = styled_air(
        Style(fall=fall, hang=hang), jump_height=high, fall_height=drop, air=air, hang=hang / fps
    )

    def heights(s: Floats) -> Floats:
        return made.path.at(s / fps).position[:, 0]

    speed = float(made.path.velocity[0, 0]) / fps
    push = max(round(2 * parts.push_height / speed), 1)
    return shot(
        replace(
            parts,
            air=air * fps,
            air_heights=heights,
            push=push,
            speed=speed,
            rise=made.rise * fps,
            push_shape=speed * push / (2 * parts.push_height),
        )
    )


def _bump(
    random: Random, made: Shot, axis: int, measured: Callable[[Shot], float], aim: float
) -> Shot:
    """Push the COG in the air off along `axis` until `measured` is `aim`."""
    parts = made.parts
    middle = random.uniform(0.3, 0.7)
    u = (made.t - parts.takeoff) / parts.air
    width = random.uniform(0.1, 0.2)
    shape = np.exp(-(((u - middle) / width) ** 2)) * np.clip(10 * u * (1 - u), 0, 1)
    shape = np.where((u > 0) & (u < 1), shape, 0)
    size, sign = aim, random.choice([-1.0, 1.0])
    for _ in range(20):
        cog = made.cog.copy()
        cog[:, axis] += sign * size * shape
        trial = replace(made, cog=cog)
        got = measured(trial)
        size *= aim / max(got, 1e-9)
    return trial


def _off_arc(random: Random) -> Shot:
    made = shot(sound(random, fine=True))
    parts = made.parts
    rise = parts.speed * parts.rise / 2
    aim = 2 * max(
        THRESHOLDS["off_arc"].value * max(rise, rise - parts.level),
        THRESHOLDS["off_arc_least"].value * STAND,
    )
    return _bump(random, made, 2, lambda m: _residual(m, 2, 2), aim)


def _uneven(random: Random) -> Shot:
    made = shot(sound(random))
    aim = 2 * max(
        THRESHOLDS["travel_uneven"].value * made.parts.travel,
        THRESHOLDS["travel_uneven_least"].value * STAND,
    )
    return _bump(random, made, 0, lambda m: _residual(m, 0, 1), aim)


def _residual(made: Shot, axis: int, degree: int) -> float:
    """Largest distance in the air from the nearest polynomial."""
    t, parts = made.t, made.parts
    air = (t >= parts.takeoff) & (t <= parts.land)
    curve = np.polynomial.Polynomial.fit(t[air], made.cog[air, axis], degree)
    return float(np.abs(made.cog[air, axis] - curve(t[air])).max())


def _step(random: Random) -> Shot:
    while True:
        parts = sound(random, fine=True)
        slow = 1 - 2 * THRESHOLDS["speed_step"].value
        count = round(2 * parts.push_height / (slow * parts.speed))
        if count >= 5:
            return shot(replace(parts, push=count))


def _gravity(random: Random) -> Shot:
    """Slower or faster by twice the threshold: the whole jump stretched in time."""
    parts = sound(random, fine=True)
    ratio = _twice_gravity(random)
    k = np.sqrt(ratio)
    return shot(
        replace(
            parts,
            fps=parts.fps * k,
            gravity=parts.gravity * ratio,
        )
    )


def _twice_gravity(random: Random) -> float:
    return float(1 + 2 * THRESHOLDS["gravity"].value) ** float(random.choice([-1, 1]))


def _absorb(random: Random, name: str) -> Shot:
    value = THRESHOLDS[name].value
    ratio = 1 - 2 * (1 - value) if value < 1 else 1 + 2 * (value - 1)
    ratio = max(ratio, value / 2)
    while True:
        parts = sound(random, fine=True)
        # What answers the push is no deeper than the push.
        fits = min(parts.push_height, parts.depth)
        count = max(round(parts.absorb * ratio), 1)
        if count >= 3 and (ratio < 1 or fits * ratio < 2):
            break
    return shot(replace(parts, depth=fits * ratio, absorb=count))


def _slide(random: Random) -> Shot:
    made = shot(sound(random, fine=True))
    far = 2 * THRESHOLDS["foot_slides"].value * 2
    parts, soles = made.parts, made.soles.copy()
    sole = int(random.integers(2))
    slid = _flat(made.t, parts.takeoff - parts.push, parts.takeoff, -far, 0.0)
    soles[sole, :, 1] += np.where(made.t <= parts.takeoff, slid, 0)
    return replace(made, soles=soles)


def _below(random: Random) -> Shot:
    made = shot(sound(random))
    soles, parts = made.soles.copy(), made.parts
    sole = int(random.integers(2))
    at = parts.takeoff - parts.push if random.random() < 0.5 else parts.low
    soles[sole, np.abs(made.t - at) < 0.5, 2] -= 2 * THRESHOLDS["foot_below_floor"].value
    return replace(made, soles=soles)


def _long(random: Random) -> Shot:
    made = shot(sound(random))
    stretch, parts = made.stretch.copy(), made.parts
    at = random.choice([parts.takeoff - parts.push, parts.takeoff, parts.land, parts.low])
    stretch[int(random.integers(2)), np.abs(made.t - at) < 0.5] = (
        1 + 2 * THRESHOLDS["leg_too_long"].value
    )
    return replace(made, stretch=stretch)


def _bent(random: Random) -> Shot:
    made = shot(sound(random))
    stretch, parts = made.stretch.copy(), made.parts
    stretch[:, made.t <= parts.takeoff] -= 2 * THRESHOLDS["takeoff_bent"].value
    return replace(made, stretch=stretch)


def _unkeyed(random: Random) -> Shot:
    made = shot(sound(random, fine=True))
    at = made.parts.takeoff if random.random() < 0.5 else made.parts.land
    away = 2 * THRESHOLDS["no_key_on_contact"].value
    keys = made.keys[np.abs(made.keys - at) > 1]
    return replace(made, keys=np.sort([*keys, at - away, at + away + 1]))


def _between(random: Random) -> Shot:
    made = shot(sound(random))
    keys = made.keys.copy()
    away = 2 * THRESHOLDS["key_between_frames"].value
    keys[int(random.integers(1, 6))] += away * random.choice([-1.0, 1.0])
    return replace(made, keys=keys)


def _hovers(random: Random) -> Shot:
    """Legs straighten, the feet are drawn up, and the body waits in the air for the engine."""
    parts = sound(random, fine=True)
    air = float(random.integers(30, 80))
    high, ends = 0.12, random.integers(5, 9)
    crouch = -parts.push_height

    def heights(s: Floats) -> Floats:
        return _flat(s, 0, ends, 0, high) + _flat(s, air - ends, air, 0, crouch / 2 - high)

    made = shot(replace(parts, air=air, rise=air / 2, air_heights=heights, travel=0.001))
    t, soles = made.t, made.soles.copy()
    up = _flat(t, parts.takeoff, parts.takeoff + ends, 0, 0.3) - _flat(
        t, parts.takeoff + air - ends, parts.takeoff + air, 0, 0.3
    )
    soles[:, :, 2] = np.where((t > parts.takeoff) & (t < parts.takeoff + air), up, 0)
    return replace(made, soles=soles)


SEEDS: dict[str, Callable[[Random], Shot]] = {
    "push_long": lambda r: _push(r, "push_long"),
    "push_short": lambda r: _push(r, "push_short"),
    "slows_before_takeoff": _slows,
    "gains_after_takeoff": _gains,
    "eases_into_landing": _eases,
    "falls_faster": lambda r: _styled(sound(r, fine=True), fall=_twice("falls_faster")),
    "falls_slower": lambda r: _styled(sound(r, fine=True), fall=1 / _twice("falls_slower")),
    "hangs": _hangs,
    "off_arc": _off_arc,
    "speed_step": _step,
    "travel_uneven": _uneven,
    "gravity": _gravity,
    "absorb_stiff": lambda r: _absorb(r, "absorb_stiff"),
    "absorb_soft": lambda r: _absorb(r, "absorb_soft"),
    "foot_slides": _slide,
    "foot_below_floor": _below,
    "leg_too_long": _long,
    "takeoff_bent": _bent,
    "no_key_on_contact": _unkeyed,
    "key_between_frames": _between,
    "in_place": _hovers,
}


@dataclass(frozen=True)
class Row:
    """What became of one kind."""

    kind: str
    seeded: int
    found: int
    beside: tuple[tuple[str, int], ...]

    @property
    def share(self) -> float:
        """Part that was found and named right."""
        return self.found / self.seeded


def seeded(kind: str, *, count: int = 50, seed: int = 0) -> Row:
    """Seed one kind of fault into `count` random jumps and check them."""
    random = np.random.default_rng([seed, list(SEEDS).index(kind)])
    found, beside = 0, Counter[str]()
    for _ in range(count):
        named = _check(SEEDS[kind](random))
        found += kind in named
        beside.update(named - {kind})
    return Row(kind, count, found, tuple(beside.most_common()))


def false_alarms(*, count: int = 300, seed: int = 0) -> Row:
    """Check sound jumps; what is found is false."""
    random = np.random.default_rng([seed, 1000])
    found, beside = 0, Counter[str]()
    for i in range(count):
        named = _check(shot(sound(random, fine=i % 2 == 0)))
        found += bool(named)
        beside.update(named)
    return Row("sound", count, found, tuple(beside.most_common()))


def _check(made: Shot) -> set[str]:
    track = made.track()
    jumps = find(track)
    if len(jumps) != 1:
        return {f"{len(jumps)} jumps"}
    return {finding.id for finding in check(jumps, track)}


def table(*, count: int = 50, seed: int = 0) -> Iterator[Row]:
    """All kinds, and last the sound jumps; each as soon as it is known."""
    for kind in SEEDS:
        yield seeded(kind, count=count, seed=seed)
    yield false_alarms(count=6 * count, seed=seed)


def main(words: list[str]) -> int:
    """Print the table."""
    count, seed = (int(w) for w in [*words, *("50", "0")[len(words) :]][:2])
    bad = False
    print(f"{'finding':42} {'found':>9}  named beside it")
    for row in table(count=count, seed=seed):
        name = FINDINGS.get(row.kind, "false alarms on sound jumps")
        beside = ", ".join(f"{kind} {n}" for kind, n in row.beside)
        print(f"{name:42} {row.found:4}/{row.seeded:<4}  {beside}", flush=True)
        bad |= row.share > FALSE if row.kind == "sound" else row.share < FOUND
    return int(bad)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
