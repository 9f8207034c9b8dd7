"""Frames as we read them against astropy.io.fits: real files, and compressed ones made here.

Sums of all pixels, and sums weighted by place, so that a shifted or swapped pixel is noticed; in
double on both sides, of values rounded to float. Tolerance 1e-9 of the sum of magnitudes: order of
summation. Environment: FRAME_STATS = path of the built tests/tools/frame_stats,
NIGHTWRIGHT_SHARED_DATA = folder of real data (absent: skipped).
"""
import gzip
import os
import pathlib
import warnings

import numpy as np
import pytest
from astropy.io import fits
from support import DATA, TOP, call

TOOL = pathlib.Path(os.environ.get("FRAME_STATS", TOP / "build/tests/tools/frame_stats"))
pytestmark = pytest.mark.skipif(not TOOL.exists(), reason="tests/tools/frame_stats is not built")

WHOLE = [np.uint8, np.int16, np.uint16, np.int32]
FLOATS = [np.float32, np.float64]
KINDS = ["RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1"]


def run(*args):
    return call(TOOL, *args)


def stats(path):
    done = run(path)
    assert done.returncode == 0, done.stdout + done.stderr
    names = "width height planes hdu bitpix compressed n_nan low high mean total weighted".split()
    return dict(zip(names, map(float, done.stdout.split())))


def compare(path, pixels, tol=1e-9):
    """pixels: planes, rows, columns, as astropy gives them."""
    got = stats(path)
    flat = np.asarray(pixels, dtype=np.float32).astype(float).ravel()
    flat[~np.isfinite(flat)] = np.nan
    shape = np.shape(pixels)
    assert (got["height"], got["width"]) == shape[-2:]
    assert got["planes"] == (shape[0] if len(shape) == 3 else 1)
    assert got["n_nan"] == np.isnan(flat).sum()
    assert got["low"] == pytest.approx(np.nanmin(flat), rel=1e-7, abs=1e-30)
    assert got["high"] == pytest.approx(np.nanmax(flat), rel=1e-7, abs=1e-30)
    scale = np.nansum(np.abs(flat))
    assert abs(got["total"] - np.nansum(flat)) <= tol * scale
    weight = np.arange(flat.size) % 1009
    assert abs(got["weighted"] - np.nansum(flat * weight)) <= tol * 1009 * scale


def image_of(path):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with fits.open(path, do_not_scale_image_data=True) as hdus:
            for number, hdu in enumerate(hdus, 1):
                if hdu.is_image and hdu.header.get("NAXIS", 0) >= 2:
                    if isinstance(hdu, fits.CompImageHDU):
                        break
                    # astropy scales in float; here in double, rounded once
                    scale = hdu.header.get("BSCALE", 1), hdu.header.get("BZERO", 0)
                    return number, hdu.data.astype(float) * scale[0] + scale[1]
        with fits.open(path) as hdus:
            return number, np.array(hdus[number - 1].data)
    raise AssertionError(f"no image in {path}")


REAL = sorted(DATA.glob("*/*.fits*")) if DATA else []
REAL = [path for path in REAL if path.suffix != ".bz2"]
needs_real = pytest.mark.skipif(not REAL, reason="NIGHTWRIGHT_SHARED_DATA is not set: no frames")


@needs_real
@pytest.mark.parametrize("path", REAL, ids=lambda p: p.name)
def test_real_frame_has_the_pixels_astropy_reads(path):
    number, pixels = image_of(path)
    if pixels.ndim == 3 and pixels.shape[-1] == 3:     # colour axis in front
        pixels = np.moveaxis(pixels, -1, 0)
    assert stats(path)["hdu"] == number
    compare(path, pixels)


@needs_real
def test_lossless_encodings_of_one_image_agree():
    lines = [run(DATA / "nom-tam-m13" / f"{name}.fits").stdout.split()[6:]
             for name in ("m13", "m13_gzip", "m13_rice")]
    assert len(lines[0]) == 6 and lines[0] == lines[1] == lines[2]


@needs_real
def test_bzip2_is_refused_with_advice():
    done = run(DATA / "sdss/frame-r-001000-1-0100.fits.bz2")
    assert done.returncode == 1 and "unpack it first" in done.stdout


