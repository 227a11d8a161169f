# SPDX-License-Identifier: GPL-3.0-or-later
"""Fingerprints see every edit of a key, and nothing else."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leapwright.curves import Channel, Curves, Handle, concat, remove_keys, select
from leapwright.errors import InputError
from leapwright.fingerprint import changed_keys, fingerprints, written_keys

AUTOMATIC = (Handle.AUTO, Handle.VECTOR, Handle.AUTO_CLAMPED)


def hops(seed: int, channels: int = 3, keys: int = 7, last: int = 5000, **fixed: Any) -> Curves:
    rng = np.random.default_rng(seed)
    count = channels * keys
    frame = np.sort(rng.choice(last, (channels, keys), replace=False), axis=1).ravel()
    value = rng.normal(0, 2, count)
    reach = rng.uniform(1, 9, (2, count))
    arrays: dict[str, Any] = {
        "left": np.stack([frame - reach[0], value + rng.normal(0, 1, count)], -1),
        "right": np.stack([frame + reach[1], value + rng.normal(0, 1, count)], -1),
        "interpolation": rng.integers(0, 3, count),
        "left_type": rng.integers(0, 5, count),
        "right_type": rng.integers(0, 5, count),
    }
    return Curves.checked(
        [Channel('pose.bones["a|b"].location', i) for i in range(channels)],
        np.arange(channels + 1) * keys,
        frame,
        value,
        **(arrays | fixed),
    )


def differing(a: Curves, b: Curves) -> set[int]:
    pairs = zip(fingerprints(a), fingerprints(b), strict=True)
    return {i for i, (x, y) in enumerate(pairs) if x != y}


def edited(curves: Curves, name: str, key: Any, change: Any) -> Curves:
    array = getattr(curves, name).copy()
    array[key] = change(array[key])
    return replace(curves, **{name: array})


@given(seed=st.integers(0, 10_000), key=st.integers(0, 20), side=st.sampled_from(["left", "right"]))
def test_each_number_of_a_key_shows_in_its_own_fingerprint_alone(
    seed: int, key: int, side: str
) -> None:
    curves = hops(seed)
    for name in ("frame", "value"):
        nudged = edited(curves, name, key, lambda v: np.nextafter(v, np.float32(9e9)))
        assert differing(curves, nudged) == {key}
    for name in ("interpolation", "left_type", "right_type"):
        assert differing(curves, edited(curves, name, key, lambda v: (v + 1) % 3)) == {key}
    own = Handle(getattr(curves, f"{side}_type")[key])
    other = Handle(getattr(curves, f"{'right' if side == 'left' else 'left'}_type")[key])
    by_hand = own == Handle.FREE or (own == Handle.ALIGNED and other not in AUTOMATIC)
    for axis in (0, 1):
        moved = edited(curves, side, (key, axis), lambda v: v + np.float32(0.25))
        assert differing(curves, moved) == ({key} if by_hand else set())


def test_what_the_host_does_not_play_differently_is_left_out() -> None:
    curves = hops(1)
    other = replace(curves, kind=curves.kind + 1, back=curves.back + 1)
    assert fingerprints(curves) == fingerprints(other)
    plus = replace(curves, value=np.zeros_like(curves.value))
    assert fingerprints(plus) == fingerprints(replace(plus, value=-plus.value))


def test_they_are_the_same_everywhere() -> None:
    # Printed once on little-endian machines; a change forgets what every shot remembers.
    fixed = Curves.checked(
        [Channel("location", 2)],
        [0, 3],
        [1, 13, 25.5],
        [0, 1.25, -3],
        left=[[0, 0], [9, 1], [21, -3]],
        right=[[5, 1], [17, 1.5], [30, -3]],
        left_type=[0, 3, 4],
        right_type=[0, 3, 3],
    )
    assert fingerprints(fixed) == GOLDEN
    assert all(len(text) in (12, 28, 44) for text in fingerprints(fixed))


GOLDEN = ["79678ea19802", "1f23a30f0feb000010410000803f000088410000c03f", "85ce094fafd5"]


def test_nothing_edited_is_all_ours() -> None:
    curves = hops(4)
    kept = json.loads(json.dumps(written_keys(curves, "Hare")))
    now = changed_keys(kept, curves, "Hare")
    assert now.ours.all()
    assert (now.changed, now.gone) == ((), ())


@given(seed=st.integers(0, 10_000), data=st.data())
def test_every_key_is_ours_changed_or_gone(seed: int, data: st.DataObject) -> None:
    curves = hops(seed)
    total = len(curves.frame)
    mine = np.array(data.draw(st.lists(st.booleans(), min_size=total, max_size=total)))
    fates = np.array(
        data.draw(st.lists(st.sampled_from(["keep", "change", "drop"]), min_size=total,
                           max_size=total))
    )  # fmt: skip
    kept = written_keys(curves, "Hare", mask=mine)
    value = np.where(fates == "change", curves.value + np.float32(0.5), curves.value)
    now = remove_keys(replace(curves, value=value), fates == "drop")
    # The host may hold the channels in another order.
    order = data.draw(st.permutations(range(len(now.channels))))
    now = select(now, order)
    got = changed_keys(kept, now, "Hare")
    where = {
        fate: {
            (curves.channels[c].label, float(f))
            for c, f in zip(
                curves.channel_of_key()[mine & (fates == fate)],
                curves.frame[mine & (fates == fate)],
                strict=True,
            )
        }
        for fate in ("keep", "change", "drop")
    }
    at = {
        (now.channels[c].label, float(f))
        for c, f in zip(now.channel_of_key()[got.ours], now.frame[got.ours], strict=True)
    }
    assert at == where["keep"]
    assert set(got.changed) == where["change"]
    assert set(got.gone) == where["drop"]
    assert len(got.changed) + len(got.gone) + got.ours.sum() == mine.sum()


def test_a_key_nudged_in_time_is_changed_and_one_moved_away_is_gone() -> None:
    curves = Curves.checked([Channel("location", 2)], [0, 2], [10, 20], [0, 1])
    kept = written_keys(curves, "Hare")
    nudged = changed_keys(kept, replace(curves, frame=np.float32([10.004, 20])), "Hare")
    assert (nudged.ours.tolist(), nudged.changed) == ([False, True], (("location[2]", 10.0),))
    moved = changed_keys(kept, replace(curves, frame=np.float32([11, 20])), "Hare")
    assert (moved.ours.tolist(), moved.gone) == ([False, True], (("location[2]", 10.0),))


def test_only_the_own_holder_and_its_channels_are_looked_at() -> None:
    curves = hops(2)
    kept = written_keys(curves, "Hare") | written_keys(curves, "Hare 2")
    half = select(curves, [1])
    got = changed_keys(kept, half, "Hare")
    assert got.ours.all()
    assert len(got.gone) == 14
    assert {label for label, _ in got.gone} == {c.label for i, c in enumerate(curves.channels)
                                                if i != 1}  # fmt: skip
    none = changed_keys(kept, curves, "Crate")
    assert (none.ours.any(), none.changed, none.gone) == (False, (), ())
    empty = changed_keys(kept, Curves.empty(), "Hare")
    assert len(empty.gone) == 21


@pytest.mark.parametrize("last_digits", [0, 1, -1])
def test_aligned_handles_may_round_and_may_not_move(last_digits: int) -> None:
    curves = hops(3, last=300, left_type=Handle.ALIGNED, right_type=Handle.ALIGNED)
    kept = written_keys(curves, "Hare")
    step = last_digits * np.spacing(np.abs(curves.right))
    rounded = replace(curves, right=(curves.right + step).astype(np.float32))
    assert changed_keys(kept, rounded, "Hare").ours.all()
    # A hundredth of a frame, or a millimetre: nobody drags less.
    for shift in ([0.01, 0], [0, 1e-3]):
        dragged = replace(curves, right=(curves.right + shift).astype(np.float32))
        assert not changed_keys(kept, dragged, "Hare").ours.any()


@pytest.mark.parametrize("damage", ["", "zz", "00", "45e00a9e0417" + "0" * 15 + "x"])
def test_damaged_fingerprints_are_changed_keys(damage: str) -> None:
    curves = hops(5, left_type=Handle.ALIGNED, right_type=Handle.ALIGNED)
    kept = {
        label: [[frame, damage or text[:12] + "x" * 32] for frame, text in keys]
        for label, keys in written_keys(curves, "Hare").items()
    }
    got = changed_keys(kept, curves, "Hare")
    assert not got.ours.any()
    assert len(got.changed) == 21


def test_a_mask_of_a_wrong_shape_is_named() -> None:
    with pytest.raises(InputError, match=r"`mask` must be 21 booleans, got int64\[2\]"):
        written_keys(hops(0), "Hare", mask=[1, 0])


def test_seven_hundred_channels_are_quick() -> None:
    many = [hops(i, channels=7) for i in range(100)]
    curves = concat(
        [
            replace(c, channels=tuple(Channel(f"bone {i}", k) for k in range(7)))
            for i, c in enumerate(many)
        ]
    )
    assert len(curves.frame) == 4900

    def best(do: Any) -> float:
        times = []
        for _ in range(5):
            start = time.perf_counter()
            do()
            times.append(time.perf_counter() - start)
        return min(times)

    # Measured 5 ms and 10 ms; machines differ.
    assert best(lambda: fingerprints(curves)) < 0.1
    kept = written_keys(curves, "Hare")
    assert best(lambda: changed_keys(kept, curves, "Hare")) < 0.2
