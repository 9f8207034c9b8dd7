"""The command line as its users meet it: exit codes, streams, bad input, the JSON of CONTRACT.

Every bad input must give exit 2, one line on stderr that names what is wrong, nothing on stdout, no
file. Environment: NIGHTWRIGHT = path of the built command, NIGHTWRIGHT_SHARED_DATA = folder of real
data (absent: those tests are skipped).
"""
import csv
import json
import os
import re
import subprocess

import numpy as np
import pytest
from astropy.io import fits
from support import COMMAND, DATA, needs_command, needs_data, run, write_frame

pytestmark = needs_command

FRAME_KEYS = set(
    "path width_px height_px channel exposure_s date_obs stars_detected stars_used stars_saturated "
    "background_adu noise_adu fwhm_px fwhm_px_sigma fwhm_optical_px fwhm_arcsec elongation "
    "elongation_angle_deg e1 e2 elongation_from relative_transmission zones flags elapsed_s".split()
)
ZONE_KEYS = set("u v n fwhm_px fwhm_px_sigma e1 e2".split())
STAR_COLUMNS = (
    "x_px,y_px,flux_adu,peak_adu,snr,fwhm_px,fwhm_major_px,fwhm_minor_px,theta_deg,e1,e2,flags"
)


def good(*args):
    done = run(*args)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return done.stdout


def refused(*args, says, code=2):
    done = run(*args)
    assert done.returncode == code, (done.returncode, done.stderr)
    assert done.stdout == ""
    lines = done.stderr.splitlines()
    assert len(lines) == 1, done.stderr
    assert lines[0].startswith("nightwright: ")
    assert re.search(says, lines[0]), lines[0]


def widest(text):
    """Columns; a command to be copied may not be broken and does not count."""
    return max(len(line) for line in text.splitlines() if not line.startswith("  nightwright "))


def star_field(seed=1, shape=(300, 400), n=60, fwhm=3.0, throughput=1.0, sky=1000.0, noise=10.0):
    """Round Gaussians at fixed places (positions follow `seed` only)."""
    places = np.random.default_rng(seed)
    x = places.uniform(15, shape[1] - 15, n)
    y = places.uniform(15, shape[0] - 15, n)
    flux = 10 ** places.uniform(4.2, 5.2, n) * throughput
    yy, xx = np.mgrid[: shape[0], : shape[1]]
    image = np.full(shape, sky)
    s = fwhm / 2.3548
    for a, b, f in zip(x, y, flux):
        image += f / (2 * np.pi * s * s) * np.exp(-((xx - a) ** 2 + (yy - b) ** 2) / (2 * s * s))
    return image + np.random.default_rng(seed * 7919 + int(fwhm * 1000)).normal(0, noise, shape)


def night(folder, n=8, gap=12, exposure=60, **changes):
    """n subs of the same field; changes: keyword -> list of n values."""
    start = np.datetime64("2026-05-14T21:40:00")
    for i in range(n):
        cards = dict(EXPTIME=exposure, FILTER="L", INSTRUME="cooled mono", IMAGETYP="Light Frame",
                     XPIXSZ=3.76, FOCALLEN=448.0, GAIN=100)
        cards["DATE_OBS"] = str(start + np.timedelta64(i * (exposure + gap), "s"))
        image = changes.get("image", lambda k: star_field(fwhm=3.0 + 0.05 * k))(i)
        cards.update({key: v[i] for key, v in changes.items() if key != "image"})
        write_frame(folder / f"light_{i:03}.fits", image, **cards)
    return folder


