# SPDX-License-Identifier: GPL-3.0-or-later
"""Names: namespaces, sides, roles, patterns."""

import doctest

import pytest

from leapwright import naming


def test_examples_run() -> None:
    failed, tried = doctest.testmod(naming)
    assert failed == 0
    assert tried >= 10


def test_everything_public_is_listed() -> None:
    public = {n for n, v in vars(naming).items() if callable(v) and v.__module__ == naming.__name__}
    assert {n for n in public if not n.startswith("_")} | {"ROLES"} == set(naming.__all__)


@pytest.mark.parametrize(
    "name",
    ["cog", "COG_ctrl", "Hare01:body_CTRL", "torso", "hips", "Pelvis", "center", "centre",
     "centre_of_gravity", "CenterOfGravity", "main_body", "waist", "c_cog.x", "CTRL_body_01"],
)  # fmt: skip
def test_cog_names(name: str) -> None:
    place = naming.rank(name, "cog")
    assert place is not None
    assert place < len(naming.ROLES["cog"])


@pytest.mark.parametrize("name", ["root", "Master", "MAIN_CTRL", "global", "traj", "x:y:Root.x"])
def test_root_names(name: str) -> None:
    place = naming.rank(name, "root")
    assert place is not None
    assert place < len(naming.ROLES["root"])


@pytest.mark.parametrize("name", ["hand.L", "ear.R", "eye", "satchel", ""])
def test_other_names_have_no_rank_as_cog_or_root(name: str) -> None:
    assert naming.rank(name, "cog") is None
    assert naming.rank(name, "root") is None


@pytest.mark.parametrize(
    ("left", "right"),
    [("foot.L", "foot.R"), ("foot_l", "foot_r"), ("LeftFoot", "RightFoot"), ("L_foot", "R_foot"),
     ("ns:lf_paw", "ns:rt_paw"), ("foot_ik.L.001", "foot_ik.R.001")],
)  # fmt: skip
def test_sides(left: str, right: str) -> None:
    assert (naming.side(left), naming.side(right)) == ("L", "R")


def test_a_name_with_both_sides_has_none() -> None:
    assert naming.side("left_right_swap") == ""


@pytest.mark.parametrize("name", ["forefoot_ik.L", "foot.R", "front_foot_ik.L", "forehoof", "toe"])
def test_foot_names(name: str) -> None:
    assert naming.rank(name, "foot") is not None


def test_equal_name_wins_over_pattern() -> None:
    assert naming.matching("foot.L", ["Hare:foot.L", "foot.L"]) == ("foot.L",)
    assert naming.matching("foot.L", ["A:foot.L", "B:foot.L"]) == ("A:foot.L", "B:foot.L")
    assert naming.matching("ear*", ["foot.L"]) == ()


def test_never_needs_both_halves() -> None:
    assert naming.is_never(["a/b/scale"], "a/b", "scale")
    assert not naming.is_never(["root/scale"], "body", "scale")
    assert not naming.is_never([], "root", "scale")


def test_close_names_keep_the_true_spelling() -> None:
    names = ["Hare01:body_CTRL", "Hare01:root_CTRL", "Hare01:foot_CTRL.L"]
    assert naming.close_names("body_ctl", names)[0] == "Hare01:body_CTRL"
    assert naming.close_names("zzzz", names) == ()


def test_never_takes_names_with_slashes_and_brackets_letter_by_letter():
    assert naming.is_never(["root/my/prop"], "root", "my/prop")
    assert naming.is_never(["a/b/scale"], "a/b", "scale")
    assert naming.is_never(["a/b"], "a/b", "location")
    assert naming.is_never(["root/lamp[0]"], "root", "lamp[0]")
    assert not naming.is_never(["root/my/prop"], "root", "prop")
