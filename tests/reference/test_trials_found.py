"""Trials that `book add` knows by what was done: a pair about focus, the rotator turned, the tube
on both sides, five seconds, the cap on by day, a card over an edge; usual nights hold none."""
import json
import shutil

import numpy as np
import pytest
from astropy.io import fits
from support import (COMMAND, RIG, answer, answer_book, call, good, needs_command, run_book,
                     write_frame, write_light)
from test_throughput import SHARE, draw, stars  # noqa: F401 (a fixture)

pytestmark = needs_command


def found(book, *paths):
    return answer_book(book, "add", *paths, "--rig", RIG)["trials"]


def copy(frame, path, **cards):
    with fits.open(frame) as hdus:
        for key, value in cards.items():
            hdus[0].header[key.replace("_", "-")] = value
        hdus.writeto(path)


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    folder = tmp_path_factory.mktemp("found") / "pair"
    good("synth", RIG, "-o", folder, "--focus", "pair", "--size", "640x512")
    return sorted(folder.glob("light*.fits"))


def test_pairs_rotator_and_sides(tmp_path, pair):
    night = tmp_path / "night"
    night.mkdir()
    for k, (minute, cards) in enumerate(((10, dict(ROTATANG=10.0, PIERSIDE="East")),
                                         (20, dict(ROTATANG=190.0, PIERSIDE="East")),
                                         (30, dict(ROTATANG=190.0, PIERSIDE="West")))):
        for i, frame in enumerate(pair):
            copy(frame, night / f"p{k}{i}.fits", DATE_OBS=f"2026-06-14T12:{minute + i:02d}:00",
                 ALTITUDE=30.0, **cards)
        with fits.open(pair[0]) as hdus:  # at best focus, as their headers have it
            hdus[0].header["FOCUSPOS"] = round(
                np.mean([fits.getheader(f)["FOCUSPOS"] for f in pair]))
            hdus[0].header["DATE-OBS"] = f"2026-06-14T12:{minute + 5:02d}:00"
            hdus[0].data = np.roll(hdus[0].data, 7, axis=0)
            hdus.writeto(night / f"s{k}.fits")
    book = tmp_path / "b.sqlite"
    trials = found(book, night)
    names = [(t["trial"], t["quantity"]) for t in trials]
    assert names.count(("pair-about-focus", "tilt")) == 3
    assert names.count(("rotator-half-turn", "tilt that turns")) == 1
    assert names.count(("two-tube-sides", "sag")) == 1
    assert {n for n, _ in names} == {"pair-about-focus", "rotator-half-turn", "two-tube-sides"}
    told = {(t["trial"], t["quantity"]): t for t in trials}
    named = answer("surface", night / "p00.fits", night / "p01.fits", "--rig", RIG)
    assert [t["value"] for t in trials if t["quantity"] == "tilt"][0] == pytest.approx(
        named["tilt_corner_to_corner_um"], rel=1e-3), "as when it is named"
    # the same pixels at both angles: all of the tilt stays with the chip
    part = told["rotator-half-turn", "tilt of the camera"]
    turned = told["rotator-half-turn", "tilt that turns"]
    assert abs(turned["value"]) < 3 * turned["sigma"]
    assert part["value"] == pytest.approx(2 * np.hypot(named["a_um"], named["b_um"]), rel=0.01)
    assert abs(told["two-tube-sides", "sag"]["value"]) < 3 * told["two-tube-sides", "sag"]["sigma"]
    assert len(run_book(book, "export", "surface").stdout.splitlines()) == 4, "three surfaces"
    assert found(book, night) == [], "told once"
    # one was none: gone with its surface, and it stays away
    kept = answer_book(book, "trials")["trials"]
    left = answer_book(book, "trials", "--forget", kept[0]["number"], "--note", "it slipped")
    gone = [t for t in left["trials"] if t["value"] is None]
    assert [t["quantity"] for t in gone] == ["tilt", "curvature"]
    assert "it slipped" in gone[0]["why_null"]["value"]
    assert len(run_book(book, "export", "surface").stdout.splitlines()) == 3
    again = answer_book(book, "trials", "--look")["trials"]
    assert [t["number"] for t in again if t["value"] is None] == [g["number"] for g in gone]
    assert run_book(book, "check").returncode == 0


