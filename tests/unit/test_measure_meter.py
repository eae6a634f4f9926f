"""The meter of a set: capture without a guess, refusals, learning the mask."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from measure_cases import BANDS, MASK, OPTICS, knowing_meter, made, star_model, state, turned

from routines.flags import kind_of
from routines.measure.capture import Hint
from routines.measure.cutout import Cutout
from routines.measure.explain import explain
from routines.measure.geometry import Geometry
from routines.measure.learning import Learnt, MaskHint
from routines.measure.meter import MaskMeter
from routines.measure.model import MaskedStar
from routines.measure.refining import Refined
from routines.optics import critical_focus_zone_um, spike_error_px_per_um

ZONE_UM = critical_focus_zone_um(0.6563, OPTICS)


@pytest.fixture(scope="module")
def meter() -> MaskMeter:
    return knowing_meter()


@pytest.mark.parametrize("zones", [-3.9, -1.7, -0.4, 0.0, 0.9, 2.6, 3.9])
def test_captures_out_to_four_zones_without_a_guess(meter: MaskMeter, zones: float) -> None:
    reading = meter.measure(made(star_model(reach_um=300.0), state(zones * ZONE_UM, 2e4), 11))
    assert reading.defocus_um is not None and reading.defocus_u_um is not None
    assert abs(reading.defocus_um - zones * ZONE_UM) < 4.0 * reading.defocus_u_um


def test_spike_error_is_the_optics_scale_times_defocus(meter: MaskMeter) -> None:
    reading = meter.measure(made(star_model(), state(50.0, 1e5), 12))
    assert reading.spike_error_px is not None and reading.defocus_um is not None
    assert reading.spike_error_px / reading.defocus_um == pytest.approx(spike_error_px_per_um(OPTICS, MASK))


def test_a_wrong_hint_does_not_mislead(meter: MaskMeter) -> None:
    cutout = made(star_model(), state(-90.0, 5e4), 13)
    reading = meter.measure(cutout, Hint(120.0, 10.0, 2.5))
    assert reading.defocus_um == pytest.approx(-90.0, abs=6.0)


def test_too_little_light_is_refused_not_guessed(meter: MaskMeter) -> None:
    reading = meter.measure(made(star_model(), state(30.0, 250.0), 14))
    assert reading.spike_error_px is None
    assert any(kind_of(code) == "refusal" for code in reading.flags)


def test_a_star_without_a_mask_is_said_to_have_none(meter: MaskMeter) -> None:
    y, x = np.mgrid[:160, :160] - 80.0
    core = 1e5 * np.exp(-(x**2 + y**2) / 4.0) / (4.0 * np.pi)
    pixels = np.random.default_rng(15).poisson(core + 20.0).astype(np.float32)
    reading = meter.measure(Cutout(pixels, np.ones(pixels.shape, bool), 0, 0, 1.6, "Ha", 4.0))
    assert reading.flags == ("no_mask_pattern",)
    assert reading.spike_error_px is None


def test_a_piece_without_usable_pixels_is_refused(meter: MaskMeter) -> None:
    cutout = made(star_model(), state(0.0, 1e5), 16)
    blind = replace(cutout, usable=np.zeros_like(cutout.usable))
    assert meter.measure(blind).flags == ("no_signal",)


def test_a_meter_that_has_learnt_nothing_gives_nothing() -> None:
    fresh = MaskMeter(OPTICS, MaskHint(3.6, 20.0), BANDS)
    assert fresh.measure(made(star_model(), state(0.0, 1e5), 17)).spike_error_px is None


@pytest.mark.parametrize("tilt", [1, -1])
def test_learns_turn_period_duty_and_tilt_from_the_frames(tilt: int) -> None:
    mask = replace(turned(MASK, 71.3), slit_period_mm=3.63, slit_duty=0.46, arm_angle_deg=20.4, tilt=tilt)
    model = star_model(mask=mask)
    cutouts = [made(model, state(z, 2e5), 20 + i) for i, z in enumerate((-120.0, -30.0, 60.0, 140.0))]
    meter = MaskMeter(OPTICS, MaskHint(3.6, 20.0), BANDS)
    meter.learn(cutouts)
    assert meter.learnt is not None
    learnt = meter.learnt.geometry.mask
    assert learnt.orientation_deg == pytest.approx(mask.orientation_deg, abs=0.1)
    assert learnt.slit_period_mm == pytest.approx(3.63, rel=0.003)
    assert learnt.arm_angle_deg == pytest.approx(20.4, abs=0.15)
    assert learnt.slit_duty == pytest.approx(0.46, abs=0.015)
    assert meter.learnt.tilt_decided and learnt.tilt == tilt
    reading = meter.measure(cutouts[0])
    assert reading.defocus_um == pytest.approx(-120.0, abs=4.0)
    assert "sign_unknown" in reading.flags


def test_a_brief_lesson_serves_the_first_looks_and_the_next_one_starts_from_it() -> None:
    mask = replace(turned(MASK, 71.3), slit_duty=0.42, tilt=-1)
    model = star_model(mask=mask)
    meter = MaskMeter(OPTICS, MaskHint(3.6, 20.0), BANDS)
    first, other = made(model, state(60.0, 2e5), 50), made(model, state(-40.0, 2e5), 51)
    meter.learn([first], brief=True)
    assert meter.learnt is not None and meter.learnt.brief and meter.knows_mask
    brief = meter.learnt.geometry.mask
    assert brief.tilt == -1 and brief.orientation_deg == pytest.approx(mask.orientation_deg, abs=0.3)
    readings = [meter.measure(first), meter.measure(other)]
    meter.learn([first])
    assert not meter.learnt.brief
    assert abs(meter.learnt.geometry.mask.slit_duty - 0.42) < abs(brief.slit_duty - 0.42)
    readings += [meter.measure(first), meter.measure(other)]
    for reading, truth in zip(readings, (60.0, -40.0, 60.0, -40.0), strict=True):
        assert reading.defocus_um is not None and reading.defocus_u_um is not None
        assert abs(reading.defocus_um - truth) < 4.0 * reading.defocus_u_um + 0.03 * abs(truth)


def test_the_frame_of_a_brief_lesson_is_measured_where_it_was_found_without_a_ladder(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What a filter's whole reach takes is made for the next frame; this one's reading is as good."""
    model = star_model(mask=turned(MASK, 71.3))
    first = made(model, state(-80.0, 2e5), 53)
    meter = MaskMeter(OPTICS, MaskHint(3.6, 20.0), BANDS)
    meter.learn([first], brief=True)
    at_once = meter.measure(first)
    assert not meter.has_star("Ha")
    at_leisure = meter.measure(replace(first))
    assert meter.has_star("Ha") and at_once.flags == at_leisure.flags
    for seen, known in (
        (at_once.defocus_um, at_leisure.defocus_um),
        (at_once.defocus_u_um, at_leisure.defocus_u_um),
        (at_once.star_x_px, at_leisure.star_x_px),
    ):
        assert seen is not None and known is not None and at_leisure.defocus_u_um is not None
        assert abs(seen - known) < 0.05 * at_leisure.defocus_u_um


