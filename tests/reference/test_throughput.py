"""`throughput` on frames drawn in numpy from a list of stars: throughput, zero point, scatter, full
stars, mirrored and turned frames, stars that are not there.

Environment: NIGHTWRIGHT = path of the built command. Photons: Bessell, Castelli & Plez 1998.
"""
import math

import numpy as np
import pytest
from support import RIG, answer, needs_command, run

fits = pytest.importorskip("astropy.io.fits")
pytestmark = needs_command
W, H, SCALE = 1500, 1000, 3.76e-6 / 0.644
RA, DEC = 270.9, -24.4
# 485 to 575 nm, airmass 1.2, 0.19 mag in V at 437 m: 0.2022 mag an airmass in the mean (molecules,
# ozone, dust: test_light.py writes the formula down)
AIR = 10 ** (-0.4 * 0.2022 * 1.2)
SHARE = 0.42  # electrons per photon above the air
AREA = math.pi / 4 * 0.115 ** 2


@pytest.fixture(scope="module")
def stars(tmp_path_factory):
    rng = np.random.default_rng(21)
    n = 60
    ra = RA + rng.uniform(-0.45, 0.45, n) / math.cos(math.radians(DEC))
    dec = DEC + rng.uniform(-0.3, 0.3, n)
    v, bv = rng.uniform(7, 11, n), rng.uniform(-0.1, 1.4, n)
    folder = tmp_path_factory.mktemp("list")
    rows = "\n".join(f"s{i},{ra[i]:.6f},{dec[i]:.6f},{v[i]:.3f},{bv[i]:.3f}" for i in range(n))
    (folder / "list.csv").write_text("name,ra,dec,v,bv\n" + rows + "\n")
    done = run("catalogue", "--import", folder / "list.csv", "-o", folder / "list.bin")
    assert done.returncode == 0, done.stderr
    return folder / "list.bin", ra, dec, v, bv


# nm: the filter green, and what a pattern's colours leave of the filter luminance (405 to 695)
GREEN = (485, 575)
COLOURS = {"R": (590, 690), "G": (480, 580), "B": (405, 500)}
PLACES = {"R": [np.s_[0::2, 0::2]], "G": [np.s_[0::2, 1::2], np.s_[1::2, 0::2]],
          "B": [np.s_[1::2, 1::2]]}  # RGGB


def photons(v, bv, band):
    """Of a star, per second and square metre: A0 by Bessell, Castelli & Plez 1998, other colours by
    B-V times a straight line in 1/wavelength."""
    nm = np.linspace(*band, 2001)[:, None]
    table = np.array([(438, 1392.6), (545, 995.5), (641, 702.0), (798, 452.0)])
    a0 = np.log(table[:, 1])
    ln = np.interp(nm, table[:, 0], a0)
    ln = np.where(nm < 438, a0[0] + (nm - 438) * (a0[1] - a0[0]) / (545 - 438), ln)
    place = (1 / nm - 1 / 545) / (1 / 438 - 1 / 545)
    mean = np.mean(1e14 * np.exp(ln) * 10 ** (-0.4 * np.atleast_1d(bv) * place), axis=0)
    return mean * (band[1] - band[0]) * 1e-9 * 10 ** (-0.4 * np.atleast_1d(v))


def draw(path, stars, turn=0.0, mirror=1, exposure=5.0, share=SHARE, seed=1, **more):
    """A frame in the filter green, or of a colour camera when `share` says one for each colour."""
    _, ra, dec, v, bv = stars
    rng = np.random.default_rng(seed)
    da, d, d0 = np.radians(ra - RA), np.radians(dec), math.radians(DEC)
    c = np.sin(d0) * np.sin(d) + np.cos(d0) * np.cos(d) * np.cos(da)
    xi = np.cos(d) * np.sin(da) / c
    eta = (np.cos(d0) * np.sin(d) - np.sin(d0) * np.cos(d) * np.cos(da)) / c
    t = math.radians(turn)
    x = (-mirror * xi * math.cos(t) - eta * math.sin(t)) / SCALE + W / 2 + 60
    y = (-mirror * xi * math.sin(t) + eta * math.cos(t)) / SCALE + H / 2 - 40
    yy, xx = np.mgrid[0:25, 0:25]

    def light(band, part):
        image = np.full((H, W), 3.0 * exposure)
        for cx, cy, f in zip(x, y, photons(v, bv, band) * AREA * part * exposure):
            if 13 < cx < W - 13 and 13 < cy < H - 13:
                x0, y0 = int(cx) - 12, int(cy) - 12
                g = np.exp(-((xx - (cx - x0)) ** 2 + (yy - (cy - y0)) ** 2) / (2 * 1.4 ** 2))
                image[y0:y0 + 25, x0:x0 + 25] += f * g / (2 * math.pi * 1.4 ** 2)
        return image

    if isinstance(share, dict):
        image = np.empty((H, W))
        for colour, places in PLACES.items():
            whole = light(COLOURS[colour], share[colour])
            for place in places:
                image[place] = whole[place]
    else:
        image = light(GREEN, share)
    electrons = rng.poisson(image) + rng.normal(0, 1.5, image.shape)
    adu = np.clip(np.round(electrons / 0.25 + 500), 0, 65535).astype(np.uint16)
    cards = dict(EXPTIME=exposure, FILTER="green", RA=RA, DEC=DEC, AIRMASS=1.2, EGAIN=0.25, **more)
    fits.PrimaryHDU(adu, fits.Header(list(cards.items()))).writeto(path, overwrite=True)
    return path


