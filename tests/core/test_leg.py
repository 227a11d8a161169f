# SPDX-License-Identifier: GPL-3.0-or-later
"""Legs meet their targets, and bend as the pose does."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation

from leapwright.errors import InputError
from leapwright.leg import Bent, bend, smallest_rotation

X = np.array([1.0, 0.0, 0.0])


def poses(seed: int, count: int = 60) -> tuple[np.ndarray, ...]:
    """Random legs with targets within reach."""
    rng = np.random.default_rng(seed)
    hip = rng.normal(0, 5, (count, 3))
    thigh, shin = rng.normal(0, 1, (2, count, 3))
    a, b = np.linalg.norm(thigh, axis=1), np.linalg.norm(shin, axis=1)
    way = rng.normal(0, 1, (count, 3))
    way /= np.linalg.norm(way, axis=1)[:, None]
    far = rng.uniform(np.abs(a - b), a + b)
    return hip, hip + thigh, hip + thigh + shin, hip + way * far[:, None]


def ankles(bent: Bent, knee: np.ndarray, ankle: np.ndarray) -> np.ndarray:
    return bent.knee + np.einsum("fij,fj->fi", bent.shin, np.subtract(ankle, knee))


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000))
def test_targets_are_met_and_lengths_kept(seed: int) -> None:
    hip, knee, ankle, target = poses(seed)
    bent = bend(hip, knee, ankle, target, axis=X)
    assert np.abs(ankles(bent, knee, ankle) - target).max() < 1e-9
    assert np.abs(bent.short).max() < 1e-12
    for turn in (bent.thigh, bent.shin):
        assert np.abs(turn @ turn.transpose(0, 2, 1) - np.eye(3)).max() < 1e-12
        assert np.abs(np.linalg.det(turn) - 1).max() < 1e-12
    moved = np.einsum("fij,fj->fi", bent.thigh, knee - hip)
    assert np.abs(bent.knee - hip - moved).max() < 1e-12


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000))
def test_the_knee_bends_the_way_it_did(seed: int) -> None:
    hip, knee, ankle, target = poses(seed)
    was = np.cross(knee - hip, ankle - knee)
    was /= np.linalg.norm(was, axis=1)[:, None]
    bent = bend(hip, knee, ankle, target, axis=was)
    turned = np.einsum("fij,fj->fi", bent.thigh, was)
    now = np.cross(bent.knee - hip, target - bent.knee)
    # The same normal, carried by the thigh, and on the same side.
    size = np.linalg.norm(now, axis=1)
    assert np.abs(now - turned * size[:, None]).max() < 1e-7
    assert (np.einsum("fi,fi->f", now, turned) >= 0).all()
    # The shin turns about that normal alone, seen from the thigh.
    fold = Rotation.from_matrix(bent.thigh.transpose(0, 2, 1) @ bent.shin).as_rotvec()
    assert np.abs(np.cross(fold, was)).max() < 1e-9


def test_against_a_solver_that_knows_no_cosines() -> None:
    hip, knee, ankle, target = poses(3, 12)
    bent = bend(hip, knee, ankle, target, axis=X)
    for i in range(12):
        thigh, shin = knee[i] - hip[i], ankle[i] - knee[i]
        normal = np.cross(thigh, shin) / np.linalg.norm(np.cross(thigh, shin))
        now = np.arctan2(np.cross(thigh, shin) @ normal, thigh @ shin)
        wanted = np.linalg.norm(target[i] - hip[i])

        def folded(angle: float, shin: np.ndarray = shin, normal: Any = normal) -> Any:
            return Rotation.from_rotvec(angle * normal).apply(shin)

        turn = brentq(
            lambda angle, t=thigh, f=folded, w=wanted: np.linalg.norm(t + f(angle)) - w,
            -now,
            np.pi - now,
            xtol=1e-14,
        )
        u = thigh + folded(turn)
        aim = Rotation.align_vectors(
            [target[i] - hip[i], np.cross(u, target[i] - hip[i])],
            [u, np.cross(u, target[i] - hip[i])],
        )[0]
        assert np.abs(aim.as_matrix() - bent.thigh[i]).max() < 1e-7
        both = aim.as_matrix() @ Rotation.from_rotvec(turn * normal).as_matrix()
        assert np.abs(both - bent.shin[i]).max() < 1e-7


def test_legs_that_are_all_but_straight_or_folded_meet_their_targets_too() -> None:
    rng = np.random.default_rng(9)
    hip, knee, _, _ = poses(9, 400)
    thigh = knee - hip
    a = np.linalg.norm(thigh, axis=1)
    off = rng.normal(0, 1, (400, 3)) * 10 ** rng.uniform(-9, -1, (400, 1))
    shin = thigh * np.where(np.arange(400) % 4, 1, -1)[:, None] + off * a[:, None]
    target = hip + (poses(10, 400)[3] - poses(10, 400)[0])
    b = np.linalg.norm(shin, axis=1)
    far = rng.uniform(np.abs(a - b), a + b)
    target = hip + (target - hip) * (far / np.linalg.norm(target - hip, axis=1))[:, None]
    bent = bend(hip, knee, knee + shin, target, axis=rng.normal(0, 1, (400, 3)))
    assert np.abs(ankles(bent, knee, knee + shin) - target).max() < 1e-9
    for turn in (bent.thigh, bent.shin):
        assert np.abs(turn @ turn.transpose(0, 2, 1) - np.eye(3)).max() < 1e-12


def test_a_leg_on_its_target_does_not_turn() -> None:
    hip, knee, ankle, _ = poses(5)
    bent = bend(hip, knee, ankle, ankle, axis=X)
    assert np.array_equal(bent.shin, bent.thigh)
    assert np.abs(bent.thigh - np.eye(3)).max() < 1e-15
    assert np.abs(bent.short).max() < 1e-12


def test_out_of_reach_is_straight_aimed_and_said() -> None:
    hip, knee, ankle, target = poses(7)
    a, b = np.linalg.norm(knee - hip, axis=1), np.linalg.norm(ankle - knee, axis=1)
    way = (target - hip) / np.linalg.norm(target - hip, axis=1)[:, None]
    bent = bend(hip, knee, ankle, hip + way * (a + b + 0.3)[:, None], axis=X)
    assert np.abs(bent.short - 0.3).max() < 1e-12
    assert np.abs(ankles(bent, knee, ankle) - (hip + way * (a + b)[:, None])).max() < 1e-7
    near = np.abs(a - b)
    bent = bend(hip, knee, ankle, hip + way * (near * 0.25)[:, None], axis=X)
    assert np.abs(bent.short + near * 0.75).max() < 1e-12
    assert np.abs(ankles(bent, knee, ankle) - (hip + way * near[:, None])).max() < 1e-7


@pytest.mark.parametrize("axis", [X, -X, [0.3, 0.4, 5.0]])
def test_straight_legs_bend_about_the_axis(axis: Any) -> None:
    hip, knee, ankle = [0, 0, 2.0], [0, 0, 1.0], [0, 0, 0.0]
    bent = bend(hip, knee, ankle, [[0, 0, 0.8]], axis=axis)
    assert np.abs(ankles(bent, np.array([knee]), np.array([ankle])) - [0, 0, 0.8]).max() < 1e-12
    normal = np.cross(bent.knee[0] - hip, [0, 0, 0.8] - bent.knee[0])
    square = np.array([axis[0], axis[1], 0.0])
    assert normal @ square == pytest.approx(np.linalg.norm(normal) * np.linalg.norm(square))


@pytest.mark.parametrize(("degrees", "side"), [(2.0, 1), (-2.0, 1), (10.0, 1), (-10.0, -1)])
def test_a_leg_posed_a_little_too_straight_bends_the_right_way(degrees: float, side: int) -> None:
    knee = np.array([0, 0, 1.0])
    ankle = knee + Rotation.from_rotvec(np.radians(degrees) * X).apply([0, 0, -1])
    bent = bend([0, 0, 2], knee, ankle, [0, 0, 0.8], axis=X)
    assert np.abs(ankles(bent, knee[None], ankle[None]) - [0, 0, 0.8]).max() < 1e-12
    assert np.sign(np.cross(bent.knee[0] - [0, 0, 2], [0, 0, 0.8] - bent.knee[0])[0]) == side


@pytest.mark.parametrize(
    ("knee", "ankle", "target"),
    [
        ([0, 0, 1], [0, 0, 0], [0, 0, 4]),  # straight, and the target right behind the hip
        ([0, 0, 1], [0, 0, 2], [0, 0, 0.5]),  # folded upon itself
        ([0, 0, 1], [0, 0, 2], [0, 0, 2]),  # the target on the hip
        ([0, 0, 1], [0, 0, 2], [0, 1, 2]),  # ankle on the hip
        ([0, -0.5, 1], [0, 0, 0], [0, 0, 2]),
        ([0, -0.5, 1], [0, 0, 0], [0, 0, 3.9]),
        ([0, 1e-9, 1], [0, 0, 0], [0, 0, 1]),
        ([0, 0, 1], [0, 0, 0.5], [0, 0, 2]),
    ],
)
@pytest.mark.parametrize("axis", [X, [0, 0, 1.0], [0, 1, -1.0]])
def test_degenerate_legs_give_numbers_and_the_nearest_place(
    knee: Any, ankle: Any, target: Any, axis: Any
) -> None:
    hip = np.array([0, 0, 2.0])
    bent = bend(hip, knee, ankle, target, axis=axis)
    for turn in (bent.thigh[0], bent.shin[0]):
        assert np.abs(turn @ turn.T - np.eye(3)).max() < 1e-12
    ends = ankles(bent, np.array([knee]), np.array([ankle]))
    miss = np.linalg.norm(ends - target, axis=1)
    assert miss == pytest.approx(np.abs(bent.short), abs=1e-7)


def test_a_moving_target_moves_the_leg_without_a_jump() -> None:
    t = np.linspace(0, 2 * np.pi, 2001)
    target = np.stack([0.3 * np.sin(t), 0.8 * np.cos(2 * t), 0.5 + 0.8 * np.sin(3 * t)], axis=1)
    hip, knee, ankle = [0, 0, 2.0], [0, -0.3, 1.0], [0, 0, 0.0]
    bent = bend(hip, knee, ankle, target, axis=X)
    met = bent.short == 0
    assert met.any()
    assert (~met).any()
    step = np.linalg.norm(np.diff(target, axis=0), axis=1)
    for turn in (bent.thigh, bent.shin):
        angle = Rotation.from_matrix(turn[1:] @ turn[:-1].transpose(0, 2, 1)).magnitude()
        # The knee's angle has a square root where the leg comes to be straight.
        assert (angle < 40 * step + 0.08).all()


def test_opposite_directions_turn_about_the_spare_axis() -> None:
    u = np.array([[0, 0, 2.0], [3.0, 4.0, 0]])
    turn = smallest_rotation(u, -u, spare=np.array([[1.0, 0, 0], [0, 0, 1.0]]))
    assert np.abs(np.einsum("fij,fj->fi", turn, u) + u).max() < 1e-12
    assert turn[0] @ [1, 0, 0] == pytest.approx([1, 0, 0])
    assert turn[1] @ [0, 0, 1] == pytest.approx([0, 0, 1])


@pytest.mark.parametrize(
    ("argument", "wrong"),
    [
        ("hip", {"hip": [[0, 0]]}),
        ("target", {"target": [0, 0, np.nan]}),
        ("knee", {"knee": [0, 0, 2]}),
        ("ankle", {"ankle": [0, 0, 1]}),
        ("axis", {"axis": [0, 0, 0]}),
        ("hip", {"target": np.zeros((3, 3)), "ankle": -np.ones((2, 3))}),
    ],
)
def test_the_door(argument: str, wrong: dict[str, Any]) -> None:
    asked: dict[str, Any] = {"hip": [0, 0, 2], "knee": [0, 0, 1], "ankle": [0, 0, 0]}
    asked |= {"target": [0, 0, 1], "axis": X} | wrong
    with pytest.raises(InputError, match=f"`{argument}`") as caught:
        bend(asked["hip"], asked["knee"], asked["ankle"], asked["target"], axis=asked["axis"])
    assert caught.value.argument == argument
