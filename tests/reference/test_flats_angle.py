"""`flats --for`: the camera's angle as stars show it, on fields drawn in numpy: turned by hand
between nights, flipped, a header that lies, another field by the catalogue's stars.

Environment: NIGHTWRIGHT = path of the built command.
"""
import json
import math

import numpy as np
import pytest
from support import RIG, needs_command, run

fits = pytest.importorskip("astropy.io.fits")
pytestmark = needs_command
W, H, SCALE = 900, 600, 3.76e-6 / 0.644
FIELDS = {"a": (120.0, -30.0), "b": (124.0, -33.0)}


@pytest.fixture(scope="module")
def sky(tmp_path_factory):
    """Stars of both fields, as a catalogue of the program's."""
    rng = np.random.default_rng(4)
    stars = {}
    rows = ["name,ra,dec,v,bv"]
    for name, (ra0, dec0) in FIELDS.items():
        n = 45
        ra = ra0 + rng.uniform(-0.17, 0.17, n) / math.cos(math.radians(dec0))
        dec = dec0 + rng.uniform(-0.12, 0.12, n)
        v = rng.uniform(8, 11.5, n)
        stars[name] = (ra, dec, v)
        rows += [f"{name}{i},{ra[i]:.6f},{dec[i]:.6f},{v[i]:.3f},0.5" for i in range(n)]
    folder = tmp_path_factory.mktemp("sky")
    (folder / "list.csv").write_text("\n".join(rows) + "\n")
    done = run("catalogue", "--import", folder / "list.csv", "-o", folder / "list.bin")
    assert done.returncode == 0, done.stderr
    return folder, stars


def draw(path, stars, field, turn, time, seed, **more):
    ra0, dec0 = FIELDS[field]
    ra, dec, v = stars[field]
    rng = np.random.default_rng(seed)
    da, d, d0 = np.radians(ra - ra0), np.radians(dec), math.radians(dec0)
    c = np.sin(d0) * np.sin(d) + np.cos(d0) * np.cos(d) * np.cos(da)
    xi = np.cos(d) * np.sin(da) / c
    eta = (np.cos(d0) * np.sin(d) - np.sin(d0) * np.cos(d) * np.cos(da)) / c
    t = math.radians(turn)
    x = (-xi * math.cos(t) - eta * math.sin(t)) / SCALE + W / 2 + rng.uniform(-20, 20)
    y = (-xi * math.sin(t) + eta * math.cos(t)) / SCALE + H / 2 + rng.uniform(-20, 20)
    image = np.full((H, W), 200.0)
    yy, xx = np.mgrid[0:21, 0:21]
    for cx, cy, f in zip(x, y, 4e5 * 10 ** (-0.4 * (v - 8))):
        if 11 < cx < W - 11 and 11 < cy < H - 11:
            x0, y0 = int(cx) - 10, int(cy) - 10
            g = np.exp(-((xx - (cx - x0)) ** 2 + (yy - (cy - y0)) ** 2) / (2 * 1.4 ** 2))
            image[y0:y0 + 21, x0:x0 + 21] += f * g / (2 * math.pi * 1.4 ** 2)
    adu = np.clip(np.round(rng.poisson(image) / 0.25 + 500), 0, 65535).astype(np.uint16)
    cards = {"IMAGETYP": "Light Frame", "EXPTIME": 60.0, "FILTER": "red", "RA": ra0, "DEC": dec0,
             "DATE-OBS": time, **more}
    fits.PrimaryHDU(adu, fits.Header(list(cards.items()))).writeto(path)
    return path


@pytest.fixture(scope="module")
def frames(sky, tmp_path_factory):
    folder, stars = tmp_path_factory.mktemp("frames"), sky[1]
    rng = np.random.default_rng(9)
    for k in range(3):
        flat = np.round(rng.normal(20000, 140, (H, W)) + 500).astype(np.uint16)
        fits.PrimaryHDU(flat, fits.Header([
            ("IMAGETYP", "Flat Frame"), ("EXPTIME", 2.0), ("FILTER", "red"),
            ("ROTATANG", 40.0), ("DATE-OBS", f"2026-05-02T00:0{k}:00")])).writeto(
                folder / f"flat{k}.fits")
    one, two = "2026-05-01T22:00:00", "2026-05-09T22:00:00"
    draw(folder / "same.fits", stars, "a", 12.0, one, 1, ROTATANG=40.0, PIERSIDE="west")
    draw(folder / "flipped.fits", stars, "a", 192.1, "2026-05-01T23:00:00", 2, ROTATANG=40.0,
         PIERSIDE="east")
    draw(folder / "turned.fits", stars, "a", 15.0, two, 3, ROTATANG=40.0, PIERSIDE="west")
    draw(folder / "other.fits", stars, "b", 12.2, two, 4, ROTATANG=75.0, PIERSIDE="west")
    draw(folder / "off.fits", stars, "b", 14.4, two, 5, PIERSIDE="west")
    return folder


