"""`handover`: weights against the noise that numpy measures on stacks of drawn subs, calibration by
name, checksums against hashlib, masters that got what was in their subs and masters that did not.

Environment: NIGHTWRIGHT = path of the built command.
"""
import csv
import hashlib
import json
import pathlib
import shutil

import numpy as np
import pytest
from support import TOP, answer, needs_command, run

fits = pytest.importorskip("astropy.io.fits")
pytestmark = needs_command
SIZE = 400
SKY = [400, 400, 400, 800, 400, 1600, 400, 400, 400, 400]       # counts
LIGHT = [1.0, 1.0, 0.8, 1.0, 0.5, 1.0, 0.12, 1.0, 0.9, 1.0]      # transmission
SIGMA = [1.5, 1.5, 1.5, 1.5, 1.5, 1.5, 1.5, 2.2, 1.5, 1.5]       # px
CLOUDED = 6


def scene(rng, stars, light, sigma):
    y, x = np.mgrid[0:SIZE, 0:SIZE]
    image = np.zeros((SIZE, SIZE))
    for cx, cy, flux in stars:
        box = np.s_[max(0, int(cy) - 15):int(cy) + 16, max(0, int(cx) - 15):int(cx) + 16]
        shape = np.exp(-((x[box] - cx) ** 2 + (y[box] - cy) ** 2) / (2 * sigma ** 2))
        image[box] += light * flux / (2 * np.pi * sigma ** 2) * shape
    return image


def header(kind, number, **more):
    cards = dict(IMAGETYP=kind, EXPTIME=120.0, FILTER="red", INSTRUME="mono camera",
                 OBJECT="field one", GAIN=100, OFFSET=50, **{"SET-TEMP": -10.0}, XBINNING=1)
    cards["DATE-OBS"] = f"2026-06-14T{10 + number // 20:02d}:{3 * (number % 20):02d}:00"
    cards.update(more)
    return fits.Header([(k, v) for k, v in cards.items() if v is not None])


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    folder = tmp_path_factory.mktemp("night")
    rng = np.random.default_rng(11)
    stars = [(rng.uniform(20, SIZE - 20), rng.uniform(20, SIZE - 20), rng.uniform(4e3, 6e4))
             for _ in range(70)]
    images = []
    for i in range(10):
        image = scene(rng, stars, LIGHT[i], SIGMA[i]) + SKY[i]
        image = rng.poisson(image).astype(np.float64) + rng.normal(0, 4, image.shape)
        images.append(image)
        fits.PrimaryHDU(np.round(image + 200).astype(np.uint16),
                        header("Light Frame", i)).writeto(folder / f"sub{i}.fits")
    small = np.full((SIZE, SIZE), 200, np.uint16)
    for i in range(20):
        fits.PrimaryHDU(small, header("Dark Frame", i, FILTER=None, OBJECT=None)).writeto(
            folder / f"dark{i:02d}.fits")
    for i in range(3):
        fits.PrimaryHDU(small, header("Flat Frame", i, FILTER="green", EXPTIME=2.0)).writeto(
            folder / f"flat{i}.fits")
        fits.PrimaryHDU(small, header("Bias Frame", i, EXPTIME=0.0, FILTER=None, **{
            "DATE-OBS": "2024-01-01T00:00:00"})).writeto(folder / f"bias{i}.fits")
    return folder, images


@pytest.fixture(scope="module")
def document(night):
    return answer("handover", night[0])


def test_weights_are_those_of_the_ccd_equation(document):
    subs = document["subs"]
    for i, sub in enumerate(subs):
        variance = SKY[i] + 16 + 1 / 12
        extended = (LIGHT[i] ** 2 / variance) / (1 / (SKY[0] + 16 + 1 / 12))
        assert sub["weight_extended"] == pytest.approx(extended, rel=0.06, abs=0.003), i
        point = extended * (SIGMA[0] ** 2 + 1 / 12) / (SIGMA[i] ** 2 + 1 / 12)
        assert sub["weight_point"] == pytest.approx(point, rel=0.09, abs=0.003), i
    assert [s["kept"] for s in subs] == [i != CLOUDED for i in range(10)]
    assert subs[CLOUDED]["reason"] == "brings-little"


