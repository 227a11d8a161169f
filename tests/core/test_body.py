# SPDX-License-Identifier: GPL-3.0-or-later
"""The mass table against itself and against measured people; bones recognised; what is missing."""

from __future__ import annotations

import numpy as np
import pytest

from leapwright.body import DE_LEVA, SEXES, body_cog, find_body, segment_cog
from leapwright.errors import InputError, NotFoundError

TWICE = ("upper arm", "forearm", "hand", "thigh", "shank", "foot")
ONE_OF = (
    "head (vertex to C7)",
    "upper arm (shoulder to elbow)",
    "forearm (elbow to wrist)",
    "hand (wrist to 3rd knuckle)",
    "thigh (hip to knee)",
    "shank (knee to ankle)",
    "foot (heel to toe tip)",
)
# Of the people measured, mm.
STATURE = {"male": 1741.0, "female": 1735.0, "mean": 1738.0}


def row(sex, start):
    return next(r for name, r in DE_LEVA[sex].items() if name.startswith(start))


def mass_of(sex, name):
    return DE_LEVA[sex][name].mass * (2 if name.startswith(TWICE) else 1)


@pytest.mark.parametrize(("sex", "total"), [("male", 100.0), ("female", 99.99)])
def test_masses_add_up(sex, total):
    trunk = DE_LEVA[sex]["trunk (C7 to mid-hip)"].mass
    whole = sum(mass_of(sex, name) for name in ONE_OF)
    assert whole + trunk == pytest.approx(total, abs=1e-9)
    parts = [row(sex, f"{part} trunk").mass for part in ("upper", "middle", "lower")]
    assert sum(parts) == pytest.approx(trunk, abs=1e-9)


@pytest.mark.parametrize("sex", ["male", "female"])
@pytest.mark.parametrize(
    ("names", "from_the_far_end"),
    [
        (("head (vertex to mid-gonion)", "head (vertex to C7)"), False),
        (("trunk (mid-shoulder to mid-hip)", "trunk (C7 to mid-hip)"), True),
        (("hand (wrist to 3rd knuckle)", "hand (wrist to 3rd fingertip)"), False),
        (("shank (knee to ankle)", "shank (knee to lateral malleolus)"), False),
    ],
)
def test_one_centre_whichever_the_ends(sex, names, from_the_far_end):
    """Two rows of the paper for one segment name one place: lengths and centres agree, in mm."""
    rows = [DE_LEVA[sex][name] for name in names]
    parts = [r.centre / 100 for r in rows]
    places = [
        r.length * (1 - p if from_the_far_end else p) for r, p in zip(rows, parts, strict=True)
    ]
    assert places[0] == pytest.approx(places[1], abs=0.1)


@pytest.mark.parametrize("sex", ["male", "female"])
def test_trunk_lengths_add_up(sex):
    parts = [row(sex, f"{part} trunk").length for part in ("upper", "middle", "lower")]
    assert sum(parts) == pytest.approx(DE_LEVA[sex]["trunk (C7 to mid-hip)"].length, abs=0.1)


# --- Standing people ---------------------------------------------------------------------------


def standing(sex, *, overhead=False, spine=False):
    """Joints of a person of the table's lengths, in mm, and the height of the vertex."""
    table = DE_LEVA[sex]
    above = ("shank (knee to ankle)", "thigh (hip to knee)", "trunk (C7 to mid-hip)", ONE_OF[0])
    # The table has no height of the ankle: the figure is as tall as the people were.
    ankle = STATURE[sex] - sum(table[name].length for name in above)
    knee = ankle + table["shank (knee to ankle)"].length
    hip = knee + table["thigh (hip to knee)"].length
    shoulder = hip + table["trunk (mid-shoulder to mid-hip)"].length
    neck = hip + table["trunk (C7 to mid-hip)"].length
    top = neck + table["head (vertex to C7)"].length
    way = 1.0 if overhead else -1.0
    elbow = shoulder + way * table["upper arm (shoulder to elbow)"].length
    wrist = elbow + way * table["forearm (elbow to wrist)"].length
    tip = wrist + way * table["hand (wrist to 3rd fingertip)"].length
    joints = {"Hips": (0, 0, hip), "Neck": (0, 0, neck), "Head": (0, 0, neck + 80)}
    tails = {"Head": (0, 0, top)}
    for side, x in (("Left", 1), ("Right", -1)):
        joints |= {
            f"{side}UpLeg": (90 * x, 0, hip),
            f"{side}Leg": (90 * x, 0, knee),
            f"{side}Foot": (90 * x, 0, ankle),
            f"{side}ToeBase": (90 * x, -125, 0),
            f"{side}Arm": (180 * x, 0, shoulder),
            f"{side}ForeArm": (180 * x, 0, elbow),
            f"{side}Hand": (180 * x, 0, wrist),
        }
        tails[f"{side}Hand"] = (180 * x, 0, tip)
    if spine:
        joints |= {f"Spine{i}": (0, 0, hip + i * (shoulder - hip) / 4) for i in (1, 2, 3)}
    return _frames(joints), _frames(tails), top