def noise(shape, dtype, seed=7):
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: shape[-2], : shape[-1]]
    image = 400 + 30 * rng.standard_normal(shape) + 3000 * np.exp(
        -((x - shape[-1] / 3) ** 2 + (y - shape[-2] / 2) ** 2) / 50)
    if np.issubdtype(dtype, np.floating):
        return image.astype(dtype)
    return np.clip(image, 0, np.iinfo(dtype).max).astype(dtype)


def pack(path, pixels, kind, **options):
    fits.CompImageHDU(pixels, compression_type=kind, **options).writeto(path)
    assert stats(path)["compressed"] == 1
    return path


@pytest.mark.parametrize("shape", [(1, 9), (13, 1), (33, 70), (64, 64), (61, 127)], ids=str)
@pytest.mark.parametrize("dtype", WHOLE, ids=lambda d: d.__name__)
@pytest.mark.parametrize("kind", KINDS[:3])
def test_compressed_whole_numbers(tmp_path, kind, dtype, shape):
    pixels = noise(shape, dtype)
    compare(pack(tmp_path / "c.fits", pixels, kind), pixels)


@pytest.mark.parametrize("tile", [(16, 40), (11, 17), (37, 91)], ids=str)
@pytest.mark.parametrize("kind", KINDS)
def test_tiles_that_do_not_divide_the_image(tmp_path, kind, tile):
    pixels = noise((37, 91), np.int16)
    compare(pack(tmp_path / "c.fits", pixels, kind, tile_size=list(tile[::-1])), pixels)


@pytest.mark.parametrize("dtype", WHOLE, ids=lambda d: d.__name__)
@pytest.mark.parametrize("shape", [(33, 70), (64, 64), (61, 127), (5, 200)], ids=str)
def test_hcompress_lossless(tmp_path, dtype, shape):
    pixels = noise(shape, dtype)
    compare(pack(tmp_path / "c.fits", pixels, "HCOMPRESS_1", hcomp_scale=0), pixels)


@pytest.mark.parametrize("scale", [2, 5, 16])
@pytest.mark.parametrize("dtype", [np.int16, np.int32], ids=lambda d: d.__name__)
def test_hcompress_lossy_as_astropy_restores_it(tmp_path, scale, dtype):
    path = pack(tmp_path / "c.fits", noise((61, 127), dtype), "HCOMPRESS_1", hcomp_scale=scale)
    compare(path, image_of(path)[1])


@pytest.mark.parametrize("method", [-1, 1, 2], ids=["plain", "dither1", "dither2"])
@pytest.mark.parametrize("dtype", FLOATS, ids=lambda d: d.__name__)
@pytest.mark.parametrize("kind", KINDS)
def test_quantised_floats(tmp_path, kind, dtype, method):
    pixels = noise((61, 300), dtype)
    pixels[3, 5:9] = 0.0
    if kind != "HCOMPRESS_1":       # the writer has no blanks there
        pixels[7, 11:14] = np.nan
    path = pack(tmp_path / "c.fits", pixels, kind, quantize_method=method, dither_seed=77)
    compare(path, image_of(path)[1], tol=1e-8)


@pytest.mark.parametrize("kind", ["GZIP_1", "GZIP_2"])
@pytest.mark.parametrize("dtype", FLOATS, ids=lambda d: d.__name__)
def test_floats_without_loss(tmp_path, kind, dtype):
    pixels = noise((20, 30), dtype)
    pixels[2, 3] = np.nan
    compare(pack(tmp_path / "c.fits", pixels, kind, quantize_level=0.0), pixels)


def test_floats_of_one_value_that_cannot_be_quantised(tmp_path):
    pixels = np.full((30, 40), 3.25, dtype=np.float32)
    pixels[4:] = noise((26, 40), np.float32)
    path = pack(tmp_path / "c.fits", pixels, "RICE_1")
    compare(path, image_of(path)[1])


def test_compressed_colour_cube(tmp_path):
    pixels = noise((3, 40, 50), np.int16)
    compare(pack(tmp_path / "c.fits", pixels, "RICE_1"), pixels)