def test_a_frame_is_searched_after_all_where_another_defocus_rivals_or_the_lesson_led_astray() -> None:
    model = star_model(mask=turned(MASK, 71.3))
    first = made(model, state(-80.0, 2e5), 54)
    meter = MaskMeter(OPTICS, MaskHint(3.6, 20.0), BANDS)
    meter.learn([first], brief=True)
    learnt = meter.learnt
    assert learnt is not None and learnt.place is not None
    astray = replace(learnt.place, defocus_um=learnt.place.defocus_um + 90.0)
    for place in (None, astray):
        meter.learnt = replace(learnt, place=place)
        reading = meter.measure(first)
        assert meter.has_star("Ha") and reading.defocus_um == pytest.approx(-80.0, abs=4.0)
        meter._stars.clear()
    rivalled = Refined(learnt.geometry, (meter.measure(first).fit,), rival=True)
    assert rivalled.only_place([first]) is None
    assert replace(rivalled, rival=False).only_place([first, first]) is None
    assert replace(rivalled, rival=False).only_place([first]) is not None


def test_frames_unlike_any_mask_get_no_brief_lesson() -> None:
    """From five zones out nothing matches; what is learnt then is what a whole lesson learns."""
    model = star_model(reach_um=900.0)
    far = made(model, state(800.0, 1e6, blur_px=4.0), 52)
    brief, whole = (MaskMeter(OPTICS, MaskHint(3.6, 20.0), BANDS) for _ in range(2))
    brief.learn([far], brief=True)
    whole.learn([far])
    assert whole.learnt is None or not whole.knows_mask
    assert brief.learnt == whole.learnt


