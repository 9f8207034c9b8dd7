"""`light` against photons by hand, against astropy, and against drawn frames.

Environment: NIGHTWRIGHT = path of the built command. Targets have their places in the list, so no
catalogue is needed. Source of the photons: Bessell, Castelli & Plez 1998 (REFERENCES PHO-02v1).
"""
import math

import numpy as np
import pytest
from support import RIG, answer, needs_command, run

pytestmark = needs_command
LIST = """nightwright-targets: 1
targets:
  lagoon: {ra: 270.904 deg, dec: -24.387 deg, goals: {luminance: 4 h}}
"""


def light(*args):
    return answer("light", RIG, *args)


def extinction(nm, v=0.19, height=437):
    """Hansen & Travis 1974, ozone, dust as wavelength^-1.3: written down again, in nanometres."""
    ozone = np.interp(nm, [400, 450, 500, 550, 600, 650, 700, 750, 800],
                      [0, .0015, .0105, .029, .045, .021, .007, .003, 0])
    um = np.asarray(nm) / 1000
    rayleigh = 1.0857362 * .008569 * um ** -4 * (1 + .0113 * um ** -2 + .00013 * um ** -4)
    both = rayleigh * math.exp(-height / 8000) + ozone
    return both if nm is V else both + (v - extinction(V)) * (um / .545) ** -1.3


V = 545.0


def air(low, high, airmass):
    nm = np.linspace(low, high, 4001)
    return np.mean(10 ** (-0.4 * airmass * extinction(nm)))


def test_rates_and_hours_by_hand():
    document = light("--brightness", 25, "--sky", 21, "--airmass", 1.5, "--sub", 120, "--snr", 4,
                     "--area", 9)
    band = document["bands"][0]
    scale = 3.76e-6 / 0.644 * 206264.806
    photons = 995.5e4 * 10 * math.pi / 4 * 0.115 ** 2 * 290 * 0.95 * 0.93 * 0.85 * scale ** 2
    sky = photons * 10 ** (-0.4 * 21) * band["rates"]["dark_sky_against_v"]
    assert band["rates"]["dark_sky_against_v"] == pytest.approx(1, abs=0.05)  # a band around V
    assert band["rates"]["air_share"] == pytest.approx(air(405, 695, 1.5), rel=1e-3)
    target = photons * 10 ** (-0.4 * 25) * band["rates"]["air_share"]
    assert band["rates"]["dark_sky_e_per_s_px"] == pytest.approx(sky, rel=1e-4)
    assert band["rates"]["target_e_per_s_px"] == pytest.approx(target, rel=1e-4)
    noise = target + sky + 0.0008 + 1.5 ** 2 / 120
    hours = 16 / 9 * scale ** 2 * noise / target ** 2 / 3600
    assert band["goal_extended_h"] == pytest.approx(hours, rel=1e-4)
    shares = {s["id"]: s["share_percent"] for s in band["variance_extended"]}
    assert sum(shares.values()) == pytest.approx(100, abs=0.01)
    assert shares["sky"] == pytest.approx(100 * sky / noise, rel=1e-3)
    length = band["sub_length"]
    assert length["least_s"] == pytest.approx(19 * 2.25 / (sky + 0.0008), rel=1e-4)
    assert [p["sub_s"] for p in length["curve"]] == sorted(p["sub_s"] for p in length["curve"])