def _frames(places):
    return {name: np.array([at], dtype=float) for name, at in places.items()}


@pytest.mark.parametrize("sex", SEXES)
def test_standing_and_overhead_are_where_they_were_measured(sex):
    """One person of 72.2 in, measured: 0.554 standing, 0.586 arms overhead (Table A.2.1 of "Human
    Body Dynamics")."""
    for overhead, measured in ((False, 0.554), (True, 0.586)):
        joints, tails, top = standing(sex, overhead=overhead)
        track = segment_cog(joints, tails=tails, sex=sex)
        assert track.coverage == pytest.approx(1.0)
        assert track.missing == ()
        assert track.cog[0, 2] / top == pytest.approx(measured, abs=0.01)


@pytest.mark.parametrize("overhead", [False, True])
def test_another_table_agrees(overhead):
    """D. A. Winter's table after Dempster, summed here by hand: an oracle without our code."""
    winter = [
        ("Hand", "tip", 0.006, 0.506),
        ("ForeArm", "Hand", 0.016, 0.430),
        ("Arm", "ForeArm", 0.028, 0.436),
        ("Leg", "Foot", 0.0465, 0.433),
        ("UpLeg", "Leg", 0.100, 0.433),
    ]
    joints, tails, top = standing("male", overhead=overhead)
    z = {name.removeprefix("Left"): at[0, 2] for name, at in joints.items()}
    z["tip"] = tails["LeftHand"][0, 2]
    # The hand's row ends at the knuckle.
    z["tip"] = z["Hand"] + (z["tip"] - z["Hand"]) * 86.2 / 187.9
    total = sum(2 * m * (z[a] + p * (z[b] - z[a])) for a, b, m, p in winter)
    total += 2 * 0.0145 * 0.5 * (z["Foot"] + z["ToeBase"])
    total += 0.497 * 0.5 * (z["Arm"] + z["UpLeg"]) + 0.081 * z["Neck"]
    ours = segment_cog(joints, tails=tails, sex="male").cog[0, 2]
    assert ours / top == pytest.approx(total / top, abs=0.02)


def test_raising_the_arms_raises_the_cog_by_their_moment():
    down, tails, _ = standing("male")
    up, tails_up, _ = standing("male", overhead=True)
    rise = (
        segment_cog(up, tails=tails_up, sex="male").cog
        - segment_cog(down, tails=tails, sex="male").cog
    )
    table = DE_LEVA["male"]
    arm, fore, hand = (row("male", n) for n in ("upper arm", "forearm", "hand (wrist to 3rd f"))
    reach = [
        arm.length * arm.centre / 100,
        arm.length + fore.length * fore.centre / 100,
        arm.length + fore.length + hand.length * hand.centre / 100,
    ]
    masses = [table["upper arm (shoulder to elbow)"].mass, fore.mass, hand.mass]
    want = 2 * 2 * np.dot(reach, masses) / 100
    assert rise == pytest.approx(np.array([[0, 0, want]]), abs=1e-9)


# --- Recognising -------------------------------------------------------------------------------

STYLES = {
    "plain": lambda n: n,
    "namespace": lambda n: f"Courier:{n}",
    "game": lambda n: _styled(
        n, "{part}_{s}", UpLeg="thigh", Leg="calf", Foot="foot", ToeBase="ball",
        Arm="upperarm", ForeArm="lowerarm", Hand="hand", Hips="pelvis", Neck="neck_01",
        Head="head",
    ),
    "dotted": lambda n: _styled(
        n, "{part}.{S}", UpLeg="thigh", Leg="shin", Foot="foot", ToeBase="toe",
        Arm="upper_arm", ForeArm="forearm", Hand="hand", Hips="hips", Neck="neck", Head="head",
    ),
    "by joints": lambda n: _styled(
        n, "{Side}{part}", UpLeg="Hip", Leg="Knee", Foot="Ankle", ToeBase="Toe",
        Arm="Shoulder", ForeArm="Elbow", Hand="Wrist", Hips="Hips", Neck="Neck", Head="Head",
    ),
    "short": lambda n: _styled(
        n, "{s}{part}", UpLeg="Thigh", Leg="Shin", Foot="Foot", ToeBase="Toe", Arm="Shldr",
        ForeArm="ForeArm", Hand="Hand", Hips="hip", Neck="neck", Head="head",
    ),
}  # fmt: skip


def _styled(name, pattern, **parts):
    side = next((s for s in ("Left", "Right") if name.startswith(s)), "")
    part = parts[name.removeprefix(side)]
    if not side:
        return part
    return pattern.format(part=part, Side=side, S=side[0], s=side[0].lower())


