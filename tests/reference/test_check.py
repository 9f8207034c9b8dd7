"""The command `check` beside an independent composition (numpy FFT, scipy Bessel functions), and on
frames drawn from that composition.

Reference: OTFs as in docs/models.md, multiplied on a 2048 x 2048 grid; half-maximum contour by
linear interpolation along the axes; stars drawn by the Fourier transform of the same product.
"""

import json

import numpy as np
import pytest
from astropy.io import fits
from scipy.optimize import brentq
from scipy.special import gamma, j1, kv
from support import RIG, needs_command, run

ARCSEC = 206264.80624709636

pytestmark = needs_command

# Nothing but air, aperture, a defocus disc, motion and pixel.
BARE = {
    "site.local_air": "0 arcsec", "site.seeing": "{value: 1.8 arcsec, sigma: 0.4 arcsec}",
    "site.outer_scale": "25 m", "mount.motion_ra": "0.45 arcsec", "mount.motion_dec": "0.45 arcsec",
    "mount.flexure": "0 arcsec/h", "mount.polar_error": "0 arcmin",
    "telescopes.refractor 115/805.colour_spread": "0 um",
    "focusers.main focuser.repeatability": "0 um", "focusers.main focuser.compensation": "1",
    "setups.deep.field.tilt": "0 um", "setups.deep.field.curvature": "75 um",
    "setups.deep.field.astigmatism": "0 um", "setups.deep.field.decentre_coma": "0 arcsec",
    "setups.deep.habits.airmass": "1", "filters.luminance.width": "1 nm",
}
PIXEL = 3.76e-6 / 0.644 * ARCSEC


def check(*args, sets=None):
    call = ["check", RIG, "--json"]
    for key, value in {**BARE, **(sets or {})}.items():
        call += ["--set", f"{key}={value}"]
    return run(*call, *args)


def answer_of(*args, sets=None):
    done = check(*args, sets=sets)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def karman_otf(f, fwhm_arcsec, lam, scale_m):
    """f in cycles per arcsec; Tokovinin 2002 eq. 16-19."""
    def width(r0):
        return 0.97586343 * 500e-9 / r0 * ARCSEC * np.sqrt(1 - 2.183 * (r0 / scale_m) ** 0.356)
    r0 = brentq(lambda r: width(r) - fwhm_arcsec, 1e-3, 1.0) * (lam / 500e-9) ** 1.2
    r = np.maximum(lam * f * ARCSEC, 1e-9)
    x = 2 * np.pi * r / scale_m
    front = 2 ** (1 / 6) * gamma(11 / 6) * np.pi ** (-8 / 3) * (4.8 * gamma(1.2)) ** (5 / 6)
    bracket = gamma(5 / 6) / 2 ** (1 / 6) - x ** (5 / 6) * kv(5 / 6, x)
    d = front * (scale_m / r0) ** (5 / 3) * bracket
    return np.exp(-0.5 * np.maximum(d, 0))


def product(fx, fy, seeing=1.8, lam=550e-9, diameter=0.115, disc=0.0, sigma=0.45, pixel=PIXEL):
    f = np.hypot(fx, fy)
    nu = np.clip(f * ARCSEC * lam / diameter, 0, 1)
    pupil = 2 / np.pi * (np.arccos(nu) - nu * np.sqrt(1 - nu * nu))
    a = np.maximum(np.pi * disc * f * (1 - nu), 1e-9)
    return (karman_otf(f, seeing, lam, 25.0) * pupil * 2 * j1(a) / a
            * np.exp(-2 * np.pi ** 2 * sigma ** 2 * f ** 2)
            * np.sinc(fx * pixel) * np.sinc(fy * pixel))


def half_maximum(otf, step):
    psf = np.fft.fftshift(np.fft.ifft2(otf).real)
    c = psf.shape[0] // 2
    row = psf[c, c:] / psf[c, c]
    i = int(np.argmax(row < 0.5))
    return 2 * step * (i - 1 + (row[i - 1] - 0.5) / (row[i - 1] - row[i]))


def grid(n=2048, step=0.05):
    f = np.fft.fftfreq(n, step)
    return np.meshgrid(f, f), step


def median_disc(answer):
    return line(answer, "tilt_curvature")["alone"]