def test_effect_of_weights_and_of_what_is_left_out(document):
    group = document["groups"][0]
    q = np.array(LIGHT) ** 2 / (np.array(SKY) + 16 + 1 / 12)
    kept = np.delete(q, CLOUDED)
    assert group["kept_extended_percent"] == pytest.approx(100 * kept.sum() / q.sum(), abs=0.3)
    equal = len(kept) ** 2 / (1 / kept).sum() / kept.sum()
    assert group["weights_worth_extended_percent"] == pytest.approx(100 * (1 - equal), abs=1.5)
    assert document["subs"][CLOUDED]["brings_extended_percent"] == pytest.approx(
        100 * q[CLOUDED] / kept.sum(), abs=0.2)


def test_calibration_by_name(document):
    sets = {s["kind"]: s for s in document["calibration"]}
    assert len(sets["dark"]["frames"]) == 20
    assert not (sets["dark"]["few"] or sets["dark"]["stale"] or sets["dark"]["missing"])
    assert sets["flat"]["missing"] and "filter" in sets["flat"]["nearest"]
    assert sets["bias"]["few"] and sets["bias"]["stale"]
    assert sets["bias"]["age_days"] == pytest.approx(895, abs=1)


def test_list_and_verify(night, tmp_path):
    folder = night[0]
    done = run("handover", folder, "--csv", tmp_path / "list.csv")
    assert done.returncode == 0, done.stderr
    with open(tmp_path / "list.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    assert sum(r["use"] == "light" for r in rows) == 10
    assert sum(r["kept"] == "yes" for r in rows) == 9
    for row in rows:
        assert row["sha256"] == hashlib.sha256(pathlib.Path(row["path"]).read_bytes()).hexdigest()
    dark = {r["of_set"] for r in rows if r["use"] == "dark"}
    assert dark == {r["dark_set"] for r in rows if r["kept"] == "yes"}
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy)
    assert run("handover", "--verify", tmp_path / "list.csv", "--in", copy).returncode == 0
    with open(copy / "sub3.fits", "r+b") as file:
        file.seek(5000)
        file.write(b"\x7f")
    (copy / "dark07.fits").unlink()
    done = run("handover", "--verify", tmp_path / "list.csv", "--in", copy)
    assert done.returncode == 1
    assert "sub3.fits: differs" in done.stderr and "dark07.fits" in done.stderr
    assert "2 of 33 files" in done.stderr
    assert run("handover", "--verify", tmp_path / "list.csv").returncode == 0


def master(folder, image, name="master.fits"):
    path = folder / name
    fits.PrimaryHDU(image.astype(np.float32), fits.Header([("IMAGETYP", "Master")])).writeto(
        path, overwrite=True)
    return path


def plain_mean(images, which):
    return np.mean([(images[i] - SKY[i]) / LIGHT[i] for i in which], axis=0)


@pytest.fixture(scope="module")
def audits(night, tmp_path_factory):
    """Masters made in numpy, audited in one call."""
    folder = tmp_path_factory.mktemp("masters")
    kept = [i for i in range(10) if i != CLOUDED]
    whole = plain_mean(night[1], kept)
    # every sub half a pixel off, laid over by bilinear interpolation
    shifted = 0.25 * (whole + np.roll(whole, 1, 0) + np.roll(whole, 1, 1) +
                      np.roll(np.roll(whole, 1, 0), 1, 1))
    rng = np.random.default_rng(5)
    stars = [(rng.uniform(20, 380), rng.uniform(20, 380), 3e4) for _ in range(60)]
    other = scene(rng, stars, 1.0, 1.5) + rng.normal(0, 3, (SIZE, SIZE))
    images = {"whole": whole, "small": 3.7e-4 * whole + 0.01, "shifted": shifted, "other": other,
              "few": plain_mean(night[1], [0, 1, 2, 3])}
    paths = {name: master(folder, image, name + ".fits") for name, image in images.items()}
    done = run("handover", night[0], "--json", "--master", *paths.values())
    assert done.returncode == 0, done.stderr
    results = {m["path"]: m for m in json.loads(done.stdout)["masters"]}
    return {name: results[str(path)] for name, path in paths.items()}


def test_a_master_that_reached_root_n(audits):
    for name, scale in [("whole", 1.0), ("small", 3.7e-4)]:  # any unit
        result = audits[name]
        assert result["reached_root_n"] and not result["widened"]
        assert result["efficiency_percent"] == pytest.approx(100, abs=8)
        assert result["flux_scale"] == pytest.approx(scale, rel=0.02)
        assert abs(result["wider_percent"]) < 1