def test_other_compression_is_refused_by_name(tmp_path):
    path = tmp_path / "c.fits"
    fits.CompImageHDU(noise((40, 50), np.int16), compression_type="PLIO_1").writeto(path)
    done = run(path)
    assert done.returncode == 1 and "compression 'PLIO_1' is not read" in done.stdout


@pytest.mark.parametrize("members", [1, 3])
def test_gzipped_whole_file(tmp_path, members):
    pixels = noise((300, 400), np.uint16)
    fits.PrimaryHDU(pixels).writeto(tmp_path / "a.fits")
    raw = (tmp_path / "a.fits").read_bytes()
    step = -(-len(raw) // members)
    path = tmp_path / "a.fits.gz"
    path.write_bytes(b"".join(gzip.compress(raw[i:i + step]) for i in range(0, len(raw), step)))
    compare(path, pixels)


def test_names_are_taken_literally(tmp_path):
    for name in ("a[1].fits", "a(b).fits", "!a.fits", "a+1", "mem:a.fits"):
        with open(tmp_path / name, "wb") as out:
            fits.PrimaryHDU(noise((4, 5), np.int16)).writeto(out)
        assert stats(tmp_path / name)["width"] == 5
    assert len(list(tmp_path.iterdir())) == 5


def test_cards_as_astropy_writes_them(tmp_path):
    header = fits.Header()
    header["OBJECT"] = "it's a 'test'"
    header["LONGSTR"] = "x" * 90 + " and more"
    header["HIERARCH ESO DET NDIT"] = 4
    header["EXPTIME"] = 300.5
    header["OK"] = True
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fits.PrimaryHDU(noise((4, 5), np.int16), header).writeto(tmp_path / "a.fits")
    cards = run("-c", tmp_path / "a.fits").stdout.splitlines()
    lines = dict(line.split("\t")[:2] for line in cards)
    assert lines["OBJECT"] == "it's a 'test'"
    assert lines["LONGSTR"] == "x" * 90 + " and more"
    assert lines["ESO DET NDIT"] == "4"
    assert float(lines["EXPTIME"]) == 300.5
    assert lines["OK"] == "T"


def test_cards_of_a_compressed_frame_are_those_of_the_image(tmp_path):
    header = fits.Header([("EXPTIME", 30.0), ("FILTER", "G")])
    path = tmp_path / "c.fits"
    fits.CompImageHDU(noise((20, 30), np.int16), header, compression_type="RICE_1").writeto(path)
    keys = {line.split("\t")[0] for line in run("-c", path).stdout.splitlines()}
    assert {"EXPTIME", "FILTER"} <= keys
    assert not keys & {"XTENSION", "NAXIS1", "TFORM1", "ZCMPTYPE", "ZTILE1", "ZBITPIX"}


def test_a_frame_we_wrote_as_astropy_reads_it(tmp_path):
    header = fits.Header()
    header["OBJECT"] = "it's a 'test'"
    header["LONGSTR"] = ("y" * 90 + " and 'more'", "with a comment")
    header["HIERARCH ESO DET NDIT"] = 4
    header["EXPTIME"] = (300.5, "s")
    header["OK"] = True
    header["HISTORY"] = "once upon a time"
    pixels = noise((3, 40, 50), np.float32)
    path = tmp_path / "a.fits"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fits.PrimaryHDU(pixels, header).writeto(path)
    assert run("-w", path).returncode == 0
    with fits.open(f"{path}.copy") as hdus:
        hdus.verify("exception")
        again = hdus[0].header
        assert (hdus[0].data == pixels).all()
        for key in ("OBJECT", "LONGSTR", "ESO DET NDIT", "EXPTIME", "OK"):
            assert again[key] == header[key]
        assert again.comments["EXPTIME"] == "s"
        assert str(again["HISTORY"]).strip() == "once upon a time"


@needs_real
@pytest.mark.parametrize("path", REAL, ids=lambda p: p.name)
def test_real_headers_survive_being_written(path, tmp_path):
    link = tmp_path / path.name
    link.symlink_to(path)
    assert run("-w", link).returncode == 0, run("-w", link).stdout
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", fits.verify.VerifyWarning)
        with fits.open(f"{link}.copy") as hdus:
            hdus.verify("exception")
            assert hdus[0].data.size > 0