def _parents(joints):
    above = {"ToeBase": "Foot", "Foot": "Leg", "Leg": "UpLeg", "Hand": "ForeArm", "ForeArm": "Arm"}
    found = {}
    for name in joints:
        side = next((s for s in ("Left", "Right") if name.startswith(s)), "")
        part = name.removeprefix(side)
        found[name] = side + above[part] if part in above else "Hips"
    return {**found, "Hips": None, "Head": "Neck"}


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("with_parents", [True, False])
def test_naming_styles_give_the_same_cog(style, with_parents):
    joints, tails, _ = standing("female")
    parents = _parents(joints)
    want = segment_cog(joints, tails=tails, sex="female").cog
    call = STYLES[style]
    named = {call(n): at for n, at in joints.items()}
    ends = {call(n): at for n, at in tails.items()}
    above = {call(n): p and call(p) for n, p in parents.items()} if with_parents else None
    track = segment_cog(named, parents=above, tails=ends, sex="female")
    assert track.coverage == pytest.approx(1.0)
    assert np.array_equal(track.cog, want)


def test_helper_bones_are_passed_over():
    joints, tails, _ = standing("male")
    want = segment_cog(joints, tails=tails).cog
    odd = np.array([[500.0, 500.0, 500.0]])
    helpers = (
        "LeftArmTwist", "LeftArm_roll", "LeftHand_ik", "LeftFoot_target", "LeftHandIndex1",
        "LeftHandThumb1", "LeftLegPole", "LeftEar", "Jaw", "Eye.L", "LeftShoulder",
    )  # fmt: skip
    both = {**dict.fromkeys(helpers, odd), **joints}
    assert np.array_equal(segment_cog(both, tails=tails).cog, want)


def test_a_spine_that_goes_on_is_neck_and_head():
    joints, _, top = standing("male", spine=True)
    neck, head = joints.pop("Neck"), joints.pop("Head")
    named = {**joints, "Spine4": neck, "Spine5": head}
    parents = {**_parents(joints), "Spine1": "Hips"}
    parents |= {f"Spine{i}": f"Spine{i - 1}" for i in (2, 3, 4, 5)}
    tails = {"Spine5": np.array([[0, 0, top]]), **standing("male")[1]}
    del tails["Head"]
    body = find_body(named, parents=parents, tails=tails, sex="male")
    assert (body.skeleton.roles["neck"], body.skeleton.roles["head"]) == ("Spine4", "Spine5")
    assert body.skeleton.spine == ("Spine1", "Spine2", "Spine3")
    joints2, tails2, _ = standing("male", spine=True)
    want = segment_cog(joints2, tails=tails2, sex="male").cog
    assert body_cog(body, named, tails=tails) == pytest.approx(want, abs=1e-9)


# --- Laws --------------------------------------------------------------------------------------


def posed(seed, frames=7):
    """A figure with all joints shaken, over frames."""
    rng = np.random.default_rng(seed)
    joints, tails, _ = standing("male", spine=True)
    shaken = {n: at + rng.normal(0, 30, (frames, 3)) for n, at in joints.items()}
    return shaken, {n: at + rng.normal(0, 30, (frames, 3)) for n, at in tails.items()}


@pytest.mark.parametrize("seed", range(10))
def test_turning_scaling_and_moving_the_body_does_so_to_the_cog(seed):
    joints, tails = posed(seed)
    rng = np.random.default_rng(seed + 100)
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    size, shift = rng.uniform(0.001, 10), rng.normal(0, 100, 3)

    def moved(places):
        return {n: size * at @ turn.T + shift for n, at in places.items()}

    want = size * segment_cog(joints, tails=tails).cog @ turn.T + shift
    got = segment_cog(moved(joints), tails=moved(tails)).cog
    assert got == pytest.approx(want, rel=1e-9, abs=1e-6 * size)


def test_weights_and_masses_add_up_to_one():
    joints, tails, _ = standing("female", spine=True)
    body = find_body(joints, tails=tails)
    assert sum(body.weights.values()) == pytest.approx(1.0, abs=1e-12)
    assert sum(body.masses.values()) == pytest.approx(1.0, abs=1e-12)
    assert all(sum(p.mix.values()) == pytest.approx(1.0, abs=1e-12) for p in body.points)


def test_joints_along_a_straight_trunk_change_nothing_and_a_bent_one_bends_the_mass():
    with_spine = standing("male", spine=True)
    without = standing("male")
    straight = segment_cog(with_spine[0], tails=with_spine[1], sex="male").cog
    plain = segment_cog(without[0], tails=without[1], sex="male").cog
    assert straight == pytest.approx(plain, abs=1e-9)
    bent = {n: at + np.array([0, 100 * (n == "Spine2"), 0]) for n, at in with_spine[0].items()}
    ahead = segment_cog(bent, tails=with_spine[1], sex="male").cog - straight
    # The middle trunk lies at the middle joint, near enough: 16.33 % of the body goes along.
    assert ahead[0, 1] == pytest.approx(100 * 0.1633, rel=0.1)


