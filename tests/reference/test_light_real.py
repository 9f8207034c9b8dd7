"""Frames that nobody here made: a raw CCD frame whose overscan and sky give gain and read noise as
its header has them, survey frames whose weights astropy and photutils give, a real field whose
stack is audited. Skips where the data is absent.

Environment: NIGHTWRIGHT = path of the built command; NIGHTWRIGHT_SHARED_DATA = folder of the data.
"""
import math

import pytest
from support import COMMAND, DATA, answer

np = pytest.importorskip("numpy")
fits = pytest.importorskip("astropy.io.fits")
stats = pytest.importorskip("astropy.stats")
ndimage = pytest.importorskip("scipy.ndimage")
pytestmark = pytest.mark.skipif(not (COMMAND.exists() and DATA.is_dir()),
                                reason="not built, or NIGHTWRIGHT_SHARED_DATA is not set")


def document(*args):
    return answer(*args)


def test_gain_and_read_noise_of_a_raw_frame(tmp_path):
    """A 1.0 m telescope's raw frame (SAAO; header: GAIN 1.9, RDNOISE 5): its overscan is what two
    biases would show, its sky in strips what pairs of flats would."""
    path = DATA / "ccdproc/a8280271.fits"
    if not path.exists():
        pytest.skip(f"no {path}")
    pixels = fits.getdata(path).astype(np.uint16)
    header = fits.getheader(path)
    overscan = np.hstack([pixels[:, 3:15], pixels[:, 528:536]])
    width = overscan.shape[1]

    def write(name, data, kind):
        seconds = 0 if kind == "Bias" else 1
        fits.PrimaryHDU(data, fits.Header([("IMAGETYP", kind), ("EXPTIME", seconds),
                                           ("FILTER", "sky")])).writeto(tmp_path / name)

    halves = (slice(0, 260), slice(260, 520))
    for k, rows in enumerate(halves):
        write(f"bias{k}.fits", overscan[rows], "Bias")
    strips = range(16, 528 - width, width)
    for n, x in enumerate(strips):
        for k, rows in enumerate(halves):
            write(f"flat{n:02d}{k}.fits", pixels[rows, x:x + width], "Flat")
    got = document("sensor", tmp_path)
    assert got["offset_adu"] == pytest.approx(stats.sigma_clipped_stats(overscan)[0], abs=0.1)
    # the sky is 88 counts bright: 25 strips of 20 x 260 px tell the gain to a few percent
    assert got["gain_e_per_adu"] == pytest.approx(header["GAIN"], rel=0.08)
    noise = stats.sigma_clipped_stats(overscan[260:] - overscan[:260].astype(float))[2]
    assert got["read_noise_e"] / got["gain_e_per_adu"] == pytest.approx(
        math.sqrt(noise ** 2 / 2 - 1 / 12), rel=0.03)
    assert got["read_noise_e"] == pytest.approx(header["RDNOISE"], rel=0.2)  # a round number


