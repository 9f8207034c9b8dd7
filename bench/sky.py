#!/usr/bin/python3
"""sky.py - altitude, airmass and moonlight of 1,000 targets x 1,440 minutes beside astropy and erfa.

usage: bench/sky.py        (after: ninja -C build bench_sky)

Everybody in one run, in turn, three times; the table gives medians. Astropy: one transform of all
targets and minutes to AltAz (with refraction), its secz as airmass, its separation from the Moon,
the same formula for moonlight in numpy; by default and with its interpolated astrometry (300 s).
Timings are not asserted.
"""
import pathlib
import statistics
import subprocess
import time
import warnings

import numpy as np
from astropy import units as u
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_moon, get_sun
from astropy.coordinates.angle_utilities import angular_separation
from astropy.coordinates.erfa_astrom import ErfaAstromInterpolator, erfa_astrom
from astropy.time import Time
from astropy.utils import iers

TOP = pathlib.Path(__file__).resolve().parent.parent
TOOL = TOP / "build" / "bench_sky"
N, MINUTES = 1000, 1440
iers.conf.auto_download = False
iers.conf.auto_max_age = None
warnings.simplefilter("ignore")


def astropy_night():
    k = np.arange(N)
    stars = SkyCoord(np.fmod(k * 2.399963, 2 * np.pi) * u.rad,
                     np.arcsin(1 - 2 * (k * 619 % N + 0.5) / N) * u.rad)
    site = EarthLocation(lat=-32.18 * u.deg, lon=146.52 * u.deg, height=437 * u.m)
    times = Time(1.7810e9 + 60 * np.arange(MINUTES), format="unix")
    frame = AltAz(obstime=times, location=site, pressure=960 * u.hPa, temperature=8.85 * u.deg_C,
                  relative_humidity=0.65, obswl=0.55 * u.micron)
    moon, sun = get_moon(times, site), get_sun(times)
    phase = np.pi - moon.separation(sun).rad
    moon = moon.transform_to(frame)
    place = stars[:, None].transform_to(frame[None, :])
    rho = np.degrees(angular_separation(place.az.rad, place.alt.rad, moon.az.rad, moon.alt.rad))
    alpha = np.degrees(phase)
    light = 10 ** (-0.4 * (3.84 + 0.026 * alpha + 4e-9 * alpha ** 4))
    f = 10 ** 5.36 * (1.06 + np.cos(np.radians(rho)) ** 2) + 10 ** (6.15 - rho / 40)

    def glow(altitude):
        return 10 ** (-0.4 * 0.19 / np.sqrt(1 - 0.96 * np.cos(altitude) ** 2))
    bright = f * light * glow(moon.alt.rad) * (1 - glow(place.alt.rad))
    return place.secz, bright


def main():
    rows = {}
    for _ in range(3):
        done = subprocess.run([TOOL, str(N)], capture_output=True, text=True, check=True)
        for line in done.stdout.splitlines():
            name, seconds, worst = line.split()
            rows.setdefault(name, []).append((float(seconds), float(worst)))
        begin = time.perf_counter()
        astropy_night()
        rows.setdefault("astropy", []).append((time.perf_counter() - begin, float("nan")))
        begin = time.perf_counter()
        with erfa_astrom.set(ErfaAstromInterpolator(300 * u.s)):
            astropy_night()
        rows.setdefault("astropy, interpolated", []).append((time.perf_counter() - begin,
                                                             float("nan")))
    base = statistics.median(r[0] for r in rows["ours-1"])
    print("| who | s | times ours (1 thread) | worst altitude, arcsec |")
    print("|---|---|---|---|")
    for name, values in rows.items():
        seconds = statistics.median(r[0] for r in values)
        print(f"| {name} | {seconds:.4f} | {seconds / base:.1f} | {values[0][1]:.3f} |")


if __name__ == "__main__":
    main()
