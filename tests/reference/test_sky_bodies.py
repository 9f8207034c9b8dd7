"""Sun, Moon and planets above a site against astropy, pyephem and a minute-by-minute record.

Tolerances: Sun 10 arcsec, Moon 30 arcsec, at latitudes -66 to 66 deg. astropy's built-in ephemeris
shares erfa's theories of Sun and Moon with us, so it checks the chain from there on; pyephem has
theories of its own (Moon 0.25 arcsec, Sun 0.2 arcsec against DE405). UT1 is given to both sides
here; what happens without it is in sky.h.
Environment: SKY_BODIES = path of the built tests/tools/sky_bodies.
"""
import os
import pathlib
import warnings

import numpy as np
import pytest

u = pytest.importorskip("astropy.units")
from astropy.coordinates import (AltAz, EarthLocation, get_body, get_moon, get_sun,  # noqa: E402
                                 solar_system_ephemeris)
from astropy.time import Time  # noqa: E402
from astropy.utils import iers  # noqa: E402
from support import DATA, TOP, call

TOOL = pathlib.Path(os.environ.get("SKY_BODIES", TOP / "build/tests/tools/sky_bodies"))
pytestmark = pytest.mark.skipif(not TOOL.exists(), reason="tests/tools/sky_bodies is not built")
iers.conf.auto_download = False
iers.conf.auto_max_age = None
PLANETS = ["mercury", "venus", "mars", "jupiter", "saturn", "uranus", "neptune"]


def ours(rows):
    text = "".join(" ".join(f"{x:.9f}" for x in row) + "\n" for row in rows)
    done = call(TOOL, input=text)
    assert done.returncode == 0, done.stderr
    return np.array([[float(x) for x in line.split()] for line in done.stdout.splitlines()])


def apart_arcsec(alt1, az1, alt2, az2):
    a, b, c, d = np.radians([alt1, az1, alt2, az2])
    hav = np.sin((a - c) / 2) ** 2 + np.cos(a) * np.cos(c) * np.sin((b - d) / 2) ** 2
    return float(np.degrees(2 * np.arcsin(np.sqrt(hav))) * 3600)


def draw(n, seed, t_low=1.1e9, t_high=1.66e9):
    rng = np.random.default_rng(seed)
    table = iers.earth_orientation_table.get()
    rows = []
    for _ in range(n):
        t = float(int(rng.uniform(t_low, t_high)))
        ut1 = float(table.ut1_utc(Time(t, format="unix")).to_value(u.s))
        rows.append((t, rng.uniform(-66, 66), rng.uniform(-180, 180), rng.uniform(0, 3000), ut1))
    return rows


def frame_of(row):
    where = EarthLocation(lat=row[1] * u.deg, lon=row[2] * u.deg, height=row[3] * u.m)
    return AltAz(obstime=Time(row[0], format="unix"), location=where), where


@pytest.mark.filterwarnings("ignore")
def test_sun_and_moon_where_astropy_puts_them():
    rows = draw(60, 5)
    worst = {"sun": 0.0, "moon": 0.0}
    for row, got in zip(rows, ours(rows)):
        frame, where = frame_of(row)
        sun = get_sun(frame.obstime).transform_to(frame)
        moon = get_moon(frame.obstime, where).transform_to(frame)
        worst["sun"] = max(worst["sun"], apart_arcsec(got[0], got[1], sun.alt.deg, sun.az.deg))
        worst["moon"] = max(worst["moon"], apart_arcsec(got[2], got[3], moon.alt.deg, moon.az.deg))
    print(worst)
    assert worst["sun"] < 10.0
    assert worst["moon"] < 30.0


def test_sun_and_moon_where_pyephem_puts_them():
    ephem = pytest.importorskip("ephem")
    rows = draw(60, 6)
    worst = {"sun": 0.0, "moon": 0.0, "lit": 0.0}
    for row, got in zip(rows, ours(rows)):
        site = ephem.Observer()
        site.lat, site.lon = np.radians(row[1]), np.radians(row[2])
        site.elevation, site.pressure = row[3], 0
        site.date = Time(row[0] + row[4], format="unix").datetime  # its clock is UT1
        for name, body, at in (("sun", ephem.Sun(), 0), ("moon", ephem.Moon(), 2)):
            body.compute(site)
            worst[name] = max(worst[name], apart_arcsec(got[at], got[at + 1], np.degrees(body.alt),
                                                        np.degrees(body.az)))
            if name == "moon":
                worst["lit"] = max(worst["lit"], abs(body.phase / 100 - got[4]))
    print(worst)
    assert worst["sun"] < 10.0
    assert worst["moon"] < 30.0
    assert worst["lit"] < 0.009  # theirs is from the centre of the Earth: sin(phase) * 0.95 deg / 2


@pytest.mark.filterwarnings("ignore")
def test_planets_within_a_tenth_of_a_degree():
    rows = draw(10, 7)
    for row, got in zip(rows, ours(rows)):
        frame, where = frame_of(row)
        for k, name in enumerate(PLANETS):
            with solar_system_ephemeris.set("builtin"), warnings.catch_warnings():
                warnings.simplefilter("ignore")
                body = get_body(name, frame.obstime, where).transform_to(frame)
            off = apart_arcsec(got[5 + 2 * k], got[6 + 2 * k], body.alt.deg, body.az.deg)
            assert off < 40.0, name  # parallax of Venus 32 arcsec is left out


def test_minutes_of_a_radiation_record():
    """SURFRAD Alamosa, 1440 solar zenith angles of 2016-01-01: their algorithm with refraction."""
    path = DATA / "weather/surfrad_alamosa_2016-01-01_1min.dat"
    if not path.exists():
        pytest.skip(f"no {path}")
    lines = path.read_text().splitlines()
    latitude, longitude, height = (float(x) for x in lines[1].split()[:3])
    if longitude > 0:
        longitude = -longitude
    rows = []
    zenith = []
    for line in lines[2:]:
        f = line.split()
        year, month, day, hour, minute = (int(f[i]) for i in (0, 2, 3, 4, 5))
        when = Time(f"{year}-{month:02d}-{day:02d}T{hour:02d}:{minute:02d}:00")
        rows.append((float(when.unix), latitude, longitude, height, 0.0))
        zenith.append(float(f[7]))
    off = np.abs(90.0 - ours(rows)[:, 0] - np.array(zenith))
    zenith = np.array(zenith)
    print(len(zenith), off[zenith > 92].max(), off[zenith < 80].max(), off.max())
    assert len(zenith) == 1440
    assert off[zenith > 92].max() < 0.12  # as astropy: 0.11 deg, INVENTORY
    assert off[zenith < 80].max() < 0.19
    assert off.max() < 0.80  # near the horizon the record is refracted