def test_a_master_that_lost_half_its_subs(audits):
    q = np.array(LIGHT) ** 2 / (np.array(SKY) + 16 + 1 / 12)
    expected = (16 / (1 / q[:4]).sum()) / (81 / (1 / np.delete(q, CLOUDED)).sum())
    assert expected < 0.85
    assert audits["few"]["efficiency_percent"] == pytest.approx(100 * expected, rel=0.1)
    assert not audits["few"]["reached_root_n"]


def test_registration_that_widened_the_star(audits):
    result = audits["shifted"]  # a pixel's noise falls, the star grows; an area's noise stays
    assert result["widened"] and result["wider_percent"] > 4
    assert result["neighbour_correlation"] > 0.3
    assert result["noise_adu"] < 0.6 * result["expected_equal_adu"]  # a pixel flatters
    assert result["efficiency_percent"] == pytest.approx(100, abs=12)  # an area does not


def test_what_cannot_be_done_is_told(night, audits, tmp_path):
    result = audits["other"]
    assert result["efficiency_percent"] is None
    assert "not those of any group" in result["why_null"]["efficiency_percent"]
    done = run("handover")
    assert done.returncode == 2 and "expected a night" in done.stderr
    done = run("handover", "2031-01-01", "--book", tmp_path / "none.sqlite")
    assert done.returncode != 0 and "2031-01-01" in done.stderr
    done = run("handover", night[0] / "dark00.fits")
    assert done.returncode == 2 and "no light frame" in done.stderr
    done = run("handover", night[0] / "sub0.fits", night[0] / "sub1.fits", "--leave-out",
               "sub0.fits", "--json")
    assert json.loads(done.stdout)["subs"][0]["reason"] == "by-owner"


def test_from_the_book(night, tmp_path):
    book = tmp_path / "book.sqlite"
    few = tmp_path / "few"  # a night of three subs, and a frame of each kind
    few.mkdir()
    for name in ["sub0", "sub1", "sub2", "dark00", "flat0", "bias0"]:
        shutil.copy(night[0] / f"{name}.fits", few)
    done = run("book", "add", few, "--book", book)
    assert done.returncode == 0, done.stderr
    by_night = run("handover", "2026-06-13", "--book", book, "--json")  # before noon
    assert by_night.returncode == 0, by_night.stderr
    assert len(json.loads(by_night.stdout)["subs"]) == 3
    by_target = run("handover", "field one", "--book", book, "--json")
    assert len(json.loads(by_target.stdout)["calibration"]) == 3
    done = run("handover", "field two", "--book", book)
    assert done.returncode == 2 and "the nearest target is field one" in done.stderr


def test_calibration_owed(night, tmp_path):
    rig = TOP / "data/demo/rig.yaml"
    done = run("owed", rig, night[0], "--json")
    assert done.returncode == 0, done.stderr
    sets = {s["kind"]: s for s in json.loads(done.stdout)["sets"]}
    assert sets["dark"]["owed"] == 0 and sets["dark"]["have"] == 20
    assert sets["flat"]["state"] == "missing" and not sets["flat"]["with_cap_on"]
    assert sets["bias"]["state"] == "stale" and sets["bias"]["owed"] == 20
    assert json.loads(done.stdout)["capped_min"] == pytest.approx(1, abs=0.01)
    (tmp_path / "list.yaml").write_text(
        "nightwright-targets: 1\ntargets:\n"
        "  a: {ra: 18:03:37, dec: -24:23:12, goals: {luminance: 5 h, hydrogen-alpha: 5 h}}\n")
    planned = answer("owed", rig, night[0], "--targets", tmp_path / "list.yaml",
                     "--night", "2026-07-15")
    assert {s["filter"] for s in planned["sets"] if s["kind"] == "flat"} == {
        "luminance", "hydrogen-alpha"}
    assert all("size" in s["nearest"] for s in planned["sets"] if s["kind"] == "dark")
    months = planned["cooling"]["months"]
    assert months[0]["headroom_k"] == pytest.approx(3) and months[6]["headroom_k"] == 19
    alone = run("owed", rig)
    assert alone.returncode == 0 and "no sub was given" in alone.stdout
    assert "nothing is owed" not in alone.stdout
    done = run("owed", rig, "--night", "2026-07-15")
    assert done.returncode == 2 and "--targets" in done.stderr
