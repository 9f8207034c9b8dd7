"""`handover` of a colour camera: weights of red, green and blue apart against the CCD equation, one
weight for all of them against a search by scipy, and masters (planes filled in by convolution, one
pixel for each pattern, one plane alone) against the noise that their pixels can have.

Environment: NIGHTWRIGHT = path of the built command.
"""
import csv
import pathlib
import shutil

import numpy as np
import pytest
from astropy.io import fits
from support import answer, good, needs_command, write_frame

optimize = pytest.importorskip("scipy.optimize")
ndimage = pytest.importorskip("scipy.ndimage")
pytestmark = needs_command
SIZE = 480
SIGMA = 1.9                                       # px
SKY = np.array([[500, 900, 400]] * 5, float)      # counts of R, G, B
SKY[3] = [500, 1200, 2400]                        # moonlight: blue suffers most
LIGHT = np.array([[1, 1, 1], [1, 1, 1], [0.95, 0.85, 0.6], [1, 1, 1], [1, 1, 1]], float)  # haze
READ = 4.0
PLACES = {0: [(0, 0)], 1: [(0, 1), (1, 0)], 2: [(1, 1)]}  # RGGB: (y, x) of each colour


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    folder = tmp_path_factory.mktemp("colour")
    rng = np.random.default_rng(3)
    y, x = np.mgrid[0:SIZE, 0:SIZE]
    sharp = np.zeros((SIZE, SIZE))
    for _ in range(90):
        cx, cy = rng.uniform(20, SIZE - 20, 2)
        flux = rng.uniform(4e4, 2e5)
        box = np.s_[int(cy) - 15:int(cy) + 16, int(cx) - 15:int(cx) + 16]
        sharp[box] += flux / (2 * np.pi * SIGMA ** 2) * np.exp(
            -((x[box] - cx) ** 2 + (y[box] - cy) ** 2) / (2 * SIGMA ** 2))
    colour = np.empty((SIZE, SIZE), int)
    for k, places in PLACES.items():
        for py, px in places:
            colour[py::2, px::2] = k
    subs = []
    for i in range(5):
        image = rng.poisson(LIGHT[i][colour] * sharp + SKY[i][colour])
        image = np.round(image + rng.normal(0, READ, sharp.shape) + 200)
        cards = [("IMAGETYP", "Light Frame"), ("EXPTIME", 60.0), ("BAYERPAT", "RGGB"),
                 ("INSTRUME", "colour camera"), ("OBJECT", "field one"),
                 ("DATE-OBS", f"2026-06-14T10:{2 * i:02d}:00")]
        fits.PrimaryHDU(image.astype(np.uint16), fits.Header(cards)).writeto(
            folder / f"sub{i}.fits")
        subs.append((image - 200 - SKY[i][colour]) / LIGHT[i][colour])  # same flux, no sky
    mosaic = np.mean(subs, axis=0)
    made = tmp_path_factory.mktemp("masters")
    kernel = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]]) / 4
    cube = []
    for k in range(3):
        on = colour == k
        cube.append(ndimage.convolve(np.where(on, mosaic, 0), kernel, mode="reflect") /
                    ndimage.convolve(on.astype(float), kernel, mode="reflect"))
    cube = np.array(cube)
    half = np.array([np.mean([mosaic[py::2, px::2] for py, px in PLACES[k]], axis=0)
                     for k in range(3)])
    noisy = cube.copy()
    noisy[2] += rng.normal(0, 40.0, noisy[2].shape)  # blue alone went wrong

    def write(name, data, **more):
        fits.PrimaryHDU(data.astype(np.float32), fits.Header(
            [("IMAGETYP", "Master"), *more.items()])).writeto(made / f"{name}.fits")

    write("cube", 1e-4 * cube + 0.02)
    write("half", half)
    write("fine", np.array([np.kron(plane, np.ones((2, 2))) for plane in cube]))
    write("noisy", noisy)
    write("red", cube[0], FILTER="Red")
    write("unsaid", cube[1])
    names = ["cube", "half", "fine", "noisy", "red", "unsaid"]
    document = answer("handover", folder, "--csv", made / "list.csv", "--master",
                      *[made / f"{n}.fits" for n in names])
    masters = {pathlib.Path(m["path"]).stem: m for m in document["masters"]}
    return folder, made, document, masters


def light_for_noise():
    return LIGHT ** 2 / (SKY + READ ** 2 + 1 / 12)


def test_each_colour_has_weights_of_its_own(night):
    q = light_for_noise()
    expected = q / q.max(axis=0)
    for i, sub in enumerate(night[2]["subs"]):
        for k, colour in enumerate(sub["colours"]):
            assert colour["colour"] == "RGB"[k]
            assert colour["weight_extended"] == pytest.approx(expected[i, k], rel=0.06), (i, k)
            assert colour["relative_transmission"] == pytest.approx(LIGHT[i, k], rel=0.02), (i, k)
    blue = night[2]["subs"][3]["colours"][2]["weight_extended"]
    assert blue < 0.25 < 0.7 < night[2]["subs"][3]["colours"][1]["weight_extended"]
    assert all(s["kept"] for s in night[2]["subs"])


def test_one_weight_for_all_is_the_best_there_is(night):
    q = light_for_noise()

    def cost(w):  # mean over the colours of the time lost, as variance against the best
        return np.sum([(w ** 2 / q[:, k]).sum() / w.sum() ** 2 * q[:, k].sum() for k in range(3)])

    best = optimize.minimize(cost, np.ones(5), method="Nelder-Mead",
                             options={"xatol": 1e-6, "fatol": 1e-12, "maxiter": 20000}).x
    got = np.array([s["weight_extended"] for s in night[2]["subs"]])
    assert got == pytest.approx(best / best.max(), rel=0.06)
    w = best
    left = np.mean([w.sum() ** 2 / ((w ** 2 / q[:, k]).sum() * q[:, k].sum()) for k in range(3)])
    group = night[2]["groups"][0]
    assert group["one_weight_costs_extended_percent"] == pytest.approx(100 * (1 - left), abs=1)
    assert left < 0.97  # there is something to tell


