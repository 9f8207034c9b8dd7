"""`nightwright measure` against sep and photutils/astropy: counts, positions, widths, background.

Simulated frames (truth known to all three) and the real frames of the shared data. What is compared
and why the tolerances are what they are stands at each test. Environment: NIGHTWRIGHT = the built
command, NIGHTWRIGHT_SHARED_DATA = folder of real data (absent: those tests are skipped).
"""
import csv
import json
import warnings

import numpy as np
import pytest
from astropy.io import fits
from astropy.modeling import fitting, models
from support import DATA, needs_command, needs_data, run

sep = pytest.importorskip("sep")
photutils_detection = pytest.importorskip("photutils.detection")

pytestmark = needs_command


def number(text):
    return float(text) if text else np.nan


def measure(path, tmp_path):
    """Summary of the frame and its stars; positions as numpy indexes them."""
    table = tmp_path / "stars.csv"
    table.unlink(missing_ok=True)
    done = run("measure", path, "--json", "--stars", table)
    assert done.returncode == 0, done.stderr
    with open(table) as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    stars = {
        "x": np.array([number(r["x_px"]) - 1.0 for r in rows]),
        "y": np.array([number(r["y_px"]) - 1.0 for r in rows]),
        "flux": np.array([number(r["flux_adu"]) for r in rows]),
        "snr": np.array([number(r["snr"]) for r in rows]),
        "fwhm": np.array([number(r["fwhm_px"]) for r in rows]),
        "flags": np.array([r["flags"] for r in rows]),
    }
    return json.loads(done.stdout)["frames"][0], stars


def read(path):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with fits.open(path) as hdus:
            image = next(h.data for h in hdus if h.data is not None)
    return np.ascontiguousarray(image, dtype=np.float32)


def simulate(path, fwhm, n=250, side=900, seed=1):
    """Round Moffat stars (beta 3) integrated over pixels, gain 1; truth: x, y, flux."""
    rng = np.random.default_rng(seed)
    image = np.full((side, side), 400.0)
    x, y = rng.uniform(15.0, side - 16.0, (2, n))
    flux = 30.0 * fwhm * 10.0 * rng.uniform(size=n) ** -0.9
    alpha = fwhm / (2.0 * np.sqrt(2.0 ** (1.0 / 3.0) - 1.0))
    sub = (np.arange(8) + 0.5) / 8.0 - 0.5
    for xs, ys, f in zip(x, y, flux):
        reach = int(8 * fwhm + 5)
        i0, i1 = max(int(xs) - reach, 0), min(int(xs) + reach + 1, side)
        j0, j1 = max(int(ys) - reach, 0), min(int(ys) + reach + 1, side)
        jj, ii = np.mgrid[j0:j1, i0:i1]
        total = np.zeros(ii.shape)
        for a in sub:
            for b in sub:
                r2 = (ii + a - xs) ** 2 + (jj + b - ys) ** 2
                total += (1.0 + r2 / alpha**2) ** -3.0
        image[j0:j1, i0:i1] += f * total / 64.0 * 2.0 / (np.pi * alpha**2)
    image += rng.normal(size=image.shape) * np.sqrt(100.0 + image - 400.0)
    header = fits.Header({"EGAIN": 1.0})
    fits.PrimaryHDU(image.astype(np.float32), header).writeto(path)
    return x, y, flux


def nearest(x, y, xs, ys):
    """For each (x, y): index of the nearest of (xs, ys), and the distance."""
    d2 = (x[:, None] - xs[None, :]) ** 2 + (y[:, None] - ys[None, :]) ** 2
    k = d2.argmin(axis=1)
    return k, np.sqrt(d2[np.arange(len(x)), k])


def extract(image, threshold=5.0):
    """sep with its own background; 5 sigma on the filtered image (filter of 3 x 3, its default)."""
    mask = ~np.isfinite(image)
    background = sep.Background(image, mask=mask)
    clean = image - background.back()
    clean[mask] = 0.0
    sep.set_extract_pixstack(1_000_000)
    return background, clean, sep.extract(clean, threshold, err=background.globalrms, mask=mask)