def line(answer, name):
    return next(x for x in answer["budgets"][0]["lines"] if x["id"] == name)


def test_total_and_noise_area_against_a_square_grid():
    answer = answer_of()
    total = answer["budgets"][0]["total"]
    (fx, fy), step = grid()
    otf = product(fx, fy, disc=median_disc(answer))
    assert total["predicted"] == pytest.approx(half_maximum(otf, step), rel=2e-3)
    psf = np.fft.ifft2(otf).real
    area = step ** 2 * psf.sum() ** 2 / (psf ** 2).sum()
    assert total["equivalent_noise_area_arcsec2"] == pytest.approx(area, rel=2e-3)


def test_without_each_line_against_a_square_grid():
    answer = answer_of()
    disc = median_disc(answer)
    (fx, fy), step = grid()
    for name, changed in (("motion", {"sigma": 0.0}), ("tilt_curvature", {"disc": 0.0})):
        want = half_maximum(product(fx, fy, **{"disc": disc, **changed}), step)
        assert line(answer, name)["total_without"] == pytest.approx(want, rel=2e-3)


def test_contract_keys_and_sums():
    answer = answer_of(sets={"setups.deep.habits.airmass": "1.6"})
    assert answer["schema"] == "nightwright.check.1"
    budget = answer["budgets"][0]
    assert budget["name"] == "star_width" and budget["unit"] == "arcsec"
    assert sum(x["share_percent"] for x in budget["lines"]) == pytest.approx(100.0, abs=0.01)
    wanted = ("id label allowed predicted predicted_sigma measured measured_low measured_high "
              "alone total_without share_percent attainable time_percent_point "
              "time_percent_extended margin_percent basis provenance evidence why_null").split()
    for row in budget["lines"]:
        assert set(wanted) <= set(row), row["id"]
        assert row["provenance"] in ("given", "header", "assumed", "measured")
    wanted = ("change set budget time_percent_point time_percent_extended sigma_percent effort "
              "prediction why").split()
    assert answer["advice"]
    for row in answer["advice"]:
        assert set(wanted) <= set(row)
    assert answer["blind"]["inside_90_percent"] is None
    assert answer["blind"]["why_null"]["inside_90_percent"]


def draw(path, rng, start, seeing, airmass=1.0, disc=0.0, side=480, stars=120, cards=None):
    """Stars by the transform of the product at 1/4 pixel, shifted by its phases."""
    over, box = 4, 48
    f = np.fft.fftfreq(box * over, PIXEL / over)
    fx, fy = np.meshgrid(f, f)
    otf = product(fx, fy, seeing=seeing, disc=disc)
    image = rng.normal(800.0, 4.0, (side, side))
    for _ in range(stars):
        x, y = rng.uniform(30, side - 30, 2)
        ix, iy = int(round(x)), int(round(y))
        shift = np.exp(-2j * np.pi * PIXEL * (fx * (x - ix) + fy * (y - iy)))
        psf = np.fft.fftshift(np.fft.ifft2(otf * shift).real)[::over, ::over]
        y0, x0 = iy - box // 2, ix - box // 2
        part = psf / psf.sum() * 10 ** rng.uniform(4.0, 5.0)
        ys, xs = max(0, y0), max(0, x0)
        ye, xe = min(side, y0 + box), min(side, x0 + box)
        image[ys:ye, xs:xe] += part[ys - y0:ye - y0, xs - x0:xe - x0]
    header = fits.Header()
    header["DATE-OBS"] = start
    header["EXPTIME"] = 300.0
    header["AIRMASS"] = airmass
    header["FILTER"] = "luminance"
    header["IMAGETYP"] = "LIGHT"
    for key, value in (cards or {}).items():
        header[key] = value
    fits.PrimaryHDU(np.clip(image, 0, 65535).astype("uint16"), header).writeto(path)


def clock(i):
    t = 36000 + 310 * i
    return f"2026-05-14T{t // 3600:02d}:{t // 60 % 60:02d}:{t % 60:02d}"