def test_the_list_has_the_colours(night):
    with open(night[1] / "list.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    assert float(rows[3]["weight_extended_b"]) == pytest.approx(
        night[2]["subs"][3]["colours"][2]["weight_extended"], rel=1e-4)
    text = good("handover", night[0])
    assert "by colour" in text and "one weight a sub for all colours" in text


def test_colour_masters_that_reached_root_n(night):
    """The mean of an area has the noise of the pixels of that colour in it, however filled."""
    for name, px, scale in [("cube", 1, 1e-4), ("half", 2, 1.0), ("fine", 0.5, 1.0)]:
        for k, plane in enumerate(night[3][name]["planes"]):
            assert plane["colour"] == "RGB"[k]
            assert plane["pixel_of_subs"] == pytest.approx(px, rel=0.01)
            assert plane["flux_scale"] == pytest.approx(scale, rel=0.03)
            q = light_for_noise()[:, k]
            # of the best sub, in its counts: the plain mean of five, a share of the pixels
            share = [0.25, 0.5, 0.25][k]
            expected = np.sqrt((1 / q).sum()) / 5 / np.sqrt(share)
            assert plane["expected_equal_adu"] == pytest.approx(expected, rel=0.04)
            assert plane["efficiency_percent"] == pytest.approx(100, abs=8), (name, k)
            assert plane["reached_root_n"]
    # filling in by neighbours widens; one value for each pattern is a pixel twice as wide
    assert all(p["widened"] for p in night[3]["cube"]["planes"])


def test_a_colour_that_went_wrong_is_told_apart(night):
    red, green, blue = night[3]["noisy"]["planes"]
    assert red["reached_root_n"] and green["reached_root_n"] and not blue["reached_root_n"]
    assert blue["efficiency_percent"] < 40


def test_one_plane_is_that_of_its_filter(night):
    red = night[3]["red"]
    assert red["efficiency_percent"] == pytest.approx(
        night[3]["cube"]["planes"][0]["efficiency_percent"], abs=1.5)
    unsaid = night[3]["unsaid"]
    assert unsaid["efficiency_percent"] is None
    assert "FILTER" in unsaid["why_null"]["efficiency_percent"]


def test_subs_of_another_size_change_nothing(night, tmp_path):
    """A camera of twice the pixels a side, after the others: the master is set against its own."""
    folder = tmp_path / "both"
    shutil.copytree(night[0], folder)
    large = np.random.default_rng(5).normal(700, 30, (2 * SIZE, 2 * SIZE))
    write_frame(folder / "z.fits", large, IMAGETYP="Light Frame", EXPTIME=60.0, BAYERPAT="RGGB",
                INSTRUME="large camera", OBJECT="field one", DATE_OBS="2026-06-14T10:20:00")
    (got,) = answer("handover", folder, "--master", night[1] / "fine.fits")["masters"]
    assert got["planes"] == night[3]["fine"]["planes"]


def test_three_filters_of_a_mono_camera(tmp_path):
    """Planes of one master, each against the subs of its filter; what went wrong in one is told."""
    folder = tmp_path / "mono"
    folder.mkdir()
    rng = np.random.default_rng(8)
    size, n = 300, 4
    y, x = np.mgrid[0:size, 0:size]
    sharp = np.zeros((size, size))
    for cx, cy, flux in zip(*rng.uniform(15, size - 15, (2, 60)), rng.uniform(4e4, 2e5, 60)):
        box = np.s_[int(cy) - 12:int(cy) + 13, int(cx) - 12:int(cx) + 13]
        sharp[box] += flux / (2 * np.pi * SIGMA ** 2) * np.exp(
            -((x[box] - cx) ** 2 + (y[box] - cy) ** 2) / (2 * SIGMA ** 2))
    planes = []
    for k, (name, sky) in enumerate([("Red", 400), ("Green", 600), ("Blue", 900)]):
        subs = []
        for i in range(n):
            image = rng.poisson(sharp + sky) + rng.normal(0, READ, sharp.shape) + 200
            fits.PrimaryHDU(np.round(image).astype(np.uint16), fits.Header(
                [("IMAGETYP", "Light Frame"), ("EXPTIME", 60.0), ("FILTER", name),
                 ("INSTRUME", "mono camera"), ("OBJECT", "field one"),
                 ("DATE-OBS", f"2026-06-14T1{k}:{2 * i:02d}:00")])).writeto(
                folder / f"{name}{i}.fits")
            subs.append(image - 200 - sky)
        planes.append(np.mean(subs, axis=0))
    planes[2] = planes[2] + rng.normal(0, 40.0, sharp.shape)
    fits.PrimaryHDU(np.array(planes).astype(np.float32)).writeto(tmp_path / "rgb.fits")
    document = answer("handover", folder, "--master", tmp_path / "rgb.fits")
    (master,) = document["masters"]
    for k, (plane, sky) in enumerate(zip(master["planes"], [400, 600, 900])):
        assert plane["colour"] == "RGB"[k]
        expected = np.sqrt((sky + READ ** 2 + 1 / 12) / n)
        assert plane["expected_equal_adu"] == pytest.approx(expected, rel=0.05)
        assert plane["reached_root_n"] == (k < 2), plane
