"""What `nightwright measure` says beyond stars, against astropy and numpy: slope of the sky, noise
of neighbouring pixels, streaks put into real frames and none where there is none.

Environment: NIGHTWRIGHT = the built command, NIGHTWRIGHT_SHARED_DATA = folder of real data (absent:
those tests are skipped).
"""
import json

import numpy as np
import pytest
from astropy.io import fits
from astropy.modeling import fitting, models
from astropy.stats import sigma_clip
from support import DATA, answer, needs_command, needs_data, run

pytestmark = needs_command


def measure(path):
    return answer("measure", path)["frames"][0]


def test_slope_as_astropy_fits_it(tmp_path):
    """A plane with noise: both fit the same plane; tolerance 4 of our sigmas."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[0:700, 0:900]
    half = 0.5 * np.hypot(900, 700)
    u, v = (x - 449.5) / half, (y - 349.5) / half
    image = (2000 + 55 * u + 20 * v + rng.normal(0, 9, x.shape)).astype("float32")
    path = tmp_path / "plane.fits"
    fits.writeto(path, image)
    fit = fitting.LinearLSQFitter()(models.Polynomial2D(1), u, v, image)
    ours = measure(path)["gradient"]
    assert abs(ours["u_adu"] - fit.c1_0.value) < 4 * ours["u_adu_sigma"] + 0.1
    assert abs(ours["v_adu"] - fit.c0_1.value) < 4 * ours["v_adu_sigma"] + 0.1


@needs_data
def test_likeness_of_neighbours_as_numpy_has_it():
    """A raw frame: clipped pixels of numpy, medians of blocks taken off, against ours."""
    path = DATA / "ccdproc/a8280271.fits"
    image = fits.getdata(path).astype(float)[20:500, 40:500]
    blocks = image.reshape(12, 40, 10, 46)
    image = (blocks - np.median(blocks, axis=(1, 3), keepdims=True)).reshape(480, 460)
    clipped = sigma_clip(image, sigma=3.5)
    off = np.ma.filled(clipped - clipped.mean(), np.nan)
    variance = np.nanmean(off**2)
    ours = measure(path)["noise"]
    assert abs(ours["x_correlation"] - np.nanmean(off[:, 1:] * off[:, :-1]) / variance) < 0.02
    assert abs(ours["y_correlation"] - np.nanmean(off[1:] * off[:-1]) / variance) < 0.02
    assert abs(ours["pixel_adu"] / np.sqrt(variance) - 1) < 0.03


@needs_data
@pytest.mark.parametrize("name", ["photutils-datasets/M6707HH.fits", "ccdproc/a8280271.fits",
                                  "photutils-datasets/spitzer_example_image.fits",
                                  "astropy-data/gc_2mass_j.fits", "sep/image.fits",
                                  "photutils-datasets/iraf_dev_pix_M51.fits"])
def test_no_streak_where_there_is_none(name):
    """Looked through by eye: crowding, galaxies, bleeding, but no trail."""
    assert measure(DATA / name)["streaks"] == []


@needs_data
def test_a_streak_put_into_a_real_frame(tmp_path):
    """A raw frame with bright stars and overscan, and a trail of 2 sigma across it."""
    name = DATA / "ccdproc/a8280271.fits"
    image = fits.getdata(name).astype("float32")
    noise = measure(name)["noise_adu"]
    y, x = np.mgrid[0:image.shape[0], 0:image.shape[1]]
    slope, at = 0.31, 60.0
    across = (y - at - slope * x) / np.hypot(1, slope)
    path = tmp_path / "streak.fits"
    fits.writeto(path, (image + 2 * noise * np.exp(-0.5 * (across / 2.0) ** 2)).astype("float32"))
    streaks = measure(path)["streaks"]
    assert len(streaks) == 1
    s = streaks[0]
    for end in ("0", "1"):
        want = at + slope * (s[f"x{end}_px"] - 1) + 1
        assert abs(s[f"y{end}_px"] - want) < 2.0
    assert s["crosses_frame"]


def test_colours_of_a_mosaic_lie_where_they_were_put(tmp_path):
    """Gaussian stars of 5 px on an RGGB mosaic; R and B shifted, R magnified by 100 ppm."""
    rng = np.random.default_rng(8)
    width, height, sigma = 1200, 900, 5 / 2.3548
    place = {"R": (-0.30, 0.10, 1e-4), "G": (0.0, 0.0, 0.0), "B": (0.40, 0.05, 0.0)}
    image = np.full((height, width), 500.0)
    planes = {"R": (0, 0), "G": (1, 0), "G2": (0, 1), "B": (1, 1)}
    stars = [(rng.uniform(25, width - 25), rng.uniform(25, height - 25), 10 ** rng.uniform(4, 5))
             for _ in range(150)]
    for name, (x0, y0) in planes.items():
        dx, dy, m = place[name[0]]
        for x, y, light in stars:
            sx = x + dx + m * (x - 0.5 * (width - 1))
            sy = y + dy + m * (y - 0.5 * (height - 1))
            ix, iy = int(sx) // 2 * 2 + x0, int(sy) // 2 * 2 + y0
            gx = np.arange(max(ix - 16, x0), min(ix + 17, width), 2)
            gy = np.arange(max(iy - 16, y0), min(iy + 17, height), 2)
            spot = np.exp(-0.5 * ((gx[None, :] - sx) ** 2 + (gy[:, None] - sy) ** 2) / sigma**2)
            image[np.ix_(gy, gx)] += light / (2 * np.pi * sigma**2) * spot
    image += rng.normal(0, 5, image.shape)
    path = tmp_path / "mosaic.fits"
    header = fits.Header([("BAYERPAT", "RGGB")])
    fits.writeto(path, image.astype("float32"), header)
    done = run("measure", path, "--json")
    assert done.returncode == 0, done.stderr
    frames = {f["channel"]: f for f in json.loads(done.stdout)["frames"]}
    assert "colour_shift" not in frames["G"]
    for name in ("R", "B"):
        s = frames[name]["colour_shift"][0]
        assert s["stars"] > 40 and not s["undersampled"]
        assert abs(s["x_px"] - place[name][0]) < 0.02
        assert abs(s["y_px"] - place[name][1]) < 0.02
        assert abs(s["magnification_ppm"] - 1e6 * place[name][2]) < \
            5 * s["magnification_ppm_sigma"]
        assert abs(s["rotation_arcsec"]) < 5 * s["rotation_arcsec_sigma"]