def moffat_width(clean, x, y, half):
    """Delivered FWHM as the libraries measure it: a Moffat evaluated at pixel centres, fitted to
    the pixel values. The pixel is then inside the width to first order; NaN when it fails."""
    i, j = int(round(x)), int(round(y))
    cut = clean[j - half : j + half + 1, i - half : i + half + 1]
    if cut.shape != (2 * half + 1, 2 * half + 1):
        return np.nan
    jj, ii = np.mgrid[-half : half + 1, -half : half + 1]
    start = models.Moffat2D(float(cut.max()), x - i, y - j, 0.35 * half, 3.0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = fitting.LevMarLSQFitter()(start, ii, jj, cut.astype(float), maxiter=300)
    return fit.fwhm


def delivered(fwhm):
    """Half-maximum width along x of the round Moffat seen through a pixel: brute force."""
    alpha = fwhm / (2.0 * np.sqrt(2.0 ** (1.0 / 3.0) - 1.0))
    sub = (np.arange(40) + 0.5) / 40.0 - 0.5
    a, b = np.meshgrid(sub, sub)
    r = np.linspace(0.0, fwhm + 1.0, 2000)
    seen = np.array([((1 + ((p + a) ** 2 + b**2) / alpha**2) ** -3.0).mean() for p in r])
    return 2.0 * np.interp(-0.5 * seen[0], -seen, r)


@pytest.mark.parametrize("fwhm", [1.5, 2.5, 4.0, 7.0])
def test_simulated_field(tmp_path, fwhm):
    path = tmp_path / "field.fits"
    x, y, flux = simulate(path, fwhm)
    frame, stars = measure(path, tmp_path)
    image = read(path)
    background, clean, theirs = extract(image)

    # Background: two estimators of the same tiles. A tile's error is 0.03 sigma, stars skew both.
    assert abs(frame["background_adu"] - background.globalback) < 0.2 * background.globalrms
    assert abs(frame["noise_adu"] / background.globalrms - 1.0) < 0.05

    # Found: nearly every true star that sep has, and our list holds nothing that is not true.
    lonely = nearest(x, y, x, y)[1] * 0 + np.sort(
        np.hypot(x[:, None] - x, y[:, None] - y), axis=1
    )[:, 1]
    bright = (flux > 80.0 * fwhm * 10.0) & (lonely > 6.0 * fwhm)
    ours_k, ours_d = nearest(x[bright], y[bright], stars["x"], stars["y"])
    sep_k, sep_d = nearest(x[bright], y[bright], theirs["x"], theirs["y"])
    assert (ours_d < 1.0).mean() > 0.99
    assert (ours_d < 1.0).sum() >= (sep_d < 1.0).sum() - 1
    strong = stars["snr"] > 20.0
    assert (nearest(stars["x"][strong], stars["y"][strong], x, y)[1] < fwhm).mean() > 0.995

    # Positions: no worse than sep's windowed ones, which are near the Cramer-Rao bound.
    both = (ours_d < 1.0) & (sep_d < 1.0)
    wx, wy, _ = sep.winpos(
        clean, theirs["x"][sep_k[both]], theirs["y"][sep_k[both]], 0.42 * delivered(fwhm)
    )
    rms_sep = np.sqrt(np.median((wx - x[bright][both]) ** 2 + (wy - y[bright][both]) ** 2))
    rms_ours = np.sqrt(np.median(ours_d[both] ** 2))
    assert rms_ours < 1.1 * rms_sep + 0.002

    # Width: truth within 1 %; the point-sampled fit of the library reads the delivered width to
    # first order only (up to 3 % more at 1.5 px), so it is held to 4 % there and 2 % above.
    assert abs(frame["fwhm_px"] / delivered(fwhm) - 1.0) < 0.012
    order = np.flatnonzero(bright)[np.argsort(flux[bright])[-25:]]
    half = int(np.ceil(2.2 * fwhm)) + 2
    library = np.nanmedian([moffat_width(clean, x[k], y[k], half) for k in order])
    assert abs(frame["fwhm_px"] / library - 1.0) < (0.04 if fwhm < 2.0 else 0.02)


def test_photutils_finds_the_same_stars(tmp_path):
    path = tmp_path / "field.fits"
    simulate(path, 3.0, n=200, seed=2)
    frame, stars = measure(path, tmp_path)
    background, clean, _ = extract(read(path))
    finder = photutils_detection.DAOStarFinder(8.0 * background.globalrms, 3.1)
    found = finder(clean)
    k, d = nearest(
        np.asarray(found["xcentroid"]), np.asarray(found["ycentroid"]), stars["x"], stars["y"]
    )
    assert (d < 1.0).mean() > 0.97  # the rest: its false peaks beside bright stars
    assert np.median(d) < 0.1
    assert frame["stars_detected"] >= 0.97 * len(found)


# Field, widest allowed difference of the level in sigmas. plate, galactic centre: stars everywhere,
# so the two modes part; the sky there is not defined better.
REAL = [
    ("sep/image.fits", 0.1),
    ("eso-midas-testdata/isaac_ks_20060413.fits", 0.1),
    ("nom-tam-m13/m13.fits", 0.3),
    ("astropy-data/2mass_K_990502s1420186.fits.gz", 0.1),
    ("photutils-datasets/M6707HH.fits", 0.1),
    ("sfft-decam/DEC-OBS18a.mini.fits", 0.1),
    ("uwmro/eb787_r_7s.fits", 0.1),
]


@needs_data
@pytest.mark.parametrize("name,level_sigmas", REAL)
def test_real_frame(tmp_path, name, level_sigmas):
    path = DATA / name
    frame, stars = measure(path, tmp_path)
    image = read(path)
    background, clean, theirs = extract(image)
    rms = background.globalrms
    assert abs(frame["background_adu"] - background.globalback) < level_sigmas * rms
    assert -0.05 < frame["noise_adu"] / rms - 1.0 < (0.35 if "m13" in name else 0.17)

    # What sep calls a clean round object of some strength is in our list, within a pixel.
    a, b = theirs["a"], theirs["b"]
    inside = (
        (theirs["x"] > 8) & (theirs["y"] > 8)
        & (theirs["x"] < image.shape[1] - 9) & (theirs["y"] < image.shape[0] - 9)
    )
    # Not where the local noise is twice the frame's (cluster cores, nebulae: ours is local, sep was
    # given the global one), nor lone pixels (an infrared array has hundreds): neighbours under a
    # fifth of the top.
    i = np.clip(np.rint(theirs["x"]).astype(int), 1, image.shape[1] - 2)
    j = np.clip(np.rint(theirs["y"]).astype(int), 1, image.shape[0] - 2)
    quiet = background.rms()[j, i] < 2.0 * rms
    sides = (clean[j - 1, i] + clean[j + 1, i] + clean[j, i - 1] + clean[j, i + 1]) / 4.0
    star_like = sides > 0.2 * clean[j, i]
    strong = theirs["peak"] > 15.0 * rms
    clear = inside & (theirs["flag"] == 0) & (b / a > 0.6) & strong & quiet & star_like
    _, d = nearest(theirs["x"][clear], theirs["y"][clear], stars["x"], stars["y"])
    print(f"{name}: {(d < 1.0).sum()} of {clear.sum()}, median distance {np.median(d):.3f} px")
    assert clear.sum() >= 3
    assert (d < 1.0).mean() > 0.95
    # isophotal centroids of sep; three-lobed stars differ by half a pixel from a profile's centre
    assert np.median(d) < (0.6 if "uwmro" in name else 0.2)

    # Widths of the same stars: medians of ours and of point-sampled fits of the library.
    sound = np.flatnonzero((stars["flags"] == "") & (stars["snr"] > 40.0))[:40]
    if len(sound) < 5 or "uwmro" in name:  # there the stars have three lobes: no profile at all
        return
    half = int(np.ceil(2.2 * frame["fwhm_px"])) + 2
    library = np.array([moffat_width(clean, stars["x"][k], stars["y"][k], half) for k in sound])
    ratio = stars["fwhm"][sound] / library
    # ours is the width at half maximum of the profile itself; on digitised plates, which flatten
    # the cores, a Moffat fit reads less than that
    is_plate = "m13" in name or "M67" in name or "dss" in name
    assert abs(np.nanmedian(ratio) - 1.0) < (0.07 if is_plate else 0.05)


@needs_data
def test_published_background_of_the_cluster_field(tmp_path):
    """Reference maps made by an established extractor (shared data, INVENTORY: level 6851.8,
    noise 65.46). Level within a tenth of sigma, noise within 3 %."""
    folder = DATA / "sep"
    frame, _ = measure(folder / "image.fits", tmp_path)
    level, noise = np.median(read(folder / "back.fits")), np.median(read(folder / "rms.fits"))
    assert abs(frame["background_adu"] - level) < 0.1 * noise
    assert abs(frame["noise_adu"] / noise - 1.0) < 0.03


@needs_data
def test_undersampled_mosaic_has_no_optical_width(tmp_path):
    """2MASS mosaic of the Galactic centre: stars of one pixel; sep's half-flux diameter 2.47 px is
    that of blends."""
    frame, _ = measure(DATA / "astropy-data/gc_2mass_j.fits", tmp_path)
    assert frame["fwhm_optical_px"] is None
    assert frame["fwhm_px"] < 1.3


@needs_data
def test_particle_hits_are_not_stars(tmp_path):
    """Raw frame of 150 s: three bright wide stars among single-pixel events (INVENTORY)."""
    _, stars = measure(DATA / "ccdproc/a8280271.fits", tmp_path)
    # left of x = 70 steps of the sky beside the overscan are listed too: a known fault
    sound = np.isfinite(stars["fwhm"]) & (stars["x"] > 70.0)
    fitted = stars["fwhm"][sound]
    assert len(fitted) >= 2
    assert fitted.min() > 5.0