def test_delivered_width_is_the_predicted_quantity(tmp_path):
    """Frames of exactly the predicted profile: the delivered FWHM is that of its half maximum."""
    rng = np.random.default_rng(5)
    for k, seeing in enumerate((1.3, 1.8, 3.0)):
        folder = tmp_path / str(k)
        folder.mkdir()
        answer = answer_of(sets={"site.seeing": f"{seeing} arcsec"})
        for i in range(2):
            draw(folder / f"{i}.fits", rng, clock(i), seeing, disc=median_disc(answer))
        total = answer_of("--frames", folder, sets={"site.seeing": f"{seeing} arcsec"})
        total = total["budgets"][0]["total"]
        print(seeing, total["predicted"], total["measured"], total["measured"] / total["predicted"])
        # below 2 px the core itself is undersampled: 0.8 to 0.9 % low in eight drawings
        most = 0.010 if total["predicted"] < 2.0 * PIXEL else 0.004
        assert total["measured"] == pytest.approx(total["predicted"], rel=most)


def test_night_of_frames_foretells_its_second_half(tmp_path):
    rng = np.random.default_rng(9)
    for i in range(16):
        airmass = 1.0 + 0.05 * i
        seeing = 1.5 * airmass ** 0.6 * np.exp(rng.normal(0, 0.03))
        draw(tmp_path / f"{i:02d}.fits", rng, clock(i), seeing, airmass, disc=0.3)
    (tmp_path / "note.txt").write_text("no frame")
    page = run("check", RIG, "--frames", tmp_path).stdout
    assert "BLIND HALF" in page and max(len(row) for row in page.splitlines()) <= 80
    sets = {"filters.luminance.width": "1 nm"}
    answer = answer_of("--frames", tmp_path, sets=sets)
    blind = answer["blind"]
    assert answer["frames"] == 16
    assert blind["inside_90_percent"][1] == 8 and blind["inside_90_percent"][0] >= 6
    assert abs(blind["came_arcsec"] - blind["foretold_arcsec"]) < 3 * blind["foretold_sigma_arcsec"]
    assert blind["latent_seeing_arcsec"] == pytest.approx(1.5, rel=0.1)
    assert answer["budgets"][0]["unexplained_arcsec2"] < 0  # the rig says 1.8, the night was 1.5


def test_frames_that_do_not_count_are_left_out(tmp_path):
    rng = np.random.default_rng(3)
    draw(tmp_path / "a.fits", rng, clock(0), 1.8, stars=40, side=240)
    draw(tmp_path / "b.fits", rng, clock(1), 1.8, stars=40, side=240, cards={"FILTER": "red"})
    draw(tmp_path / "c.fits", rng, clock(2), 1.8, stars=40, side=240, cards={"IMAGETYP": "DARK"})
    done = run("check", RIG, "--frames", tmp_path)
    assert done.returncode == 0, done.stderr
    text = " ".join(done.stdout.split())
    assert "1 subs of 300 s" in text
    assert "left out: 1 are no lights; 1 are not of the filter luminance" in text
    assert "not done: 1 subs with a time and a width; it takes 8" in text
    assert max(len(row) for row in done.stdout.splitlines()) <= 80


@pytest.mark.parametrize("args, code, says", [
    (["--frames", "no-such.fits"], 2, "no-such.fits"),
    (["--setup", "deap"], 2, "did you mean 'deep'"),
    (["--set", "site.seing=2 arcsec"], 2, "seeing"),
    (["--guiding", "no-such.csv"], 2, "no-such.csv"),
    (["--budget", "mass"], 2, "budget"),
])
def test_bad_input_is_one_clear_error(args, code, says):
    done = run("check", RIG, *args)
    assert done.returncode == code
    assert says in done.stderr and done.stdout == ""
    assert len(done.stderr.strip().splitlines()) == 1


def test_truth_is_opened_beside_the_result(tmp_path):
    frame = {"fwhm_mean_arcsec": 3.0, "seeing_zenith_500nm_arcsec": 1.9, "centre":
             {"fwhm_arcsec": 2.9}, "motion_ra_rms_arcsec": 0.4, "motion_dec_rms_arcsec": 0.3,
             "fwhm_centre_without_arcsec": {"air_above": 1.7, "pixel": 2.8}}
    (tmp_path / "truth.json").write_text(json.dumps({"frames": [frame, frame]}))
    answer = answer_of("--truth", tmp_path / "truth.json")
    assert answer["truth"]["delivered_arcsec"] == pytest.approx(3.0)
    assert answer["truth"]["total_without_arcsec"]["air_above"] == pytest.approx(1.7)
    assert answer["truth"]["total_without_arcsec"]["flexure"] is None
    (tmp_path / "bad.json").write_text('{"frames": []}')
    done = check("--truth", tmp_path / "bad.json")
    assert done.returncode == 2 and "bad.json" in done.stderr and done.stdout == ""


