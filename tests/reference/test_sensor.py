"""The commands `sensor` and `flats`: simulated sets against their truth, the same frames by numpy
and astropy, documents, exit codes, a patch that the rig file takes."""
import json
import math

import pytest
from support import RIG, answer, run


@pytest.fixture(scope="module")
def sensor_set(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sensor") / "set"
    done = run("synth", RIG, "--set", "sensor", "--size", "480x320", "--seed", 4, "-o", folder)
    assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture(scope="module")
def panel_set(tmp_path_factory):
    folder = tmp_path_factory.mktemp("panel") / "set"
    done = run("synth", RIG, "--set", "panel", "--size", "1600x1200", "--seed", 4, "-o", folder,
               "--inject", "flicker=0.003")
    assert done.returncode == 0, done.stderr
    return folder


def test_sensor_meets_its_truth(sensor_set):
    got = answer("sensor", sensor_set, "--rig", RIG)
    truth = json.loads((sensor_set / "truth.json").read_text())
    assert got["schema"] == "nightwright.sensor.1"
    camera = truth["camera"]
    noise = math.hypot(camera["read_noise_e"], truth["injected"]["rows"])
    for key, sigma, want in (("gain_e_per_adu", "gain_sigma_e_per_adu", camera["gain_e_per_adu"]),
                             ("read_noise_e", "read_noise_sigma_e", noise)):
        assert got[key] == pytest.approx(want, abs=max(4 * got[sigma], 0.005 * want)), key
    assert got["full_scale_e"] == pytest.approx(camera["full_scale_e"], rel=0.02)
    assert got["full_scale_limit"] == camera["full_scale_limit"]
    assert got["dark_e_per_s"] == pytest.approx(camera["dark_e_per_s"], abs=0.0005)
    assert got["dark_temperature_c"] == pytest.approx(-10)
    assert got["contradictions"] == []
    assert got["hot_pixels"] == pytest.approx(camera["hot_pixels"], rel=0.15)


def test_two_and_two_by_numpy_and_astropy(sensor_set):
    np = pytest.importorskip("numpy")
    fits = pytest.importorskip("astropy.io.fits")
    bias = sorted(sensor_set.glob("bias_*"))[:2]
    flats = [p for p in sorted(sensor_set.glob("flat_*"))
             if fits.getheader(p)["EXPTIME"] == pytest.approx(4.0)]
    assert len(flats) == 2
    got = answer("sensor", "--bias", *bias, "--flat", *flats)
    b = [fits.getdata(p).astype(float) for p in bias]
    f = [fits.getdata(p).astype(float) for p in flats]
    offset = (b[0].mean() + b[1].mean()) / 2
    ratio = (f[0].mean() - offset) / (f[1].mean() - offset)

    def rows_out(d):  # variance about the rows' means
        d = d - d.mean(axis=1, keepdims=True)
        return (d ** 2).sum() / (d.size - d.shape[0])

    dark = rows_out(b[0] - b[1]) / 2
    light = (f[0].mean() - offset) * (1 + ratio)
    # rows are free to differ along their length, too: the vignetted edge under a drifting lamp
    gain = light / (rows_out(f[0] - ratio * f[1]) - (1 + ratio ** 2) * dark)
    assert got["gain_e_per_adu"] == pytest.approx(gain, rel=0.004)
    noise = gain * math.sqrt(np.var(b[0] - b[1]) / 2 - 1 / 12)
    assert got["read_noise_e"] == pytest.approx(noise, rel=0.01)
    assert got["offset_adu"] == pytest.approx(offset, abs=0.05)
    for key in ("full_scale_e", "nonlinearity_percent", "dark_e_per_s", "hot_pixels"):
        assert got[key] is None and got["why_null"][key], key


def test_pixels_that_switch_by_their_truth_and_numpy(tmp_path):
    """All that the simulator made switch, and, of the pixels whose values over the darks scatter by
    four noise sigmas, no more than numpy counts."""
    fits = pytest.importorskip("astropy.io.fits")
    np = pytest.importorskip("numpy")
    folder = tmp_path / "darks"
    done = run("synth", RIG, "--set", "darks", "--size", "400x300", "--seed", 6, "-o", folder)
    assert done.returncode == 0, done.stderr
    got = answer("sensor", folder)
    truth = json.loads((folder / "truth.json").read_text())
    want = truth["camera"]["telegraph_pixels"]
    assert want > 80
    assert got["telegraph_pixels"] == pytest.approx(want, rel=0.04)
    assert got["telegraph_step_e"] == pytest.approx(truth["injected"]["step"], rel=0.1)
    assert got["telegraph_darks"] == 24 and got["telegraph_exposure_s"] == 300
    cube = np.array([fits.getdata(p).astype(float) for p in sorted(folder.glob("dark_*.fits"))])
    cube -= np.median(cube, axis=(1, 2), keepdims=True)
    sd = cube.std(axis=0, ddof=1)
    assert got["telegraph_pixels"] <= (sd > 4 * np.median(sd)).sum() + 5
    assert "telegraph pixels" in run("sensor", folder).stdout


def test_the_patch_is_taken_by_the_rig(sensor_set, tmp_path):
    got = answer("sensor", sensor_set, "--rig", RIG)
    sets = [f"{item['path']}={item['value']}" for item in got["patch"]]
    assert len(sets) == 5
    done = run("check", RIG, *[word for s in sets for word in ("--set", s)])
    assert done.returncode == 0, done.stderr
    text = run("sensor", sensor_set, "--rig", RIG).stdout
    assert "FOR THE RIG FILE" in text and "    gain: {value: 0.2" in text
    assert all(len(line) <= 80 for line in text.split("FOR THE RIG FILE")[0].split("\n"))


def test_mistakes_are_told(sensor_set, tmp_path):
    done = run("sensor", *sorted(sensor_set.glob("bias_*"))[:1])
    assert done.returncode == 1 and "1 bias, 0 dark, 0 flat" in done.stderr
    assert run("sensor").returncode == 2
    assert run("flats", RIG).returncode == 2
    done = run("synth", RIG, "--set", "sensor", "-o", tmp_path / "x", "--inject", "flickr=0.1")
    assert done.returncode == 2 and "nearest: flicker" in done.stderr
    assert not (tmp_path / "x").exists()


def test_flats_table_dust_and_what_became_of_it(panel_set):
    now = sorted(panel_set.glob("now_*")) + sorted(panel_set.glob("bias_*"))
    got = answer("flats", RIG, *now, "--since", *sorted(panel_set.glob("then_*")))
    truth = json.loads((panel_set / "truth.json").read_text())
    assert got["schema"] == "nightwright.flats.1" and got["offset_from"] == "biases"
    assert len(got["table"]) == 7 and "estimated" in got["table"][-1]["flags"]
    power, curve = truth["injected"]["panel_power"], truth["injected"]["panel_curve"]

    def light(setting):
        x = math.log(setting / 100)
        return math.exp(power * x) * (1 + curve * x * x)

    rates = {f["filter"]: f["light_e_per_s"] / light(f["setting"])
             for f in truth["frames"] if f["setting"]}
    for line in got["table"][:-1]:
        e = rates[line["filter"]] * light(line["setting"]) * line["exposure_s"]
        level = e / truth["camera"]["gain_e_per_adu"] * (1 - 0.015 * e / 16000)
        shade = 0.02 if line["filter"] == "luminance" else 0.0  # a large mote reaches the middle
        assert level * (1 - shade) == pytest.approx(got["level_adu"], rel=0.03), line
    red = next(g for g in got["groups"] if g["filter"] == "red" and not g["is_older"])
    fates = {}
    for change in red["changes"]:
        nearest = min((d for d in truth["dust"] if d["filter"] is None),
                      key=lambda d: abs(d["distance_mm"] - change["distance_mm"]))
        fates[nearest["distance_mm"]] = change["fate"]
        assert change["distance_mm"] == pytest.approx(nearest["distance_mm"], rel=0.1)
    assert fates[4.0] == "new" and fates[2.0] == "gone"
    assert fates[6.0] == "turned with the rotator" and fates[3.0] == "stayed"


def test_evenness_equals_numpy(panel_set):
    np = pytest.importorskip("numpy")
    fits = pytest.importorskip("astropy.io.fits")
    path = sorted(panel_set.glob("now_*"))[0]
    bias = sorted(panel_set.glob("bias_*"))
    got = answer("flats", RIG, path, *bias)
    offset = np.mean([fits.getdata(p).mean() for p in bias])
    zones = fits.getdata(path).astype(float).reshape(5, 240, 5, 320).mean(axis=(1, 3)) - offset
    want = (zones / zones[2, 2]).ravel()
    assert got["offset_adu"] == pytest.approx(offset, rel=1e-5)
    assert got["groups"][0]["zones"] == pytest.approx(want, rel=1e-4)


def test_flats_of_a_colour_camera_by_numpy(tmp_path):
    """Each colour's evenness and level by its own pixels; a colour that vignettes more is told."""
    np = pytest.importorskip("numpy")
    fits = pytest.importorskip("astropy.io.fits")
    rng = np.random.default_rng(3)
    y, x = np.mgrid[0:400, 0:600]
    r2 = ((x - 299.5) ** 2 + (y - 199.5) ** 2) / (299.5 ** 2 + 199.5 ** 2)
    level, fall = {"R": 9000, "G": 20000, "B": 1500}, {"R": 0.1, "G": 0.2, "B": 0.3}
    image = np.zeros((400, 600))
    for (j, i), k in {(0, 0): "R", (0, 1): "G", (1, 0): "G", (1, 1): "B"}.items():
        image[j::2, i::2] = (level[k] * (1 - fall[k] * r2))[j::2, i::2]
    image = np.round(rng.normal(image, np.sqrt(image)) + 500).astype(np.uint16)
    fits.PrimaryHDU(image, fits.Header([("IMAGETYP", "Flat"), ("EXPTIME", 2.0),
                                        ("FILTER", "luminance")])).writeto(tmp_path / "a.fits")
    rig = tmp_path / "rig.yaml"
    rig.write_text(RIG.read_text().replace("    pattern: mono", "    pattern: RGGB", 1))
    got = answer("flats", rig, tmp_path / "a.fits")
    colours = {c["colour"]: c for c in got["groups"][0]["colours"]}
    for k, places in {"R": [(0, 0)], "G": [(0, 1), (1, 0)], "B": [(1, 1)]}.items():
        planes = [image[j::2, i::2].astype(float) - 500 for j, i in places]
        zones = np.mean([p.reshape(5, 40, 5, 60).mean(axis=(1, 3)) for p in planes], axis=0)
        assert colours[k]["zones"] == pytest.approx((zones / zones[2, 2]).ravel(), rel=1e-4)
    middle = level["B"] * (1 - 0.3 * 0.01) / (level["G"] * (1 - 0.2 * 0.01))
    assert colours["B"]["level_share"] == pytest.approx(middle, rel=0.01)
    assert "less than a tenth" in " ".join(run("flats", rig, tmp_path / "a.fits").stdout.split())


def test_lights_want_a_flat_of_their_angle(panel_set):
    now = sorted(panel_set.glob("now_*"))
    then = sorted(panel_set.glob("then_*"))[:1]
    got = answer("flats", RIG, *now, "--for", now[0], then[0])
    assert [light["has_flat"] for light in got["lights"]] == [True, False]
    assert got["lights"][1]["angle_off_deg"] == pytest.approx(90)
    assert got["flat_error"]["chip_x_percent"] is not None  # the two are turned by 90 deg
    got = answer("flats", RIG, *now, "--for", now[0])
    assert "both tube sides" in got["flat_error"]["why_null"]["chip_x_percent"]


def test_colours_fill_one_by_one(tmp_path):
    rig = tmp_path / "rig.yaml"
    rig.write_text(RIG.read_text().replace("    pattern: mono", "    pattern: RGGB", 1))
    done = run("synth", rig, "--set", "sensor", "--size", "320x240", "-o", tmp_path / "set")
    assert done.returncode == 0, done.stderr
    got = answer("sensor", tmp_path / "set")
    assert [plane["channel"] for plane in got["planes"]] == ["R", "G", "B"]
    for plane in got["planes"]:
        assert plane["gain_e_per_adu"] == pytest.approx(
            0.25, abs=max(4 * plane["gain_sigma_e_per_adu"], 0.002))
        assert plane["read_noise_e"] == pytest.approx(1.507, rel=0.03)
    assert got["full_scale_limit"] == "well"
    assert got["full_scale_e"] == pytest.approx(16000, rel=0.02)


def test_without_a_rotator_the_filter_alone_decides(panel_set, tmp_path):
    fits = pytest.importorskip("astropy.io.fits")
    for name in ("flat", "light"):
        with fits.open(sorted(panel_set.glob("now_*"))[0]) as hdus:
            del hdus[0].header["ROTATANG"]
            hdus.writeto(tmp_path / f"{name}.fits")
    got = answer("flats", RIG, tmp_path / "flat.fits", "--for", tmp_path / "light.fits")
    assert got["lights"][0]["has_flat"] and got["lights"][0]["angle_off_deg"] is None