def test_person_is_told_from_other_builds():
    joints, tails, _ = standing("male")
    assert find_body(joints, tails=tails).human
    assert not find_body({**joints, "Tail": joints["Hips"]}, tails=tails).human
    hip = joints["LeftUpLeg"][0, 2]
    short = {n: at.copy() for n, at in joints.items()}
    for name in (n for n in joints if n.endswith(("tLeg", "Foot", "ToeBase"))):
        short[name][0, 2] = hip - 0.4 * (hip - joints[name][0, 2])
    assert not find_body(short, tails=tails).human
    long_head = {**tails, "Head": tails["Head"] + [0, 0, 200]}
    assert not find_body(joints, tails=long_head).human
    armless = {n: at for n, at in joints.items() if "Arm" not in n and "Hand" not in n}
    assert not find_body(armless, tails=tails).human


# --- What is missing -----------------------------------------------------------------------------


def test_missing_hands_are_named_and_hang_on_the_wrists():
    joints, tails, _ = standing("male")
    handless = {n: at for n, at in joints.items() if not n.endswith("Hand")}
    ends = {"Head": tails["Head"]} | {f"{s}ForeArm": joints[f"{s}Hand"] for s in ("Left", "Right")}
    track = segment_cog(handless, tails=ends, sex="male")
    assert track.coverage == pytest.approx(1 - 2 * 0.0061)
    assert track.missing == (
        "left hand (0.6 %): its mass is at the left wrist",
        "right hand (0.6 %): its mass is at the right wrist",
    )
    drop = 0.3624 * 187.9 * 2 * 0.0061
    full = segment_cog(joints, tails=tails, sex="male").cog
    assert track.cog - full == pytest.approx(np.array([[0, 0, drop]]), abs=1e-9)


def test_a_missing_elbow_is_assumed_on_a_straight_arm():
    joints, tails, _ = standing("male")
    less = {n: at for n, at in joints.items() if n != "LeftForeArm"}
    body = find_body(less, tails=tails, sex="male")
    assert body.assumed == ("left elbow: assumed on a straight arm",)
    assert body.coverage == pytest.approx(1.0)
    want = segment_cog(joints, tails=tails, sex="male").cog
    assert body_cog(body, less, tails=tails) == pytest.approx(want, abs=1e-9)


def test_a_missing_arm_hangs_on_the_trunk():
    joints, tails, _ = standing("male")
    less = {n: at for n, at in joints.items() if not n.startswith(("LeftArm", "LeftFore", "LeftH"))}
    body = find_body(less, tails=tails, sex="male")
    assert body.coverage == pytest.approx(1 - 0.0271 - 0.0162 - 0.0061)
    assert [line.split(" (")[0] for line in body.missing] == [
        "left upper arm",
        "left forearm",
        "left hand",
    ]
    assert all("top of the trunk" in line for line in body.missing)


def test_a_head_without_a_tip_is_assumed_in_line():
    joints, tails, _ = standing("male")
    hands = {n: at for n, at in tails.items() if n != "Head"}
    body = find_body(joints, tails=hands, sex="male")
    assert body.assumed == ("top of the head: assumed in line with the trunk",)
    want = segment_cog(joints, tails=tails, sex="male").cog
    assert body_cog(body, joints, tails=hands) == pytest.approx(want, abs=1e-9)


def test_no_trunk_says_what_was_recognised():
    with pytest.raises(NotFoundError, match="'LeftFoot'"):
        segment_cog({"LeftFoot": [[0, 0, 0]], "Box": [[0, 0, 1]]})


@pytest.mark.parametrize(
    ("joints", "argument"),
    [
        ({}, "joints"),
        ({"Hips": [0, 0, 1]}, "joints"),
        ({"Hips": [[0, 0, np.nan]]}, "joints"),
        ({"Hips": [[0, 0, 1]], "Head": [[0, 0, 1]] * 2}, "joints"),
        ({"Hips": np.empty((0, 3))}, "joints"),
    ],
)
def test_bad_places_are_refused(joints, argument):
    with pytest.raises(InputError) as caught:
        segment_cog(joints)
    assert caught.value.argument == argument


def test_bad_tails_and_tables_are_refused():
    joints, _, _ = standing("male")
    with pytest.raises(InputError, match="tails"):
        segment_cog(joints, tails={"Head": [[0, 0, 1]] * 2})
    with pytest.raises(InputError, match="male, female, mean"):
        segment_cog(joints, sex="hare")