def test_empty_folder_and_starless_frame(tmp_path):
    done = check("--frames", tmp_path)
    assert done.returncode == 2 and "no FITS file" in done.stderr
    draw(tmp_path / "a.fits", np.random.default_rng(1), clock(0), 1.8, stars=0, side=200)
    done = check("--frames", tmp_path)
    assert done.returncode == 1 and "no usable star in any of 1 frames" in done.stderr
    (tmp_path / "a.fits").write_bytes((tmp_path / "a.fits").read_bytes()[:20000])
    done = check("--frames", tmp_path)
    assert done.returncode in (1, 2) and "a.fits" in done.stderr and done.stdout == ""


def test_strict_exits_3_over_an_allocation():
    assert check("--strict", sets={"setups.deep.allocations.total": "1 arcsec"}).returncode == 3
    assert check(sets={"setups.deep.allocations.total": "1 arcsec"}).returncode == 0


GUIDE_HEAD = "# exposure_s: 2\n# axes: sky\n# pulse_acts: after\n# ra_rate_arcsec_per_s: 7.5\n" \
    "# dec_rate_arcsec_per_s: 7.5\n"


def guide_log(path, rng, first, n_subs, late_s=0.0, motion=0.5, noise=0.15):
    """A wander of the mount (correlated over 20 s) and white noise, dithers between the subs."""
    rows = [GUIDE_HEAD + "time,ra_err_arcsec,dec_err_arcsec,ra_pulse_ms,dec_pulse_ms,snr,event"]
    t0 = np.datetime64(first)
    ra = dec = 0.0
    keep = np.exp(-2.0 / 20.0)
    for k in range(int(n_subs * 310 / 2)):
        t = 2.0 * k + 1.0
        in_gap = (t % 310.0) > 300.0
        ra = keep * ra + rng.normal(0, motion * np.sqrt(1 - keep ** 2))
        dec = keep * dec + rng.normal(0, 0.6 * motion * np.sqrt(1 - keep ** 2))
        when = t0 + np.timedelta64(int(1000 * (t + late_s)), "ms")
        event = "dither" if in_gap and (t % 310.0) < 302.1 else \
            ("settled" if (t % 310.0) > 307.9 else "")
        jump = 3.0 if in_gap and not event == "settled" else 0.0
        rows.append(f"{when}Z,{ra + jump + rng.normal(0, noise):.3f},"
                    f"{dec + rng.normal(0, noise):.3f},0,0,30,{event}")
    path.write_text("\n".join(rows) + "\n")


def test_guide_log_is_joined_or_refused(tmp_path):
    rng = np.random.default_rng(4)
    frames = tmp_path / "frames"
    frames.mkdir()
    for i in range(8):
        draw(frames / f"{i}.fits", rng, clock(i), 1.8, stars=40, side=240)
    guide_log(tmp_path / "good.csv", rng, clock(0), 8)
    answer = answer_of("--frames", frames, "--guiding", tmp_path / "good.csv")
    motion = line(answer, "motion")
    assert motion["measured_low"] <= motion["measured"] <= motion["measured_high"]
    assert motion["provenance"] == "measured" and motion["evidence"] == ["guide log"]
    # rms of 0.5 and 0.3 arcsec about the sub's mean: 2.3548 sqrt((0.25 + 0.09) / 2) = 0.97
    assert motion["measured"] == pytest.approx(0.97, rel=0.15)
    guide_log(tmp_path / "late.csv", rng, clock(0), 8, late_s=3 * 3600 + 157)
    done = check("--frames", frames, "--guiding", tmp_path / "late.csv")
    assert done.returncode == 1 and done.stdout == "", done.stderr
    assert "late.csv" in done.stderr or "dither" in done.stderr or "clock" in done.stderr
