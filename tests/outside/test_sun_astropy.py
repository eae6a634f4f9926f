"""Our Sun's altitude against astropy's, which computes it from the ERFA library of the IAU's standards.

Nothing is downloaded: the bundled Earth-rotation table serves. Geometric altitudes, without refraction, as
twilights are defined.
"""

from datetime import UTC, datetime, timedelta

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, get_sun
from astropy.time import Time
from astropy.utils import iers

from routines.sun import sinks_below_unix_s, sun_altitude_deg

# Equator, both hemispheres, both polar circles and beyond, both sides of Greenwich.
SITES = [(0.0, 0.0), (48.1, 11.6), (-33.9, 18.4), (35.7, 139.7), (-43.5, -72.0), (69.6, 18.9), (-77.8, 166.7)]
# Meeus promises 0.01 degrees in longitude; the mean sidereal time leaves out the nutation (0.004 degrees) and
# UT1 - UTC (below 0.9 s, 0.004 degrees); the Sun's parallax is 0.0024 degrees.
WITHIN_DEG = 0.02


def altitudes_by_astropy(times, latitude_deg, longitude_deg):
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        place = EarthLocation.from_geodetic(longitude_deg * u.deg, latitude_deg * u.deg)
        moments = Time(times, format="unix")
        return get_sun(moments).transform_to(AltAz(obstime=moments, location=place)).alt.deg


@pytest.mark.parametrize(("latitude_deg", "longitude_deg"), SITES)
def test_the_altitude_is_astropys_at_any_hour_of_any_season(latitude_deg, longitude_deg):
    first = datetime(2024, 1, 3, tzinfo=UTC).timestamp()
    times = first + 86_400.0 * 17.37 * np.arange(44)  # two years, every hour of the day
    ours = [sun_altitude_deg(at, latitude_deg, longitude_deg) for at in times]
    theirs = altitudes_by_astropy(times, latitude_deg, longitude_deg)
    assert np.abs(np.array(ours) - theirs).max() < WITHIN_DEG


@pytest.mark.parametrize("below_deg", [-6.0, -12.0, -18.0])
def test_twilight_ends_when_astropy_sees_the_sun_there(below_deg):
    noon = datetime(2026, 3, 10, 11, tzinfo=UTC)
    found = sinks_below_unix_s(noon.timestamp(), below_deg, 48.1, 11.6, 86_400.0)
    assert found is not None
    assert datetime.fromtimestamp(found, UTC) < noon + timedelta(hours=12)
    assert altitudes_by_astropy([found], 48.1, 11.6)[0] == pytest.approx(below_deg, abs=WITHIN_DEG)