@pytest.mark.parametrize("pair", ["04", "18"])
def test_weights_of_survey_frames(pair, tmp_path):
    """Two stacks of one field (DECam): light by photutils' apertures on the same stars, noise by
    astropy's clipped statistics."""
    photutils = pytest.importorskip("photutils.aperture")
    sep = pytest.importorskip("sep")
    paths = [DATA / f"sfft-decam/DEC-OBS{pair}{k}.mini.fits" for k in "ab"]
    if not all(p.exists() for p in paths):
        pytest.skip("no sfft-decam frames")
    got = document("handover", *paths)["subs"]
    flux, noise = [], []
    images = [fits.getdata(p).astype(float) for p in paths]
    images = [np.ascontiguousarray(i.astype(i.dtype.newbyteorder("="))) for i in images]
    found = sep.extract(images[0], 8 * stats.sigma_clipped_stats(images[0])[2])
    bright = found[(found["flux"] > np.median(found["flux"])) & (found["flag"] == 0)]
    places = np.array([bright["x"], bright["y"]]).T
    for image in images:
        _, sky, sigma = stats.sigma_clipped_stats(image, sigma=3)
        aperture = photutils.CircularAperture(places, r=8)
        sums = photutils.aperture_photometry(image - sky, aperture)["aperture_sum"]
        flux.append(np.asarray(sums))
        noise.append(sigma)
    light = np.median(flux[0] / flux[1])
    ratio = got[0]["relative_transmission"] / got[1]["relative_transmission"]
    # a few stars, whose ratios scatter by 2 % and change by 2 % with the aperture (other seeing)
    sigma = math.hypot(np.std(flux[0] / flux[1]) / math.sqrt(len(places)), 0.02)
    sigma = math.hypot(sigma, got[0]["relative_transmission_sigma"])
    assert ratio == pytest.approx(light, abs=2.5 * sigma) and sigma < 0.04
    weight = ratio ** 2 * (noise[1] / noise[0]) ** 2
    assert got[0]["weight_extended"] / got[1]["weight_extended"] == pytest.approx(weight, rel=0.12)


def stack(folder, truth, sky):
    """Six subs of a sky, and what numpy makes of them: of all, of three."""
    rng = np.random.default_rng(6)
    light = [1.0, 1.0, 0.9, 1.0, 0.8, 1.0]
    subs = []
    for k, share in enumerate(light):
        image = rng.poisson(share * truth + sky).astype(float) + rng.normal(0, 5, truth.shape)
        fits.PrimaryHDU(np.clip(np.round(image + 200), 0, 65535).astype(np.uint16), fits.Header([
            ("IMAGETYP", "Light"), ("EXPTIME", 60.0), ("OBJECT", "field"),
            ("DATE-OBS", f"2026-05-01T22:0{k}:00")])).writeto(folder / f"sub{k}.fits")
        subs.append((image - sky) / share)
    for name, images in {"all": subs, "half": subs[:3]}.items():
        fits.PrimaryHDU(np.mean(images, axis=0).astype(np.float32)).writeto(folder / f"{name}.fits")
    got = document("handover", *sorted(folder.glob("sub*")), "--master", folder / "all.fits",
                   folder / "half.fits")
    for k, sub in enumerate(got["subs"]):
        assert sub["relative_transmission"] == pytest.approx(light[k], rel=0.03)
    # time that three take of all six: variance of the mean of scaled subs
    share = (sum(s ** -2 for s in light) / 36) / (sum(s ** -2 for s in light[:3]) / 9)
    return got["masters"], share


def sky_of(path, smooth, scale):
    """The grain of the plate is no noise of ours: smoothed."""
    if not path.exists():
        pytest.skip(f"no {path}")
    truth = fits.getdata(path).astype(float)[:600, :600]
    truth = ndimage.gaussian_filter(truth - np.median(truth), smooth)
    return np.clip(truth, 0, None) * scale


def test_a_stack_of_a_real_field_is_audited(tmp_path):
    """A sparse field of a 0.76 m telescope (r, 7 s): its own, elongated stars."""
    (whole, half), share = stack(tmp_path, sky_of(DATA / "uwmro/eb787_r_7s.fits", 0.7, 1), 4000)
    assert whole["efficiency_percent"] == pytest.approx(100, abs=12) and whole["reached_root_n"]
    assert half["efficiency_percent"] == pytest.approx(100 * share, abs=8)
    assert half["reached_root_n"] is False and abs(whole["wider_percent"]) < 2


def test_a_field_of_nothing_but_stars_hides_the_noise(tmp_path):
    """M 13: its faint stars are the noise of an area, in every sub and in the stack alike."""
    (whole, _), _ = stack(tmp_path, sky_of(DATA / "nom-tam-m13/m13.fits", 1.0, 3), 2500)
    assert whole["reached_root_n"] is None
    assert "hide" in whole["why_null"]["reached_root_n"]
    assert abs(whole["wider_percent"]) < 3