def test_lessons_are_alike_where_a_frame_keeps_its_defocus() -> None:
    learnt = Learnt(Geometry(OPTICS, MASK), sign_known=False, tilt_decided=True, frames=4)
    assert learnt.like(replace(learnt, geometry=Geometry(OPTICS, turned(MASK, 2.0)), brief=True))
    for mask in (turned(MASK, 180.0), turned(MASK, 5.0), replace(MASK, tilt=-1)):
        assert not learnt.like(replace(learnt, geometry=Geometry(OPTICS, mask)))
    assert not learnt.like(replace(learnt, mismatch=0.5))


def test_what_a_star_remembers_of_its_latest_state_changes_no_image() -> None:
    model, fresh = star_model(), star_model()
    states = [state(20.0, 1e5), state(20.0, 3e5), state(20.0, 3e5, blur_px=3.0), state(20.0, 1e5)]
    for one in states:
        image, slopes = fresh.image_and_slopes(one)
        fresh = star_model()
        assert np.array_equal(model.image(one), image * np.float32(one.flux_electrons))
        again, slopes_again = model.image_and_slopes(one)
        assert np.array_equal(again, image) and np.array_equal(slopes_again, slopes)


def test_learns_a_mask_that_the_config_does_not_describe() -> None:
    mask = replace(MASK, slit_period_mm=4.1, arm_angle_deg=17.0)
    model = star_model(mask=mask)
    meter = MaskMeter(OPTICS, MaskHint(), BANDS)
    meter.learn([made(model, state(z, 3e5), 30 + i) for i, z in enumerate((-90.0, 20.0, 100.0))])
    assert meter.learnt is not None
    assert meter.learnt.geometry.mask.slit_period_mm == pytest.approx(4.1, rel=0.005)
    assert meter.learnt.geometry.mask.arm_angle_deg == pytest.approx(17.0, abs=0.3)


def test_a_known_orientation_gives_the_sign() -> None:
    model = star_model()
    for configured, sign in ((33.0, 1.0), (213.0, -1.0)):
        meter = MaskMeter(OPTICS, MaskHint(3.6, 20.0, orientation_deg=configured), BANDS)
        meter.learn([made(model, state(80.0, 3e5), 40)])
        reading = meter.measure(made(model, state(80.0, 3e5), 41))
        assert reading.defocus_um == pytest.approx(sign * 80.0, abs=5.0)
        assert "sign_unknown" not in reading.flags


@pytest.mark.parametrize(("share", "told"), [(0.3, True), (0.02, True), (0.0, False)])
def test_another_star_nearby_is_told(meter: MaskMeter, share: float, told: bool) -> None:
    model = star_model()
    near = replace(state(30.0, 2e5 * share), x_px=112.0, y_px=93.0)
    sky = 20.0 + (model.image(near) if share else 0.0)
    cutout = made(model, state(30.0, 2e5), 18, sky=np.clip(sky, 0.0, None))
    reading = meter.measure(cutout)
    assert ("blended" in reading.flags) is told
    assert reading.defocus_um is not None and reading.defocus_u_um is not None
    assert abs(reading.defocus_um - 30.0) < 4.0 * reading.defocus_u_um


def test_a_doubtful_clear_diameter_widens_defocus_and_not_the_spike_error() -> None:
    """The diameter is what turns a spike error into micrometres: 1 % of it is 1 % of them."""
    meter = knowing_meter()
    frame = made(star_model(), state(150.0, 1e6), seed=3)
    sure = meter.measure(frame)
    assert meter.learnt is not None
    meter.restore(replace(meter.learnt, aperture_u=0.02))
    doubtful = meter.measure(frame)
    assert sure.defocus_um is not None and sure.defocus_u_um is not None
    assert doubtful.spike_error_u_px == sure.spike_error_u_px
    assert doubtful.defocus_u_um == pytest.approx(np.hypot(sure.defocus_u_um, 0.02 * sure.defocus_um))


def test_what_a_frame_was_read_from_explains_it_without_another_fit(monkeypatch: pytest.MonkeyPatch) -> None:
    cutout = made(star_model(), state(40.0, 3e5), 9)
    reading = knowing_meter().measure(cutout)

    def never(*_: object) -> None:
        raise AssertionError("nothing is drawn again for a picture")

    monkeypatch.setattr(MaskedStar, "unit_image", never)
    monkeypatch.setattr(MaskedStar, "slopes", never)
    shown = explain(cutout, reading)
    assert shown.expected is not None and shown.left_over is not None
    assert float(shown.expected.sum()) == pytest.approx(3e5, rel=0.08)  # the rest lies beyond the cut-out
    assert 0.9 < float(shown.left_over[cutout.usable].std()) < 1.1
    assert shown.seen - shown.expected == pytest.approx(
        cutout.pixels - reading.background_electrons - shown.expected, abs=3.0
    )
