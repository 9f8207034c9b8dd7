"""Budgets of light and time in `check` beside drawn subs: shares of the noise, the sky in V, signal
over noise reached, and every minute between subs, by construction; the same out of the book.

Environment: NIGHTWRIGHT = path of the built command.
"""
import math
from datetime import datetime, timedelta

import numpy as np
import pytest
from astropy.io import fits
from support import RIG, answer, needs_command, run

pytestmark = needs_command
GAIN, OFFSET, READ, DARK, T = 0.25, 500, 1.5, 0.0008, 300.0
SKY = 1.2  # electrons per second and pixel
SIZE = 260
# gap after each sub [s], and what happens in it; the usual ones 4 s, every third 19 s
GAPS = [(4, ""), (4, ""), (19, ""), (154, "focus"), (4, ""), (19, ""), (304, "flip"), (4, ""),
        (19, ""), (604, ""), (4, "")]


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    folder = tmp_path_factory.mktemp("subs")
    rng = np.random.default_rng(2)
    y, x = np.mgrid[0:SIZE, 0:SIZE]
    light = np.zeros((SIZE, SIZE))
    for _ in range(35):
        cx, cy = rng.uniform(12, SIZE - 12, 2)
        light += rng.uniform(1500, 30000) / (2 * np.pi * 1.4 ** 2) * np.exp(
            -((x - cx) ** 2 + (y - cy) ** 2) / (2 * 1.4 ** 2))
    start, steps, side = datetime(2026, 6, 14, 9, 0), 5000, "west"
    for i in range(len(GAPS) + 1):
        image = rng.poisson(light + (SKY + DARK) * T) + rng.normal(0, READ, light.shape)
        cards = dict(IMAGETYP="Light Frame", EXPTIME=T, FILTER="luminance", EGAIN=GAIN,
                     RA=218.0, DEC=-36.0, PIERSIDE=side, FOCUSPOS=steps,
                     INSTRUME="cooled mono", OBJECT="field")
        cards["DATE-OBS"] = start.isoformat()
        fits.PrimaryHDU(np.round(image / GAIN + OFFSET).astype(np.uint16),
                        fits.Header(list(cards.items()))).writeto(folder / f"sub{i:02d}.fits")
        if i < len(GAPS):
            gap, what = GAPS[i]
            start += timedelta(seconds=T + gap)
            steps += 12 if what == "focus" else 0
            side = "east" if what == "flip" else side
    return folder


def lines(document, name):
    budget, = [b for b in document["budgets"] if b["name"] == name]
    return budget, {line["id"]: line for line in budget["lines"]}


def test_light_beside_what_the_subs_show(night):
    document = answer("check", RIG, "--budget", "light", "--frames", night)
    _, line = lines(document, "light")
    variance = (SKY + DARK) * T + READ ** 2 + GAIN ** 2 / 12
    assert line["sky"]["measured"] == pytest.approx(100 * SKY * T / variance, abs=4)
    assert line["sky"]["measured_sigma"] < 5
    assert line["read_noise"]["measured"] == pytest.approx(100 * READ ** 2 / variance, abs=4)
    assert line["dark"]["measured"] is None and "darks" in line["dark"]["why_null"]["measured"]
    noise = line["noise_of_level"]
    assert noise["measured"] == pytest.approx(math.sqrt(variance), rel=0.03)
    assert noise["predicted"] == pytest.approx(math.sqrt(variance), rel=0.03)
    sky = line["sky_brightness"]
    # V of the sky by the command's own colours: once more, from the rates that `light` prints
    rates = answer("light", RIG, "--sky", "21")["bands"][0]["rates"]
    magnitude = 21 - 2.5 * math.log10(SKY / rates["dark_sky_e_per_s_px"])
    assert sky["measured"] == pytest.approx(magnitude, abs=0.03)
    assert sky["predicted_sigma"] == pytest.approx(0.2)
    foretold = 10 ** (-0.4 * (sky["predicted"] - magnitude)) * SKY
    ratio = math.sqrt((foretold + DARK) * T + READ ** 2) / math.sqrt(variance)
    assert line["snr_extended"]["measured"] == pytest.approx(ratio, rel=0.03)
    # one hour: 12 subs over the pixels of 10 x 10 arcsec, 3 sigma
    pixel2 = (3.76e-6 / 0.644 * 206264.806) ** 2
    rate = 3 * math.sqrt(variance) / T / math.sqrt(12 * 100 / pixel2)
    scale = 995.5e4 * 10 * math.pi / 4 * 0.115 ** 2 * 290 * 0.95 * 0.93 * 0.85 * pixel2
    # the light of a target near airmass 1 loses about 0.2 mag
    assert line["limit_luminance"]["measured"] == pytest.approx(
        -2.5 * math.log10(rate / scale) - 0.2, abs=0.08)


def test_time_beside_the_clock(night):
    document = answer("check", RIG, "--budget", "time", "--frames", night)
    budget, line = lines(document, "time")
    span = 12 * T + sum(g for g, _ in GAPS)
    expected = {"reading_out": 11 * 4, "dithers": 3 * 15, "focus_runs": 150, "flip": 300,
                "other_gaps": 600, "spoiled": 0}
    for key, seconds in expected.items():
        assert line[key]["measured"] == pytest.approx(60 * seconds / span, abs=0.01), key
    assert budget["total"]["measured"] == pytest.approx(60 * (span - 12 * T) / span, abs=0.01)
    # 09:00 UTC is 18:46 there, the Sun 21.4 degrees below the horizon (astropy): all subs are dark
    hours = line["exposing"]
    assert hours["measured"] == pytest.approx(12 * T / 3600, abs=1e-3) and hours["predicted"] > 9
    text = run("check", RIG, "--budget", "time", "--frames", night).stdout
    assert "longest gap without a cause 10 min" in text.replace("\n               ", " ")


def test_the_book_says_the_same(night, tmp_path):
    book = tmp_path / "book.sqlite"
    answer("book", "add", night, "--book", book)
    for name in ("light", "time"):
        by_files = answer("check", RIG, "--budget", name, "--frames", night)
        by_book = answer("check", RIG, "--budget", name, "--book", book)
        a, b = lines(by_files, name)[1], lines(by_book, name)[1]
        for key, one in a.items():
            if one["measured"] is None:
                assert b[key]["measured"] is None, key
            else:
                assert b[key]["measured"] == pytest.approx(one["measured"], rel=1e-3, abs=1e-6), key


def test_what_cannot_be_told(night, tmp_path):
    """A rig whose offset is above the sky's level says so; one sub has no gaps."""
    document = answer("check", RIG, "--budget", "light", "--frames", night, "--set",
                      "cameras.cooled mono.offset=3000 adu")
    _, line = lines(document, "light")
    assert line["sky"]["measured"] is None and "offset" in line["sky"]["why_null"]["measured"]
    document = answer("check", RIG, "--budget", "time", "--frames", night / "sub00.fits")
    assert lines(document, "time")[0]["total"]["measured"] is None
