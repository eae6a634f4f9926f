"""How long a look is exposed, from what the looks before it showed."""

import pytest

from daemon.exposures import Bounds, Exposure, ExposureRule
from daemon.eyes import Sight, joined
from routines.observations import Observation

RULE = ExposureRule({"L": Bounds(2.0, 0.05, 2.0), "Ha": Bounds(4.0, 0.2, 16.0)}, wanted_electrons=5e4)


def look(exposure_s, peak_share=None, electrons=1e6, filter="L", frames=1, method="mask", flags=()):
    return Observation(
        0,
        filter,
        5000.0,
        method=method,
        value_px=0.1,
        exposure_s=exposure_s,
        signal_electrons=electrons,
        peak_share=peak_share,
        frames=frames,
        flags=flags,
    )


def settled(brightness_per_s, filter="L", method="mask", looks=12):
    """Follow the rule on a star whose orders fill so much of the pixel in a second; return every exposure."""
    seen, chosen = [], []
    for _ in range(looks):
        one = RULE.choose(filter, method, seen)
        chosen.append(one)
        share = min(1.0, brightness_per_s * one.frame_s)
        seen.append(look(one.in_all_s, share, filter=filter, frames=one.frames, method=method))
    return chosen


def test_without_looks_it_is_the_configured_one():
    assert RULE.choose("L", "mask", []) == Exposure(2.0)
    with pytest.raises(KeyError):
        RULE.choose("Z", "mask", [])


def test_a_bright_star_is_exposed_shorter_with_short_frames_added_up_to_two_seconds():
    chosen = settled(3.0)
    assert chosen[0] == Exposure(2.0)
    assert 0.1 <= 3.0 * chosen[-1].frame_s <= 0.85
    assert chosen[-1].frame_s * chosen[-1].frames == pytest.approx(2.0, abs=chosen[-1].frame_s)
    assert chosen[-1] == chosen[-2]


def test_the_exposure_does_not_flicker_and_stays_clear_of_saturation():
    chosen = settled(0.42)
    assert set(chosen) == {Exposure(2.0)}
    later = [one.frame_s for one in settled(0.6)[1:]]
    assert len(set(later)) == 1
    assert 0.6 * later[0] <= 0.85


def test_an_open_star_is_shortened_and_not_added():
    chosen = settled(8.0, method="width")
    assert chosen[-1].frames == 1
    assert 8.0 * chosen[-1].frame_s <= 0.85


def test_bounds_are_kept_even_where_they_hurt():
    assert settled(1e4)[-1].frame_s == 0.05
    assert settled(1e4)[-1].frames == 20


def test_a_dim_star_is_exposed_longer_where_the_bounds_allow_it():
    seen = [look(4.0, 0.001, electrons=5e3, filter="Ha")]
    assert RULE.choose("Ha", "mask", seen) == Exposure(16.0)
    seen = [look(4.0, 0.001, electrons=3e4, filter="Ha")]
    assert RULE.choose("Ha", "mask", seen) == Exposure(6.6)
    assert RULE.choose("L", "mask", [look(2.0, 0.001, electrons=1e3)]) == Exposure(2.0)


def test_a_wholly_saturated_frame_counts_as_far_too_bright():
    assert RULE.choose("L", "mask", [look(2.0, None, flags=("all_saturated",))]).frame_s < 1.0


def test_the_same_looks_give_the_same_exposure():
    seen = [look(2.0, 0.97), look(1.0, 0.6)]
    assert RULE.choose("L", "mask", list(seen)) == RULE.choose("L", "mask", list(seen))


def test_frames_of_one_look_are_averaged_and_their_light_added():
    two = [
        Sight(0.2, 0.04, signal_electrons=1e5, path="a", peak_share=0.4),
        Sight(0.4, 0.03, ("faint",), signal_electrons=2e5, path="b", peak_share=0.5),
    ]
    one = joined(two)
    assert one.value_px == pytest.approx(0.3)
    # The mean of two independent values: u = sqrt(u1^2 + u2^2) / 2 (JCGM 100:2008, 5.1.2).
    assert one.u_px == pytest.approx(0.025)
    assert (one.signal_electrons, one.path, one.peak_share, one.flags) == (3e5, "a", 0.5, ("faint",))
    lost = joined([Sight(None, None, ("no_star",), path="a"), two[1]])
    assert (lost.value_px, lost.path) == (0.4, "a")
    assert joined([Sight(None, None, ("no_star",))] * 2).value_px is None
