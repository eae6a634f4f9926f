"""Finding the star and its spikes in a frame."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from measure_cases import MASK, made, star_model, state, turned

from routines.measure.cutout import Detector, cropped, cut
from routines.measure.find import block_levels, find_star
from routines.measure.orientation import find_spikes, light_by_direction

DETECTOR = Detector(1.0, 1.6, 60_000.0, 100.0)


def _frame(seed: int, electrons: float, place: tuple[int, int] = (300, 420)) -> np.ndarray:
    rng = np.random.default_rng(seed)
    frame = rng.poisson(60.0, (800, 1000)).astype(np.float32) + 100.0
    star = star_model().image(state(40.0, electrons))
    y, x = place
    frame[y : y + 160, x : x + 160] += rng.poisson(np.clip(star, 0.0, None))
    return np.clip(frame, 0.0, 65_535.0)


@pytest.mark.parametrize("electrons", [6e3, 1e5, 1e7])
def test_a_star_is_found_among_hot_pixels_and_a_gradient(electrons: float) -> None:
    frame = _frame(1, electrons)
    rng = np.random.default_rng(2)
    frame[rng.integers(0, 800, 300), rng.integers(0, 1000, 300)] = rng.uniform(500.0, 60_000.0, 300)
    frame = np.clip(frame + np.linspace(0.0, 200.0, 1000)[None, :], 0, 65_535).astype(np.uint16)
    found = find_star(frame)
    assert found is not None
    assert found.x_px == pytest.approx(500.3, abs=3.0)
    assert found.y_px == pytest.approx(379.8, abs=3.0)


def test_an_empty_sky_has_no_star() -> None:
    frame = np.random.default_rng(3).poisson(100.0, (600, 700)).astype(np.uint16)
    assert find_star(frame) is None


def test_a_star_is_looked_for_first_where_it_was() -> None:
    frame = _frame(4, 1e5).astype(np.uint16)
    frame[600:606, 100:106] = 50_000
    found = find_star(frame, near=(495.0, 385.0))
    assert found is not None
    assert found.x_px == pytest.approx(500.3, abs=3.0)


@pytest.mark.parametrize("away_px", [(70.0, 10.0), (-75.0, 30.0), (20.0, 80.0), (-60.0, -64.0)])
def test_a_spike_that_reaches_where_the_star_was_is_not_taken_for_it(away_px: tuple[float, float]) -> None:
    """Somebody re-pointed between two frames; the star is outside the piece, its light is not."""
    frame = _frame(5, 3e6).astype(np.uint16)
    found = find_star(frame, near=(500.3 + away_px[0], 379.8 + away_px[1]))
    assert found is not None
    assert found.x_px == pytest.approx(500.3, abs=3.0)
    assert found.y_px == pytest.approx(379.8, abs=3.0)


def test_a_frame_with_nan_is_averaged_over_what_it_has() -> None:
    frame = np.ones((80, 96), np.float32)
    frame[3, 5] = np.nan
    assert block_levels(frame) == pytest.approx(np.ones((10, 12)))


@pytest.mark.parametrize("dtype", [np.uint16, np.float32])
def test_a_large_frames_levels_take_little_memory(dtype: type) -> None:
    frame = np.random.default_rng(6).integers(400, 700, (1300, 1204)).astype(dtype)
    lower = np.minimum(frame[:1296:2, :1200], frame[1:1296:2, :1200]).astype(float)
    tracemalloc.start()
    levels = block_levels(frame)
    _, most_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert levels == pytest.approx(lower.reshape(162, 4, 150, 8).mean(axis=(1, 3)))
    assert most_bytes < 0.75 * frame.nbytes


@pytest.mark.parametrize("orientation_deg", [2.0, 61.0, 133.5, 178.0])
def test_spikes_are_found_at_any_turn(orientation_deg: float) -> None:
    mask = turned(MASK, orientation_deg - MASK.orientation_deg)
    cutout = made(star_model(mask=mask), state(50.0, 2e5), 7)
    spikes = find_spikes([light_by_direction(cutout, 80.0, 80.0)], None)
    off = (spikes.middle_deg - (orientation_deg + 90.0) + 90.0) % 180.0 - 90.0
    assert abs(off) < 1.5
    assert spikes.arm_angle_deg == pytest.approx(20.0, abs=1.5)
    assert spikes.contrast > 5.0


def test_a_cutout_past_the_edge_says_so() -> None:
    frame = np.full((100, 120), 500.0, np.float32)
    piece = cut(frame, 10.0, 95.0, 64, DETECTOR, "Ha", 2.0)
    assert piece.clipped
    assert piece.usable.sum() == (10 + 32) * (5 + 32)
    assert piece.pixels[piece.usable] == pytest.approx(400.0)
    assert not cut(frame, 60.0, 50.0, 64, DETECTOR, "Ha", 2.0).clipped


def test_saturated_pixels_take_their_neighbours_with_them() -> None:
    frame = np.full((100, 100), 500.0, np.float32)
    frame[50, 50] = 60_000.0
    piece = cut(frame, 50.0, 50.0, 64, DETECTOR, "Ha", 2.0)
    assert (piece.saturated_px, int((~piece.usable).sum())) == (1, 5)


def test_cropping_keeps_the_middle() -> None:
    frame = np.arange(10_000, dtype=np.float32).reshape(100, 100)
    whole = cut(frame, 50.0, 50.0, 64, DETECTOR, "Ha", 2.0)
    inner = cropped(whole, 32)
    assert (inner.origin_x_px, inner.origin_y_px, inner.size_px) == (34, 34, 32)
    assert inner.pixels[16, 16] == whole.pixels[32, 32]


def test_a_sharp_star_is_found_among_its_orders() -> None:
    # The pixels are those of a star in focus through still air: two orders, wider than the star, outlast the
    # blocks better than the star itself.
    rng = np.random.default_rng(3)
    frame = rng.normal(500.0, 7.0, (420, 560))
    y, x = np.indices(frame.shape)
    for place_x, place_y, peak, sigma_px in (
        (255.2, 219.6, 60_000.0, 0.5),
        (229.7, 230.3, 2500.0, 3.0),
        (280.7, 208.9, 2500.0, 3.0),
    ):
        frame += peak * np.exp(-0.5 * ((x - place_x) ** 2 + (y - place_y) ** 2) / sigma_px**2)
    found = find_star(np.clip(frame, 0.0, 65535.0).astype(np.uint16))
    assert found is not None
    assert (found.x_px, found.y_px) == pytest.approx((255.2, 219.6), abs=1.0)