@pytest.fixture(scope="module")
def frame(tmp_path_factory):
    return write_frame(tmp_path_factory.mktemp("frame") / "f.fits", star_field(), EXPTIME=60.0,
                       DATE_OBS="2026-05-14T21:40:00", XPIXSZ=3.76, FOCALLEN=448.0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return night(tmp_path_factory.mktemp("night"))


# ---- usage --------------------------------------------------------------------------------------


def test_help_and_version_go_to_stdout():
    text = good("--help")
    for name in ("look FOLDER", "measure FRAME...", "--version"):
        assert name in text
    assert good("help") == text and good("-h") == text
    assert re.fullmatch(r"nightwright \d+\.\d+\.\d+\n", good("--version"))


def test_every_help_is_whole_and_80_columns_wide():
    names = re.findall(r"^  ([a-z][a-z-]*) ", good("--help"), re.M)
    assert {"look", "measure"} <= set(names)
    for name in names:
        text = good(name, "--help")
        assert text.startswith(f"usage: nightwright {name} ")
        assert "--json" in text and "--help" in text
        assert widest(text) <= 80
        assert good("help", name) == text


@pytest.mark.parametrize(
    "args, says",
    [
        ([], "no command given"),
        (["mesure"], r"unknown command 'mesure' \(nearest: measure\)"),
        (["--json", "look"], "'--json' comes before a command"),
        (["measure"], "argument missing; usage: nightwright measure FRAME"),
        (["look", "a", "b"], "'b' is one argument too many"),
        (["measure", "x", "--strs", "y"], r"unknown option --strs \(nearest: --stars\)"),
        (["measure", "x", "--threads", "0"], "--threads is 0, expected 1 to 256"),
        (["measure", "x", "--colour", "U"], "expected one of R|G|B"),
        (["help", "nothing"], "unknown command 'nothing'"),
    ],
)
def test_bad_usage(args, says):
    refused(*args, says=says)


def test_a_full_disk_and_a_closed_pipe_are_failures(frame):
    with open("/dev/full", "w") as full:
        done = subprocess.run([COMMAND, "measure", frame, "--json"], stdout=full,
                              stderr=subprocess.PIPE, text=True, timeout=60)
    assert done.returncode == 1 and "cannot write the result to stdout" in done.stderr
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run([COMMAND, "--help"], stdout=writer, stderr=subprocess.PIPE, text=True,
                          timeout=60)
    os.close(writer)
    assert done.returncode == 1 and "cannot write the result to stdout" in done.stderr


# ---- bad frames ---------------------------------------------------------------------------------


def bad_missing(folder):
    return folder / "nothing.fits", "no such file|No such file"


def bad_folder(folder):
    return folder, "folder|directory"


def bad_text(folder):
    (folder / "t.fits").write_text("not an image\n" * 400)
    return folder / "t.fits", "FITS"


def bad_nothing(folder):
    (folder / "n.fits").write_bytes(b"")
    return folder / "n.fits", "empty|FITS"


def bad_truncated(folder):
    path = write_frame(folder / "c.fits", star_field())
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    return path, "truncated|missing"


def bad_cube(folder):
    fits.PrimaryHDU(np.ones((5, 40, 50), np.float32)).writeto(folder / "k.fits")
    return folder / "k.fits", "5"


def bad_no_image(folder):
    fits.PrimaryHDU().writeto(folder / "e.fits")
    return folder / "e.fits", "no image"


def bad_nan(folder):
    fits.PrimaryHDU(np.full((60, 80), np.nan, np.float32)).writeto(folder / "nan.fits")
    return folder / "nan.fits", "(?i)nan|finite|blank|not a number|no pixel"


def bad_flat(folder):
    fits.PrimaryHDU(np.full((60, 80), 7, np.int16)).writeto(folder / "flat.fits")
    return folder / "flat.fits", "7|same|one value|all"


BAD = [bad_missing, bad_folder, bad_text, bad_nothing, bad_truncated, bad_cube, bad_no_image,
       bad_nan, bad_flat]


@pytest.mark.parametrize("make", BAD, ids=lambda make: make.__name__)
def test_a_bad_frame_is_one_clear_error(make, tmp_path):
    path, says = make(tmp_path)
    refused("measure", path, says=says)
    refused("measure", path, "--json", says=re.escape(path.name))


def test_a_frame_cut_off_late_is_measured_as_far_as_it_goes(tmp_path):
    path = write_frame(tmp_path / "c.fits", star_field())
    whole = json.loads(good("measure", path, "--json"))["frames"][0]
    content = path.read_bytes()
    path.write_bytes(content[: len(content) * 3 // 4])
    cut = json.loads(good("measure", path, "--json"))["frames"][0]
    assert cut["flags"] == whole["flags"] + ["truncated"] and cut["height_px"] == whole["height_px"]
    assert 0.4 < cut["stars_detected"] / whole["stars_detected"] < 0.95
    assert cut["background_adu"] == pytest.approx(whole["background_adu"], rel=0.01)
    assert "truncated" in good("measure", path)
    path.write_bytes(content[: len(content) // 3])
    refused("measure", path, says="truncated: ")


def test_one_bad_frame_among_good_ones_leaves_nothing(frame, tmp_path):
    path, says = bad_truncated(tmp_path)
    stars = tmp_path / "stars.csv"
    refused("measure", frame, path, "--stars", stars, says=says)
    assert not stars.exists()


def test_extended_file_names_are_plain_names(frame, tmp_path):
    for name in (f"{frame}[1]", f"{frame}(copy.fits)", "http://127.0.0.1:9/x.fits", "mem://"):
        refused("measure", name, says="(?i)no such file")
    assert not (frame.parent / "copy.fits").exists()


def test_a_name_that_steers_the_terminal_is_made_harmless(tmp_path):
    done = run("measure", tmp_path / "a\x1b[2J\nb.fits")
    assert done.returncode == 2
    assert "\x1b" not in done.stderr and done.stderr.count("\n") == 1


def test_no_stars_is_a_result_with_nulls(tmp_path):
    image = np.random.default_rng(3).normal(1000, 10, (200, 200))
    document = json.loads(good("measure", write_frame(tmp_path / "dark.fits", image), "--json"))
    frame = document["frames"][0]
    assert frame["stars_used"] == 0 and frame["fwhm_px"] is None
    assert frame["why_null"]["fwhm_px"]
    assert "few-stars" in frame["flags"]


def test_all_saturated_is_a_result_that_says_so(tmp_path):
    image = star_field(n=12, fwhm=6.0) - 1000.0
    image = np.where(image > 60, 65535, 1000 + image)
    path = write_frame(tmp_path / "s.fits", image)
    frame = json.loads(good("measure", path, "--json"))["frames"][0]
    assert frame["stars_saturated"] > 0
    assert "saturated" in frame["flags"]
    assert frame["stars_used"] == 0 and frame["fwhm_px"] is None


def test_stars_among_nan_are_measured(tmp_path):
    image = star_field().astype(np.float32)
    image[:, 200:230] = np.nan
    fits.PrimaryHDU(image).writeto(tmp_path / "n.fits")
    frame = json.loads(good("measure", tmp_path / "n.fits", "--json"))["frames"][0]
    assert frame["fwhm_px"] == pytest.approx(3.0, rel=0.02)


# ---- measure ------------------------------------------------------------------------------------


def test_measure_has_every_key_of_the_contract(frame):
    document = json.loads(good("measure", frame, "--json"))
    assert document["schema"] == "nightwright.measure.1"
    (one,) = document["frames"]
    assert FRAME_KEYS <= set(one)
    assert all(ZONE_KEYS <= set(zone) for zone in one["zones"])
    assert one["elongation_from"] == "mean e1,e2" and one["channel"] == "mono"
    assert (one["width_px"], one["height_px"]) == (400, 300)
    assert one["exposure_s"] == 60.0 and one["date_obs"].startswith("2026-05-14T21:40:00")
    # the Gaussians are point-sampled: 3.0 px is what is delivered
    assert one["fwhm_px"] == pytest.approx(3.0, rel=0.01)
    assert one["fwhm_arcsec"] == pytest.approx(one["fwhm_px"] * 206.265 * 3.76 / 448, rel=1e-3)
    assert one["background_adu"] == pytest.approx(1000, abs=2)
    assert one["noise_adu"] == pytest.approx(10, rel=0.05)
    assert one["relative_transmission"] is None


def test_keys_are_the_same_for_one_and_several_frames(tmp_path):
    paths = [write_frame(tmp_path / f"{i}.fits", star_field(throughput=t), EXPTIME=60)
             for i, t in enumerate((1.0, 0.7))]
    alone = json.loads(good("measure", paths[0], "--json"))
    both = json.loads(good("measure", *paths, "--json"))
    drop = {"why_null"}
    assert set(alone["frames"][0]) - drop == set(both["frames"][0]) - drop
    assert both["frames"][0]["relative_transmission"] == pytest.approx(1.0, abs=0.01)
    assert both["frames"][1]["relative_transmission"] == pytest.approx(0.7, abs=0.02)


def test_stars_are_written_as_the_contract_says(frame, tmp_path):
    path = tmp_path / "stars.csv"
    good("measure", frame, "--stars", path)
    lines = path.read_text().splitlines()
    header = next(line for line in lines if not line.startswith("#"))
    assert header.endswith(STAR_COLUMNS)
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert len(rows) > 30
    # FITS positions: the truth counts from 0
    places = np.random.default_rng(1)
    x, y = places.uniform(15, 385, 60), places.uniform(15, 285, 60)
    got = np.array([[float(r["x_px"]), float(r["y_px"])] for r in rows[:20]])
    nearest = [np.hypot(x + 1 - a, y + 1 - b).min() for a, b in got]
    assert np.median(nearest) < 0.1
    folder_before = sorted(p.name for p in tmp_path.iterdir())
    assert folder_before == ["stars.csv"]  # nothing temporary is left


def test_colours_come_one_by_one_or_alone(tmp_path):
    path = write_frame(tmp_path / "c.fits", star_field(fwhm=6.0), BAYERPAT="RGGB")
    all_three = json.loads(good("measure", path, "--json"))["frames"]
    assert [f["channel"] for f in all_three] == ["R", "G", "B"]
    (green,) = json.loads(good("measure", path, "--colour", "G", "--json"))["frames"]
    assert green["channel"] == "G" and FRAME_KEYS <= set(green)
    planes = np.stack([star_field(), star_field(), star_field()]).astype(np.float32)
    fits.PrimaryHDU(planes).writeto(tmp_path / "p.fits")
    three = json.loads(good("measure", tmp_path / "p.fits", "--json"))["frames"]
    assert [f["channel"] for f in three] == ["R", "G", "B"]


def test_text_is_80_columns_wide(frame, folder):
    for text in (good("measure", frame), good("look", folder)):
        assert widest(text) <= 80


# ---- look ---------------------------------------------------------------------------------------


def test_look_needs_a_folder_with_light_frames(tmp_path):
    refused("look", tmp_path / "nothing", says="(?i)no such file")
    refused("look", tmp_path, says="no FITS file")
    write_frame(tmp_path / "dark.fits", star_field(), IMAGETYP="Dark Frame")
    write_frame(tmp_path / "flat.fits", star_field(), IMAGETYP="FLAT")
    refused("look", tmp_path, says="no light frame among 2 FITS files .* 1 dark, 1 flat")
    other = tmp_path / "sub"
    other.mkdir()
    (other / "x.fits").write_text("half written")
    refused("look", other, says="none of the 1 FITS files can be read")


def test_look_says_what_was_put_in(folder):
    document = json.loads(good("look", folder, "--json"))
    assert document["schema"] == "nightwright.look.1"
    assert document["frames"] == document["frames_measured"] == 8 and not document["subset"]
    (group,) = document["groups"]
    width = group["star_width"]
    assert width["best_path"].endswith("light_000.fits")
    assert width["worst_path"].endswith("light_007.fits")
    assert width["worst_px"] - width["best_px"] == pytest.approx(0.35, abs=0.08)
    assert group["scale_arcsec_per_px"] == pytest.approx(206.265 * 3.76 / 448, rel=1e-4)
    assert width["median_arcsec"] == pytest.approx(
        width["median_px"] * group["scale_arcsec_per_px"], rel=1e-3)
    assert [s["relative_transmission"] for s in group["series"]] == pytest.approx([1] * 8, abs=0.03)
    (time,) = document["nights"]
    assert time["usual_gap_s"] == pytest.approx(12) and time["exposing_s"] == pytest.approx(480)
    assert document["changes"] == [] and document["summary"] and document["cannot_tell"]


def test_look_finds_cloud_gap_and_changed_gain(tmp_path):
    starts = [f"2026-05-14T{21 + (m // 60)}:{m % 60:02}:00" for m in
              (0, 2, 4, 6, 8, 40, 42, 44, 46, 48)]
    light = [1, 1, 1, 0.5, 1, 1, 1, 1, 1, 1]
    night(tmp_path, n=10, exposure=100, DATE_OBS=starts, image=lambda i: star_field(
        throughput=light[i]), SET_TEMP=[-10.0] * 7 + [-5.0] * 3)
    document = json.loads(good("look", tmp_path, "--json"))
    (group,) = document["groups"]
    assert [lost["path"][-14:] for lost in group["light"]["lost"]] == ["light_003.fits"]
    assert group["light"]["worst_transmission"] == pytest.approx(0.5, abs=0.03)
    (gap,) = document["nights"][0]["long_gaps"]
    assert gap["gap_s"] == pytest.approx(32 * 60 - 100)
    assert gap["start"] == "2026-05-14T21:09:40Z"
    change = next(c for c in document["changes"] if c["what"] == "set-point")
    assert float(change["from"]) == -10 and float(change["to"]) == -5
    assert change["path"].endswith("light_007.fits")
    assert document["findings"][0]["id"] == "long-gaps"
    assert "long gap" in document["summary"] and "set-point" in document["summary"]


def test_look_skips_what_is_still_being_written(tmp_path):
    night(tmp_path, n=4)
    whole = (tmp_path / "light_000.fits").read_bytes()
    (tmp_path / "light_999.fits").write_bytes(whole[: len(whole) // 3])
    write_frame(tmp_path / "flat.fits", star_field(), IMAGETYP="Flat Field")
    done = run("look", tmp_path, "--json")
    assert done.returncode == 0
    assert done.stderr.count("\n") == 1 and "warning: skipped" in done.stderr
    assert "light_999.fits" in done.stderr
    document = json.loads(done.stdout)
    assert document["frames"] == 4 and document["left_out"]["flat"] == 1
    (skipped,) = document["skipped"]
    assert skipped["path"].endswith("light_999.fits") and skipped["why"]
    assert set(document) == set(json.loads(run("look", tmp_path, "--json").stdout))


@needs_data
@pytest.mark.parametrize("name", ["sfft-decam", "astropy-data", "nom-tam-m13", "uwmro"])
def test_look_at_real_folders(name):
    document = json.loads(run("look", DATA / name, "--json").stdout)
    assert document["frames_measured"] > 0 and document["summary"]
    text = run("look", DATA / name).stdout
    assert widest(text) <= 80