def test_colours_of_air_sky_and_moon():
    """Narrow bands: less air in red than in blue, a darker sky between the lines, less moonlight in
    red; the lines of the night sky only where the filter lets them through."""
    rates = {f: light("--filter", f, "--airmass", 2, "--sky", 21.4)["bands"][0]["rates"]
             for f in ("blue", "hydrogen-alpha", "oxygen-III", "luminance")}
    assert rates["hydrogen-alpha"]["air_share"] == pytest.approx(
        10 ** (-0.4 * 2 * extinction(656.3)), rel=1e-3)
    assert rates["blue"]["air_share"] == pytest.approx(air(400, 500, 2), rel=1e-3)
    assert rates["oxygen-III"]["dark_sky_against_v"] < 0.85  # no line, bluer than V
    assert rates["hydrogen-alpha"]["dark_sky_against_v"] > 1.1  # OH and a line of its own
    assert rates["hydrogen-alpha"]["moon_against_v"] < 0.8 < rates["blue"]["moon_against_v"]
    on_line = light("--filter", "oxygen-III", "--set", "filters.oxygen-III.centre=557.7 nm",
                    "--sky", 21.4)["bands"][0]["rates"]
    extra = on_line["dark_sky_against_v"] - rates["oxygen-III"]["dark_sky_against_v"]
    # 250 R in 3 nm against V 21.6, of a sky that is brighter than it by the zenith of the rig
    zenith = yaml_sky()
    line = 250 * 0.0187043 / (9.955e16 * 10 ** (-0.4 * 21.6) * 3e-9)
    assert extra == pytest.approx(line * min(1, 10 ** (0.4 * (zenith - 21.6))), rel=0.1)


def yaml_sky():
    yaml = pytest.importorskip("yaml")
    value = yaml.safe_load(RIG.read_text())["site"]["sky_brightness"]
    value = value["value"] if isinstance(value, dict) else value
    return float(str(value).split()[0])


def test_snr_of_drawn_pixels():
    """The CCD equation against Poisson draws of the command's own rates: 1 h of 300 s subs."""
    band = light("--brightness", 22, "--filter", "red", "--sub", 300, "--area", 100)["bands"][0]
    rates = band["rates"]
    rng = np.random.default_rng(7)
    pixels = round(100 / (3.76e-6 / 0.644 * 206264.806) ** 2)
    flat = rates["dark_sky_e_per_s_px"] + rates["dark_current_e_per_s_px"]
    def drawn(rate):
        counts = rng.poisson(rate * 300, (700, 12, pixels)).sum(axis=(1, 2)).astype(float)
        read = math.hypot(rates["read_noise_e"], rates["quantisation_e"])
        return counts + rng.normal(0, read * math.sqrt(12 * pixels), 700)
    on = drawn(flat + rates["target_e_per_s_px"])
    snr = (on.mean() - flat * 3600 * pixels) / on.std()
    assert band["snr"]["hour"]["extended"] == pytest.approx(snr, rel=0.09)  # 700 draws: 3 %


def test_minute_against_astropy(tmp_path):
    coordinates = pytest.importorskip("astropy.coordinates")
    from astropy import units as u
    from astropy.time import Time
    from astropy.utils import iers
    iers.conf.auto_download = False
    iers.conf.auto_max_age = None
    (tmp_path / "list.yaml").write_text(LIST)
    at = "2026-07-22T11:00:00Z"
    document = light("--targets", tmp_path / "list.yaml", "--target", "lagoon", "--at", at,
                     "--brightness", 24)
    site = coordinates.EarthLocation(lat=-32.18 * u.deg, lon=146.52 * u.deg, height=437 * u.m)
    frame = coordinates.AltAz(obstime=Time(at[:-1]), location=site)
    place = coordinates.SkyCoord(270.904 * u.deg, -24.387 * u.deg)
    moon = coordinates.get_moon(Time(at[:-1]), site)
    assert document["sky"]["altitude_deg"] == pytest.approx(
        place.transform_to(frame).alt.deg, abs=0.05)
    assert document["sky"]["moon_separation_deg"] == pytest.approx(
        moon.transform_to(frame).separation(place.transform_to(frame)).deg, abs=0.1)
    assert document["sky"]["moon_altitude_deg"] == pytest.approx(
        moon.transform_to(frame).alt.deg, abs=0.1)
    assert document["wants"]["night_h"] > 3
    band = document["bands"][0]
    assert band["snr"]["night"]["extended"] == pytest.approx(
        band["snr"]["hour"]["extended"] * math.sqrt(document["wants"]["night_h"]), rel=1e-3)
    moonless = [o for o in document["options"] if "without the Moon" in o["what"]]
    assert (band["rates"]["moon_e_per_s_px"] > 0) == bool(moonless)