def test_five_seconds_amid_long_subs(tmp_path, stars):
    """42 % of the light arrive; the program's own list is that of the field."""
    night = tmp_path / "night"
    night.mkdir()
    program = tmp_path / "nightwright"
    shutil.copy(COMMAND, program)
    shutil.copy(stars[0], tmp_path / "catalogue.bin")
    draw(night / "five.fits", stars, turn=30.0, **{"DATE-OBS": "2026-06-14T12:20:00"})
    draw(night / "none.fits", (None, *(s[:1] for s in stars[1:])),
         **{"DATE-OBS": "2026-06-14T12:40:00"})
    for k, minute in enumerate((10, 26, 46)):
        with fits.open(night / "five.fits") as hdus:  # of one train
            hdus[0].header["DATE-OBS"] = f"2026-06-14T12:{minute}:00"
            hdus[0].header["EXPTIME"] = 280.0
            hdus[0].data = np.roll(hdus[0].data, k + 1, axis=0)
            hdus.writeto(night / f"s{k}.fits")
    done = call(program, "book", "add", night, "--rig", RIG, "--json", "--book",
                tmp_path / "b.sqlite")
    assert done.returncode == 0, done.stderr
    first, zero, none = json.loads(done.stdout)["trials"]
    assert first["trial"] == zero["trial"] == none["trial"] == "five-second-frame"
    assert first["value"] == pytest.approx(SHARE, abs=3 * first["sigma"] + 0.01)
    assert zero["quantity"] == "zero point" and zero["unit"] == "mag" and zero["sigma"] < 0.05
    assert none["value"] is None and none["why_null"]["value"]


def test_darks_by_day_and_a_card(tmp_path):
    night = tmp_path / "night"
    night.mkdir()
    rng = np.random.default_rng(1)
    for k in range(6):
        is_day = k >= 3
        level = 500 + (0.02 + 0.03 * is_day) * 300
        write_frame(night / f"d{k}.fits", rng.normal(level, 5, (120, 160)),
                    DATE_OBS="2026-06-14T%02d:%02d:00" % (2 if is_day else 12, 6 * k),
                    EXPTIME=300.0, IMAGETYP="DARK", INSTRUME="cooled mono", CCD_TEMP=-10.0)
    y = np.mgrid[0:120, 0:160][0]
    for k in range(4):
        shade = 1 - 0.12 * y / 120 if k == 3 else 1.0
        write_frame(night / f"f{k}.fits", 500 + rng.normal(20000 * shade, 100, (120, 160)),
                    IMAGETYP="FLAT", DATE_OBS=f"2026-06-14T08:0{k}:00", EXPTIME=2.0,
                    INSTRUME="cooled mono", FILTER="red")
    trials = {t["trial"]: t for t in found(tmp_path / "b.sqlite", night)}
    assert set(trials) == {"cap-on", "edge-card"}
    assert trials["cap-on"]["value"] == pytest.approx(0.0075, abs=0.0003)
    assert "light leaks in" in trials["cap-on"]["verdict"]
    assert trials["edge-card"]["value"] == pytest.approx(90, abs=3)
    assert trials["edge-card"]["frames"] == 2  # the one in shade, and the flattest


def test_usual_nights_hold_none(tmp_path):
    """Subs, a focus run that was kept, darks all night, flats at dusk: nothing is a trial."""
    night = tmp_path / "night"
    night.mkdir()
    rng = np.random.default_rng(2)
    for k in range(6):
        write_light(night / f"s{k:02d}.fits", f"2026-06-14T12:{9 * k:02d}:00",
                    k, EXPTIME=300.0, FOCUSPOS=20000 - 3 * k, FILTER="luminance")
    for k in range(9):
        write_light(night / f"r{k}.fits", f"2026-06-14T13:00:{6 * k:02d}", 50 + k, EXPTIME=3.0,
                    fwhm_px=2.5 + 0.5 * abs(k - 4), FOCUSPOS=19980 + 20 * (k - 4),
                    FILTER="luminance")
    for k in range(8):
        write_frame(night / f"d{k}.fits", rng.normal(506, 5, (120, 160)), EXPTIME=300.0,
                    IMAGETYP="DARK", DATE_OBS=f"2026-06-14T14:{6 * k:02d}:00",
                    INSTRUME="cooled mono", CCD_TEMP=-10.0)
    y, x = np.mgrid[0:120, 0:160]
    fall = 1 - 0.2 * ((x / 160 - 0.5) ** 2 + (y / 120 - 0.5) ** 2) + 0.01 * x / 160
    for k in range(8):
        write_frame(night / f"f{k}.fits", 500 + rng.normal((20000 + 900 * k) * fall, 100),
                    IMAGETYP="FLAT", DATE_OBS=f"2026-06-14T08:0{k}:00", EXPTIME=2.0,
                    INSTRUME="cooled mono", FILTER="red")
    assert found(tmp_path / "b.sqlite", night) == []
