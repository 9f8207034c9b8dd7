"""The book beside frames and guide logs: climate, power, calibration, results of commands.

Simulated nights and calibration frames; what the book answers against what the files say, the
summaries against numpy, killed at random moments.
"""
import csv
import io
import json
import subprocess
import time

import numpy as np
import pytest
from support import COMMAND, RIG, Kills, answer, good, needs_command, rows

LONGITUDE_DEG = 146.52  # its site
pytestmark = needs_command


def table(book, name):
    return list(csv.DictReader(io.StringIO(good("book", "export", name, "--book", book))))


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A short night, a set of calibration frames, and a book with both."""
    top = tmp_path_factory.mktemp("records")
    good("synth", RIG, "-o", top / "night", "--subs", 2, "--size", "900x700", "--sub", "300s")
    good("synth", RIG, "-o", top / "cal", "--set", "sensor", "--size", "400x300")
    book = top / "book.sqlite"
    added = answer("book", "add", top / "night", top / "cal", "--book", book, "--rig", RIG)
    assert added["climate_nights"] >= 1 and added["power_nights"] == 1
    return top, book


def test_climate_of_a_night_against_the_file(made):
    top, book = made
    with open(top / "night/climate.csv", encoding="utf-8") as file:
        log = list(csv.DictReader(line for line in file if not line.startswith("#")))
    night = [row for row in log if row["time"] < "2026-06-15T02:00"]  # noon there is 02:11 UTC
    got = table(book, "climate")[0]
    assert got["night"] == "2026-06-14"

    def is_dark(row):  # 18 to 6 h of local mean solar time
        clock = np.datetime64(row["time"].rstrip("Z")).astype("datetime64[s]").astype(int) / 3600.0
        hour = (clock + LONGITUDE_DEG / 15.0) % 24.0
        return hour < 6.0 or hour >= 18.0

    dark = [row for row in night if is_dark(row)]
    air = np.array([float(row["temperature_c"]) for row in dark])
    assert float(got["air_mean_c"]) == pytest.approx(air.mean(), abs=1e-3)
    assert float(got["air_low_c"]) == pytest.approx(air.min(), abs=1e-3)
    t = np.arange(len(air)) * 120.0 / 3600.0
    assert float(got["air_rate_k_per_h"]) == pytest.approx(np.polyfit(t, air, 1)[0], abs=1e-3)
    # Magnus form of WMO-No. 8 (annex 4.B) over water, by hand
    rh = np.array([float(row["humidity_percent"]) for row in night]) / 100.0
    c = np.array([float(row["temperature_c"]) for row in night])
    e = rh * 6.112 * np.exp(17.62 * c / (243.12 + c))
    x = np.log(e / 6.112)
    dew = 243.12 * x / (17.62 - x)
    frost = 272.62 * x / (22.46 - x)  # over ice
    wets = np.where(dew < 0.0, frost, dew)
    names = ["front lens", "main tube", "guide lens"]
    coldest = np.min([[float(row[n + "_c"]) for row in night] for n in names], axis=0)
    is_open = np.array([row["roof_open"] == "1" and row["covered"] == "0" for row in night])
    margin = (coldest - wets)[is_open]
    assert float(got["dew_margin_k"]) == pytest.approx(np.quantile(margin, 0.01), abs=0.03)


def test_power_of_a_night_against_the_file(made):
    top, book = made
    with open(top / "night/power.csv", encoding="utf-8") as file:
        log = list(csv.DictReader(line for line in file if not line.startswith("#")))
    volts = np.array([float(row["power hub V"]) for row in log])
    medians = np.median([volts[:-2], volts[1:-1], volts[2:]], axis=0)
    watts = np.array([float(row["dryer W"]) for row in log])
    got = {row["circuit"]: row for row in table(book, "power")}
    assert float(got["power hub"]["low_v"]) == pytest.approx(medians.min(), abs=1e-9)
    assert float(got["power hub"]["mean_v"]) == pytest.approx(volts.mean(), abs=1e-6)
    assert float(got["dryer"]["energy_wh"]) == pytest.approx(
        np.trapz(watts, dx=5.0) / 3600.0, rel=1e-6)


@pytest.mark.parametrize("budget, option, name", [("damp", "--climate", "climate.csv"),
                                                  ("power", "--power", "power.csv")])
def test_check_out_of_the_book_says_what_the_logs_say(made, budget, option, name):
    top, book = made
    of_book = answer("check", RIG, "--budget", budget, "--book", book)
    of_file = answer("check", RIG, "--budget", budget, option, top / "night" / name)
    lines = [[(line["id"], line["measured"]) for line in one["budgets"][0]["lines"]]
             for one in (of_book, of_file)]
    measured = 0
    for (name, got), (_, want) in zip(*lines):
        if name in ("cover", "room_humidity"):  # the file goes on past noon, the night does not
            continue
        assert (got is None) == (want is None)
        if want is not None:
            assert got == pytest.approx(want, abs=1e-3)
            measured += 1
    assert measured >= 3


def test_sets_say_what_sensor_says(made):
    top, book = made
    direct = answer("sensor", top / "cal")
    kept = table(book, "sensor")[0]
    of_book = answer("sensor", "--book", book)
    for key in ("gain_e_per_adu", "read_noise_e", "dark_e_per_s", "hot_pixels"):
        assert float(kept[key]) == pytest.approx(direct[key], rel=1e-5)
        assert of_book[key] == direct[key]
    sets = table(book, "calibration")
    assert sum(int(row["frames"]) for row in sets) == 52
    truth = json.loads((top / "cal/truth.json").read_text())["camera"]
    bias = next(row for row in sets if row["kind"] == "bias")
    noise = truth["read_noise_e"] / truth["gain_e_per_adu"]
    # rows of 0.15 e and rounding (1/12 adu^2) beside the pixels' own; 40,000 pixels sampled
    assert float(bias["noise_adu"]) == pytest.approx(np.sqrt(noise**2 + 0.6**2 + 1 / 12), rel=0.03)
    hot = [int(row["hot_pixels"]) for row in table(book, "hot_pixel")]
    assert hot == sorted(hot, reverse=True) and hot[0] > 0


def test_owed_by_the_book_is_owed_by_the_folders(made):
    top, book = made
    of_book = answer("owed", RIG, "2026-06-14", "--book", book)
    of_files = answer("owed", RIG, top / "night", top / "cal")
    for one in (of_book, of_files):
        for owed in one["sets"]:
            owed.pop("nearest", None)
    assert of_book["sets"] == of_files["sets"]


def test_results_are_kept_once(made, tmp_path):
    top, _ = made
    book = tmp_path / "book.sqlite"
    frame = sorted((top / "night").glob("*.fits"))[0]
    printed = good("surface", frame, "--rig", RIG, "--keep", "--book", book)
    assert f"kept in {book} under the night of 2026-06-14" in printed
    document = answer("surface", frame, "--rig", RIG)
    assert document["about"]["frames"] == 1 and document["about"]["setup"] == "deep"
    (tmp_path / "surface.json").write_text(json.dumps(document))
    assert answer("book", "add", tmp_path / "surface.json", "--book", book)["known"] == 1
    row = table(book, "surface")[0]
    assert float(row["a_um"]) == pytest.approx(document["a_um"], rel=1e-9)
    assert float(row["tilt_um"]) == pytest.approx(document["tilt_corner_to_corner_um"], rel=1e-9)
    good("sensor", top / "cal", "--rig", RIG, "--keep", "--book", book)
    assert [row["gain_setting"] for row in table(book, "sensor")] == ["100"]
    (tmp_path / "targets.yaml").write_text(
        "nightwright-targets: 1\ntargets:\n  lagoon: {ra: 18:03:37, dec: -24:23:12, goals: "
        "{hydrogen-alpha: 5 h}}\n")
    good("plan", RIG, "--targets", tmp_path / "targets.yaml", "--night", "2026-06-14", "--keep",
         "--book", book)
    assert rows(book, "SELECT count(*) FROM document") == [(3,)]
    assert len({row["number"] for row in table(book, "plan")}) == len(table(book, "plan")) > 0


def test_killed_at_random_while_logs_and_sets_are_added(made, tmp_path):
    top, _ = made
    source = tmp_path / "source"
    source.mkdir()
    for path in [*(top / "night").glob("*.csv"), *sorted((top / "cal").glob("*.fits"))[:24]]:
        (source / path.name).symlink_to(path)
    whole = tmp_path / "whole.sqlite"
    start = time.monotonic()
    good("book", "add", source, "--book", whole)
    took = time.monotonic() - start
    book = tmp_path / "killed.sqlite"
    kills = Kills(book, source, 4, 0.6 * took)
    while kills.kills < 15 or kills.hits < 8:
        assert kills.kills < 100, "the kills came too soon or too late to mean anything"
        is_killed = kills.kill()  # what is done already is not done again
        if not is_killed or kills.kills % 3 == 0:  # so that kills meet every stage
            kills.begin_anew()
    hits = kills.hits
    while kills.hits < hits + 2:  # what is compared below has been killed twice
        assert kills.kills < 200, "the kills came too soon or too late to mean anything"
        if not kills.kill():
            kills.begin_anew()
            hits = kills.hits
    good("book", "add", source, "--book", book)
    good("book", "add", source, "--book", book)
    assert "the book is sound" in good("book", "check", "--book", book)
    for sql in ("SELECT hex(sha256), kind FROM content ORDER BY 1",
                "SELECT start_utc_s, n_samples, hex(samples), margin_low_K FROM climate_run",
                "SELECT circuit, low_V, energy_J FROM power_reading ORDER BY 1",
                "SELECT kind, exposure_s, temperature_K, n_frames, level_adu FROM calibration_set "
                "ORDER BY 1, 2, 3",
                "SELECT gain_e_per_adu, dark_e_s, is_stale FROM sensor_result"):
        assert rows(book, sql) == rows(whole, sql)


def test_a_full_disk_leaves_no_half_log(made, tmp_path):
    top, _ = made
    book = tmp_path / "book.sqlite"
    done = subprocess.run(["bash", "-c", f"ulimit -f 120; exec {COMMAND} book add "
                           f"{top}/night/power.csv --book {book}"],
                          capture_output=True, text=True, timeout=60)
    assert done.returncode != 0
    good("book", "add", top / "night/power.csv", "--book", book)
    assert "the book is sound" in good("book", "check", "--book", book)
    assert len(rows(book, "SELECT id FROM power_run")) == 1