def test_a_frame_counts_its_own_stars_and_its_sky(tmp_path):
    fits = pytest.importorskip("astropy.io.fits")
    rng = np.random.default_rng(3)
    y, x = np.mgrid[0:600, 0:800]
    sky = 1.1 * 60
    image = np.full((600, 800), sky)
    for peak, cx, cy in [(30000, 100, 100), (9000, 300, 200), (4000, 500, 300), (900, 600, 400)]:
        image += peak * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 1.3 ** 2))
    for _ in range(40):
        cx, cy = rng.uniform(20, 780), rng.uniform(20, 580)
        image += 300 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 1.3 ** 2))
    electrons = rng.poisson(image) + rng.normal(0, 1.5, image.shape)
    adu = np.clip(np.round(electrons / 0.25 + 500), 0, 65535).astype(np.uint16)
    path = tmp_path / "sub.fits"
    fits.PrimaryHDU(adu, fits.Header([("EXPTIME", 60.0)])).writeto(path)
    document = light("--frame", path, "--saturated", 1)
    seen = document["measured"]
    assert seen["sky_e_per_s_px"] == pytest.approx(1.1, rel=0.03)
    assert seen["noise_e"] == pytest.approx(math.sqrt(sky + 1.5 ** 2), rel=0.03)
    assert seen["noise_e"] / seen["expected_noise_e"] == pytest.approx(1, abs=0.03)
    length = document["bands"][0]["sub_length"]
    # the second star fills 16000 e at 9000 e per 60 s: 106.7 s, a little less with the sky
    assert length["most_by"] == "stars"
    assert length["most_s"] == pytest.approx(16000 / (9000 / 60 + 1.1), rel=0.04)


def test_a_colour_frame_shows_the_sky_of_every_colour(tmp_path):
    fits = pytest.importorskip("astropy.io.fits")
    rng = np.random.default_rng(6)
    sky = {"R": 0.7, "G": 1.1, "B": 0.4}
    image = np.zeros((400, 600))
    for (j, i), k in {(0, 0): "R", (0, 1): "G", (1, 0): "G", (1, 1): "B"}.items():
        image[j::2, i::2] = sky[k] * 120
    y, x = np.mgrid[0:400, 0:600]
    for _ in range(30):
        cx, cy = rng.uniform(20, 580), rng.uniform(20, 380)
        image += 2000 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 1.8 ** 2))
    adu = np.round((rng.poisson(image) + rng.normal(0, 1.5, image.shape)) / 0.25 + 500)
    path = tmp_path / "sub.fits"
    fits.PrimaryHDU(adu.astype(np.uint16), fits.Header(
        [("EXPTIME", 120.0), ("BAYERPAT", "RGGB")])).writeto(path)
    document = light("--frame", path, "--set", "cameras.cooled mono.pattern=RGGB")
    seen = {c["colour"]: c for c in document["measured"]["colours"]}
    for colour, rate in sky.items():
        assert seen[colour]["sky_e_per_s_px"] == pytest.approx(rate, rel=0.04), colour
        assert seen[colour]["noise_e"] == pytest.approx(math.sqrt(rate * 120 + 2.25), rel=0.04)
    assert document["measured"]["sky_e_per_s_px"] == seen["G"]["sky_e_per_s_px"]  # most light


@pytest.mark.parametrize("arguments, words", [
    (["--filter", "reed"], "the nearest is red"),
    (["--target", "M 8"], "belong together"),
    (["--brightness", "99"], "--brightness"),
    (["--frame", "/nowhere.fits"], "/nowhere.fits"),
])
def test_bad_input_is_told_in_words(arguments, words):
    done = run("light", RIG, *arguments)
    assert done.returncode == 2, done.stdout
    assert words in done.stderr


def test_chart_and_text(tmp_path):
    done = run("light", RIG, "--magnitude", 18, "--chart", tmp_path / "subs.svg")
    assert done.returncode == 0, done.stderr
    assert max(map(len, done.stdout.splitlines())) <= 80 + len(str(tmp_path))
    assert (tmp_path / "subs.svg").read_text().startswith("<svg")
    for budget in ["light", "time"]:
        assert run("check", RIG, "--budget", budget).returncode == 0
