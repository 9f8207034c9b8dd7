"""`book accept`: what is wrong in the evening is found and named, and nothing else is.

Six nights of three subs of one field, written by astropy, all alike but for their noise; then
another with one thing changed.
"""
import numpy as np
import pytest
from astropy.io import fits
from support import answer_book, needs_command

pytestmark = needs_command
SIDE = 240
PLACES = np.random.default_rng(4).uniform(12, SIDE - 12, (70, 2))
PEAKS = 4000.0 / (1 + np.arange(70)) ** 0.4


def write_sub(path, start, seed, light=1.0, scale=1.0, tilt=0.0, wide=1.0, faint=True):
    """The field at `scale`, dimmed, wider by `tilt` on the right and narrower on the left."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:SIDE, 0:SIDE]
    image = rng.normal(1000.0, 6.0, x.shape)
    middle = 0.5 * (SIDE - 1)
    fwhm = 3.0 * wide * (1.0 + rng.normal(0.0, 0.01))
    for k, ((px, py), peak) in enumerate(zip(PLACES, PEAKS)):
        cx, cy = middle + scale * (px - middle), middle + scale * (py - middle)
        sigma = fwhm * (1.0 + tilt * (cx - middle) / middle) / 2.3548
        if faint or k < 25:
            near = tuple(slice(max(0, int(c) - 11), int(c) + 12) for c in (cy, cx))
            image[near] += light * peak * (3.0 / 2.3548 / sigma) ** 2 * np.exp(
                -((x[near] - cx) ** 2 + (y[near] - cy) ** 2) / 2 / sigma**2)
    header = fits.Header({"DATE-OBS": start, "EXPTIME": 60.0,
                          "IMAGETYP": "LIGHT", "INSTRUME": "cooled mono", "FILTER": "L",
                          "OBJECT": "field one", "GAIN": 100, "AIRMASS": 1.1})
    fits.writeto(path, np.clip(image, 0, 65535).astype(np.uint16), header, overwrite=True)


def moment(night, sub):
    return f"2026-05-{night:02d}T21:{2 * sub:02d}:00"


@pytest.fixture(scope="module")
def usual_nights(tmp_path_factory):
    folder = tmp_path_factory.mktemp("accept")
    for night in range(1, 7):
        for sub in range(3):
            write_sub(folder / f"{night}_{sub}.fits", moment(night, sub), 100 * night + sub)
    book = folder / "book.sqlite"
    answer_book(book, "add", folder)
    return book.read_bytes()


@pytest.mark.parametrize("named, change", [
    ((), {}),
    (("light of the same stars",), {"light": 0.6}),
    (("scale", "stars, ln of the number"), {"scale": 1.004, "faint": False}),
    (("right against left",), {"tilt": 0.15}),
])
def test_what_changed_is_named(tmp_path, usual_nights, named, change):
    book = tmp_path / "book.sqlite"
    book.write_bytes(usual_nights)
    for sub in range(3):
        write_sub(tmp_path / f"9_{sub}.fits", moment(9, sub), 900 + sub, **change)
    answer_book(book, "add", tmp_path)
    [train] = answer_book(book, "accept")["trains"]
    checks = {c["what"]: c for c in train["checks"]}
    worse = {name for name, c in checks.items() if c["verdict"] == "worse"}
    # three stars a zone: where they stand in it, a steep tilt is in the other two patterns as well
    also = {"top against bottom", "corners against centre"} if "tilt" in change else set()
    assert set(named) <= worse <= set(named) | also, checks
    if not change:
        assert checks["light of the same stars"]["verdict"] == "same"
    if "light" in change:
        light = checks["light of the same stars"]
        assert light["tonight"] / light["usual"] == pytest.approx(0.6, abs=0.03)
    if "scale" in change:
        assert checks["scale"]["tonight"] == pytest.approx(1 / 1.004, abs=6e-4)  # 25 stars
