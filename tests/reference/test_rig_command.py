"""The command `rig`: what it prints, what it refuses, what it never does.

Reference: scale 206264.806 p / f (REFERENCES IMG-02); headers written with astropy.io.fits.
"""

import json
import os
import pathlib
import subprocess

import numpy
import pytest
from astropy.io import fits

NIGHTWRIGHT = os.environ.get("NIGHTWRIGHT", "")
TOP = pathlib.Path(__file__).resolve().parents[2]

pytestmark = pytest.mark.skipif(not NIGHTWRIGHT, reason="NIGHTWRIGHT names no binary")


def run(*args):
    return subprocess.run([NIGHTWRIGHT, "rig", *map(str, args)], capture_output=True, text=True)


def write_frame(path, **cards):
    header = fits.Header()
    for key, value in cards.items():
        header[key.replace("_", "-")] = value
    fits.PrimaryHDU(numpy.zeros((24, 32), "uint16"), header).writeto(path)


def test_json_scale_of_the_demo_rig():
    done = run(TOP / "data/demo/rig.yaml", "--json")
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    assert answer["schema"] == "nightwright.rig.1"
    want = 206264.80624709636 * 3.76e-3 / (805 * 0.8)
    assert answer["setup"]["scale_arcsec_px"] == pytest.approx(want, rel=1e-8)
    assert answer["setup"]["focal_length_sigma_mm"] == pytest.approx(
        644 * numpy.hypot(0.01, 0.005), rel=1e-2)
    assert {"path", "value", "why"} == set(answer["assumptions"][0])


def test_set_and_setup():
    done = run(TOP / "data/demo/rig.yaml", "--setup", "wide", "--json",
               "--set", "setups.wide.focal_length={value: 355 mm, sigma: 1 mm, from: measured}")
    answer = json.loads(done.stdout)
    assert answer["setup"]["focal_length_mm"] == 355
    assert answer["setup"]["focal_length_from"] == "measured"
    done = run(TOP / "data/demo/rig.yaml", "--set", "site.seing=1 arcsec")
    assert done.returncode == 2 and done.stdout == ""
    assert "--set: site: unknown key 'seing', nearest is 'seeing'" in done.stderr


def test_the_page_in_docs_is_what_the_command_prints():
    done = run("--keys", "--markdown")
    assert done.stdout == (TOP / "docs/rig-keys.md").read_text()
    keys = json.loads(run("--keys", "--json").stdout)["keys"]
    assert any(k["path"] == "site.latitude" and k["required"] for k in keys)


def test_draft_takes_the_light_frames_of_one_camera_and_reads_back(tmp_path):
    frames = tmp_path / "frames"
    frames.mkdir()
    common = dict(INSTRUME="camera one", XPIXSZ=3.76, XBINNING=1, FOCALLEN=644.0, APTDIA=115.0,
                  SITELAT=-32.18, SITELONG=146.52)
    for i in range(3):
        write_frame(frames / f"light_{i}.fits", IMAGETYP="Light Frame", EXPTIME=300.0,
                    FILTER="L" if i else "Ha", **common)
    write_frame(frames / "short.fits", IMAGETYP="LIGHT", EXPTIME=5.0, FILTER="L", **common)
    write_frame(frames / "other.fits", INSTRUME="camera two", XPIXSZ=5.86, EXPTIME=2.0)
    for i in range(9):
        write_frame(frames / f"flat_{i}.fits", IMAGETYP="Flat Field", EXPTIME=1.0, FILTER="R",
                    **common)
    (frames / "broken.fits").write_text("no frame")
    rig = tmp_path / "rig.yaml"
    done = run("--draft", frames, "-o", rig)
    assert done.returncode == 0, done.stderr
    assert "4 of 14 frames used" in done.stderr and "broken.fits" in done.stderr
    answer = json.loads(run(rig, "--json").stdout)
    setup = answer["setup"]
    assert setup["camera"] == "camera one"
    assert setup["pixel_um"] == pytest.approx(3.76) and setup["pixel_from"] == "header"
    assert setup["sub_length_s"] == 300 and setup["aperture_mm"] == pytest.approx(115)
    assert answer["site"]["latitude_deg"] == pytest.approx(-32.18)
    text = rig.read_text()
    assert '"R"' not in text and '"Ha"' in text and '"L"' in text
    assert "REPLACE:" not in text


def test_a_draft_never_overwrites(tmp_path):
    write_frame(tmp_path / "a.fits", EXPTIME=1.0)
    old = tmp_path / "rig.yaml"
    old.write_text("mine\n")
    done = run("--draft", tmp_path, "-o", old)
    assert done.returncode == 2 and "overwrites nothing" in done.stderr
    assert old.read_text() == "mine\n"
    done = run("--draft", tmp_path)
    assert done.returncode == 0 and done.stdout.startswith("# A rig file drafted")


@pytest.mark.parametrize("args, part", [
    ([], "expected one of: a rig file, --keys, or --draft FOLDER"),
    (["nowhere.yaml"], "nowhere.yaml"),
    (["--draft", "/nonexistent"], "/nonexistent"),
    (["--markdown", "x.yaml"], "--markdown goes with --keys"),
    (["--keys", "x.yaml"], "expected one of"),
])
def test_wrong_use_is_told(args, part):
    done = run(*args)
    assert done.returncode == 2 and done.stdout == ""
    assert part in done.stderr and done.stderr.count("\n") == 1


def test_a_folder_without_frames_is_told(tmp_path):
    done = run("--draft", tmp_path)
    assert done.returncode == 2
    assert "no readable frames" in done.stderr