def test_the_camera_s_angle_by_its_stars(sky, frames):
    names = ["same", "flipped", "turned", "other", "off"]
    done = run("flats", RIG, *sorted(frames.glob("flat*")), "--json", "--catalogue",
               sky[0] / "list.bin", "--for", *[frames / f"{n}.fits" for n in names])
    assert done.returncode == 0, done.stderr
    lights = dict(zip(names, json.loads(done.stdout)["lights"]))
    # against "flipped", the light nearest in time to the flats
    expected = {"same": 0.1, "flipped": 0.0, "turned": 2.9, "other": 0.1, "off": 2.3}
    for name, turn in expected.items():
        assert abs(lights[name]["turned_deg"]) == pytest.approx(turn, abs=0.06), name
        assert lights[name]["has_flat"] == (turn <= 1), name
        assert lights[name]["turned_by"] == ("catalogue" if name in ("other", "off") else "stars")
    assert lights["other"]["angle_off_deg"] == pytest.approx(35)  # the header lies, the stars count
    text = run("flats", RIG, *sorted(frames.glob("flat*")), "--catalogue", sky[0] / "list.bin",
               "--for", frames / "turned.fits", frames / "other.fits", "--taken-with",
               frames / "same.fits").stdout
    flat = " ".join(text.split())
    assert "0 of 2" not in flat and "1 of 2 lights" in flat
    assert "since the flats (laid over same.fits)" in flat
    assert "do not trust it" in flat
    assert max(map(len, text.splitlines())) <= 80


def test_without_a_light_of_that_night_the_header_decides(frames):
    done = run("flats", RIG, *sorted(frames.glob("flat*")), "--json", "--for",
               frames / "turned.fits", frames / "off.fits")
    lights = json.loads(done.stdout)["lights"]
    assert lights[0]["turned_deg"] is None and lights[0]["has_flat"]  # its header says 40 deg
    assert not lights[1]["has_flat"]
    text = run("flats", RIG, *sorted(frames.glob("flat*")), "--for", frames / "off.fits").stdout
    assert "--taken-with" in text


def test_dust_that_turned_is_known_without_a_rotator_s_word(sky, tmp_path):
    """A camera turned by hand by 30 deg between two nights, no angle in any header: lights of both
    nights show the turn, and which mote turned with what is before the camera."""
    rng = np.random.default_rng(12)
    yy, xx = np.mgrid[0:H, 0:W]
    t = math.radians(30)
    turned = (170 * math.cos(t) - 60 * math.sin(t), 170 * math.sin(t) + 60 * math.cos(t))
    for name, places, day in (("then", [(170, 60), (-150, -90)], 1),
                              ("now", [turned, (-150, -90)], 9)):
        for k in range(4):
            flat = np.full((H, W), 20000.0)
            for x, y in places:
                r = np.hypot(xx - (W - 1) / 2 - x, yy - (H - 1) / 2 - y)
                flat *= 1 - 0.06 / (1 + np.exp((r - 32) / 2))
            flat = np.round(rng.normal(flat, 140) + 500).astype(np.uint16)
            fits.PrimaryHDU(flat, fits.Header([
                ("IMAGETYP", "Flat Frame"), ("EXPTIME", 2.0), ("FILTER", "red"),
                ("DATE-OBS", f"2026-05-{day + 1:02d}T00:0{k}:00")])).writeto(
                    tmp_path / f"{name}{k}.fits")
    lights = [draw(tmp_path / "light1.fits", sky[1], "a", 12.0, "2026-05-01T22:00:00", 31),
              draw(tmp_path / "light2.fits", sky[1], "a", 42.0, "2026-05-09T22:00:00", 32)]
    done = run("flats", RIG, *sorted(tmp_path.glob("now*")), "--json", "--since",
               *sorted(tmp_path.glob("then*")), "--taken-with", *lights)
    assert done.returncode == 0, done.stderr
    group = next(g for g in json.loads(done.stdout)["groups"] if not g["is_older"])
    assert abs(group["turned_since_deg"]) == pytest.approx(30, abs=0.1)
    assert group["turned_since_by"] == "stars"
    assert sorted(c["fate"] for c in group["changes"]) == ["stayed", "turned with the rotator"]
    done = run("flats", RIG, *sorted(tmp_path.glob("now*")), "--json", "--since",
               *sorted(tmp_path.glob("then*")))
    group = next(g for g in json.loads(done.stdout)["groups"] if not g["is_older"])
    assert group["turned_since_deg"] is None
    assert "turned with the rotator" not in [c["fate"] for c in group["changes"]]


def test_a_catalogue_that_is_not_there_is_said(frames, tmp_path):
    done = run("flats", RIG, *sorted(frames.glob("flat*.fits")), "--for", frames / "same.fits",
               "--catalogue", tmp_path / "none.bin")
    assert done.returncode != 0 and "none.bin" in done.stderr
