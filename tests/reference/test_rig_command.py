"""The command `rig`: what it prints, what it refuses, what it never does.

Reference: scale 206264.806 p / f (REFERENCES IMG-02); headers written with astropy.io.fits.
"""

import json

import numpy
import pytest
from support import RIG, TOP, answer, needs_command, run, write_frame

BLACK = numpy.zeros((24, 32))
pytestmark = needs_command


def test_json_scale_of_the_demo_rig():
    told = answer("rig", RIG)
    assert told["schema"] == "nightwright.rig.1"
    want = 206264.80624709636 * 3.76e-3 / (805 * 0.8)
    assert told["setup"]["scale_arcsec_px"] == pytest.approx(want, rel=1e-8)
    assert told["setup"]["focal_length_sigma_mm"] == pytest.approx(
        644 * numpy.hypot(0.01, 0.005), rel=1e-2)
    assert {"path", "value", "why"} == set(told["assumptions"][0])


def test_set_and_setup():
    done = run("rig", RIG, "--setup", "wide", "--json",
               "--set", "setups.wide.focal_length={value: 355 mm, sigma: 1 mm, from: measured}")
    told = json.loads(done.stdout)
    assert told["setup"]["focal_length_mm"] == 355
    assert told["setup"]["focal_length_from"] == "measured"
    done = run("rig", RIG, "--set", "site.seing=1 arcsec")
    assert done.returncode == 2 and done.stdout == ""
    assert "--set: site: unknown key 'seing', nearest is 'seeing'" in done.stderr


def test_the_page_in_docs_is_what_the_command_prints():
    done = run("rig", "--keys", "--markdown")
    assert done.stdout == (TOP / "docs/rig-keys.md").read_text()
    keys = json.loads(run("rig", "--keys", "--json").stdout)["keys"]
    assert any(k["path"] == "site.latitude" and k["required"] for k in keys)


def test_draft_takes_the_light_frames_of_one_camera_and_reads_back(tmp_path):
    frames = tmp_path / "frames"
    frames.mkdir()
    common = dict(INSTRUME="camera one", XPIXSZ=3.76, XBINNING=1, FOCALLEN=644.0, APTDIA=115.0,
                  SITELAT=-32.18, SITELONG=146.52)
    for i in range(3):
        write_frame(frames / f"light_{i}.fits", BLACK, IMAGETYP="Light Frame", EXPTIME=300.0,
                    FILTER="L" if i else "Ha", **common)
    write_frame(frames / "short.fits", BLACK, IMAGETYP="LIGHT", EXPTIME=5.0, FILTER="L", **common)
    write_frame(frames / "other.fits", BLACK, INSTRUME="camera two", XPIXSZ=5.86, EXPTIME=2.0)
    for i in range(9):
        write_frame(frames / f"flat_{i}.fits", BLACK, IMAGETYP="Flat Field", EXPTIME=1.0,
                    FILTER="R", **common)
    (frames / "broken.fits").write_text("no frame")
    rig = tmp_path / "rig.yaml"
    done = run("rig", "--draft", frames, "-o", rig)
    assert done.returncode == 0, done.stderr
    assert "4 of 14 frames used" in done.stderr and "broken.fits" in done.stderr
    told = json.loads(run("rig", rig, "--json").stdout)
    setup = told["setup"]
    assert setup["camera"] == "camera one"
    assert setup["pixel_um"] == pytest.approx(3.76) and setup["pixel_from"] == "header"
    assert setup["sub_length_s"] == 300 and setup["aperture_mm"] == pytest.approx(115)
    assert told["site"]["latitude_deg"] == pytest.approx(-32.18)
    text = rig.read_text()
    assert '"R"' not in text and '"Ha"' in text and '"L"' in text
    assert "REPLACE:" not in text


def test_a_draft_never_overwrites(tmp_path):
    write_frame(tmp_path / "a.fits", BLACK, EXPTIME=1.0)
    old = tmp_path / "rig.yaml"
    old.write_text("mine\n")
    done = run("rig", "--draft", tmp_path, "-o", old)
    assert done.returncode == 2 and "overwrites nothing" in done.stderr
    assert old.read_text() == "mine\n"
    done = run("rig", "--draft", tmp_path)
    assert done.returncode == 0 and done.stdout.startswith("# A rig file drafted")


@pytest.mark.parametrize("args, part", [
    ([], "expected one of: a rig file, --keys, or --draft FOLDER"),
    (["nowhere.yaml"], "nowhere.yaml"),
    (["--draft", "/nonexistent"], "/nonexistent"),
    (["--markdown", "x.yaml"], "--markdown goes with --keys"),
    (["--keys", "x.yaml"], "expected one of"),
])
def test_wrong_use_is_told(args, part):
    done = run("rig", *args)
    assert done.returncode == 2 and done.stdout == ""
    assert part in done.stderr and done.stderr.count("\n") == 1


def test_a_folder_without_frames_is_told(tmp_path):
    done = run("rig", "--draft", tmp_path)
    assert done.returncode == 2
    assert "no readable frames" in done.stderr
