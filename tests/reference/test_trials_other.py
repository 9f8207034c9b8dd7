"""Trials beside the differences of widths: play of the gears, light that leaks in, the card over
an edge, those of other commands. Frames by astropy; what was put in must come back."""
import numpy as np
import pytest
from support import RIG, answer, needs_command, run, run_book, write_frame

pytestmark = needs_command


def test_light_that_leaks_in_by_day(tmp_path):
    """0.03 adu a second more by day; the rig's camera has 0.25 e-/adu."""
    rng = np.random.default_rng(1)
    for k in range(9):
        length = 60.0 if k < 3 else 300.0
        is_day = k >= 6
        level = 500 + (0.02 + 0.03 * is_day) * length
        write_frame(tmp_path / f"d{k}.fits", rng.normal(level, 5, (120, 160)),
                    DATE_OBS="2026-06-14T%02d:%02d:00" % (2 if is_day else 12, k), EXPTIME=length,
                    IMAGETYP="DARK", INSTRUME="cooled mono")
    told = answer("trial", "cap-on", "--frames", tmp_path, "--rig", RIG)["result"]
    assert told["unit"] == "e/s" and told["frames"] == 9
    assert told["value"] == pytest.approx(0.0075, abs=0.0003)
    assert "by the Sun's altitude" in told["from"] and "light leaks in" in told["verdict"]
    book = tmp_path / "b.sqlite"
    text = run("trial", "cap-on", "--frames", tmp_path, "--rig", RIG, "--keep", "--book", book)
    assert "kept in" in text.stdout
    rows = run_book(book, "export", "trial").stdout
    assert "cap-on" in rows and "light leak" in rows and "owner" in rows


def test_the_card_says_which_edge(tmp_path):
    rng = np.random.default_rng(2)
    y, x = np.mgrid[0:120, 0:160]
    fall = 1 - 0.1 * ((x / 160 - 0.5) ** 2 + (y / 120 - 0.5) ** 2)
    for name, shade in (("plain", 1.0), ("top", 1 - 0.12 * y / 120)):
        write_frame(tmp_path / f"{name}.fits", 500 + rng.normal(20000 * fall * shade, 100),
                    IMAGETYP="FLAT", DATE_OBS="2026-06-14T08:00:00", EXPTIME=2.0)
    told = answer("trial", "edge-card", "--frames", tmp_path, "--rig", RIG)["result"]
    assert "top.fits: dark edge top, 13 % across, at 90 deg" in told["verdict"]
    assert told["unit"] == "deg"
    assert told["value"] == pytest.approx(90, abs=5 * told["sigma"])  # got darker towards +y
    assert told["sigma"] < 1
    only = answer("trial", "edge-card", "--frames", tmp_path / "plain.fits", "--rig", RIG)["result"]
    assert only["value"] is None and "the flat is even" in str(only["why_null"])
    for k in range(6):
        write_frame(tmp_path / f"a-flat-without-any-card-over-it-{k}.fits",
                    500 + rng.normal(20000 * fall, 100), IMAGETYP="FLAT", EXPTIME=2.0,
                    DATE_OBS="2026-06-14T08:00:00")
    told = answer("trial", "edge-card", "--frames", tmp_path, "--rig", RIG)["result"]
    assert told["verdict"].startswith("top.fits: dark edge top"), "also as the last of many"
    assert told["verdict"].endswith("more flats")


def test_play_of_the_gears(tmp_path):
    """0.4 s of play, 7 arcsec a second."""
    rng = np.random.default_rng(3)
    rows, motor, axis = ["t_s,ra_err_arcsec,dec_err_arcsec,ra_pulse_ms,dec_pulse_ms"], 0.0, 0.0
    for i in range(46):
        pulse = 0 if i >= 40 else (1 if (i // 10) % 2 == 0 else -1)
        axis = min(max(axis, motor - 0.4), motor)
        rows.append(f"{4 * i},{rng.normal(0, 0.3):.3f},{7 * axis + rng.normal(0, 0.3):.3f},0,"
                    f"{1000 * pulse}")
        motor += pulse
    log = tmp_path / "log.csv"
    log.write_text("\n".join(rows) + "\n")
    told = answer("trial", "there-and-back", "--frames", log, "--rig", RIG)["result"]
    assert told["value"] == pytest.approx(0.4, abs=3 * told["sigma"] + 0.01)
    assert told["low_95_percent"] < 0.41 and told["high_95_percent"] > 0.39
    done = run("trial", "drive-only", "--frames", log, "--rig", RIG)
    assert done.returncode == 0, "the guide log's own command takes it"
    done = run("trial", "drive-only", "--frames", log, "--rig", RIG, "--keep")
    assert done.returncode == 2 and "keeps no result" in done.stderr
    log.write_text("\n".join(log.read_text().splitlines()[:8]) + "\n")
    done = run("trial", "there-and-back", "--frames", log, "--rig", RIG)
    assert done.returncode == 1 and "expected at least three trains of 5" in done.stderr