def told(stars, *paths, options=()):
    return answer("throughput", RIG, *paths, "--catalogue", stars[0], *options)["frames"]


def test_share_and_zero_point(stars, tmp_path):
    frames = [draw(tmp_path / "a.fits", stars),
              draw(tmp_path / "b.fits", stars, turn=77, mirror=-1, share=0.3, seed=2)]
    for frame, share, mirrored in zip(told(stars, *frames), [SHARE, 0.3], [False, True]):
        assert frame["stars_used"] > 12
        assert frame["mirrored"] == mirrored
        # over 12 stars of 0.6 % each; what the aperture of a Gaussian misses is less
        assert frame["throughput_percent"] == pytest.approx(100 * share, rel=0.01)
        assert frame["scatter_mag"] < 0.02
        zero = 2.5 * math.log10(photons(0, 0, GREEN)[0] * AREA * share)
        assert frame["zero_point_mag"] == pytest.approx(zero, abs=0.01)
        assert frame["below_air_percent"] == pytest.approx(
            frame["throughput_percent"] / AIR, rel=3e-3)
        assert frame["foretold_percent"] == pytest.approx(
            100 * 0.94 * 0.93 * 0.85 * AIR, rel=3e-3)


def test_relative_change_is_exact(stars, tmp_path):
    """Dust: 12 % less on another night. The systematic part is the same in both."""
    a, b = told(stars, draw(tmp_path / "a.fits", stars),
                draw(tmp_path / "b.fits", stars, share=0.88 * SHARE, seed=5))
    assert b["throughput_percent"] / a["throughput_percent"] == pytest.approx(0.88, abs=0.01)


def test_long_subs_are_full_and_say_so(stars, tmp_path):
    frame, = told(stars, draw(tmp_path / "long.fits", stars, exposure=600.0, SATURATE=60000))
    assert frame.get("stars_full", 0) > 20 or "full" in frame["why_null"]["throughput_percent"]


def test_other_stars_and_bad_input(stars, tmp_path):
    path = draw(tmp_path / "a.fits", stars)
    frame, = told(stars, path, options=["--near", "120,10"])
    assert frame["throughput_percent"] is None
    assert "do not match" in frame["why_null"]["throughput_percent"]
    done = run("throughput", RIG, path, "--near", "west", "--catalogue", stars[0])
    assert done.returncode == 2 and "expected RA,DEC" in done.stderr
    text = run("throughput", RIG, path, "--catalogue", stars[0])
    assert text.returncode == 0 and "electrons" in text.stdout
    assert max(map(len, text.stdout.splitlines())) <= 80


def test_a_colour_camera_by_its_green_pixels(stars, tmp_path):
    """The green filter lets light to the green pixels alone: half of them, none interpolated."""
    path = draw(tmp_path / "cfa.fits", stars, BAYERPAT="RGGB")
    with fits.open(path, mode="update") as hdus:
        data = hdus[0].data
        rng = np.random.default_rng(8)
        for places in (np.s_[0::2, 0::2], np.s_[1::2, 1::2]):
            data[places] = np.round(500 + rng.normal(0, 6, data[places].shape))
    red, green, blue = told(stars, path, options=["--set", "cameras.cooled mono.pattern=RGGB"])
    assert green["throughput_percent"] == pytest.approx(100 * SHARE, rel=0.01)
    assert [f["colour"] for f in (red, green, blue)] == ["R", "G", "B"]
    assert "no light to this one" in red["why_null"]["throughput_percent"]


def test_every_colour_of_a_colour_camera(stars, tmp_path):
    """No filter before the pattern: each colour by its own pixels and its own passband."""
    share = {"R": 0.21, "G": 0.42, "B": 0.105}
    path = draw(tmp_path / "cfa.fits", stars, share=share, BAYERPAT="RGGB")
    with fits.open(path, mode="update") as hdus:
        hdus[0].header["FILTER"] = "luminance"
    rows = told(stars, path, options=["--set", "cameras.cooled mono.pattern=RGGB"])
    assert [r["colour"] for r in rows] == ["R", "G", "B"]
    for row in rows:
        part, band = share[row["colour"]], COLOURS[row["colour"]]
        # a quarter of the pixels: 0.02 mag a star, 0.5 % of the median of 18; four times that
        assert row["stars_used"] > 10 and row["scatter_mag"] < 0.04
        assert row["throughput_percent"] == pytest.approx(100 * part, rel=0.02)
        zero = 2.5 * math.log10(photons(0, 0, band)[0] * AREA * part)
        assert row["zero_point_mag"] == pytest.approx(zero, abs=0.02)
    text = run("throughput", RIG, path, "--catalogue", stars[0], "--set",
               "cameras.cooled mono.pattern=RGGB").stdout
    assert "luminance, blue" in text and text.count("THROUGHPUT") == 1
