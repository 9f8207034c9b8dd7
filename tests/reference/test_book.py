"""`nightwright book`: what it keeps against what the files say, and what it bears.

Frames are written by astropy, the book is read by Python's sqlite3, lines are fitted by scipy.
Killed at random moments, out of disk, beside a second writer: nothing lost, nothing doubled.
"""
import csv
import hashlib
import io
import json
import os
import pathlib
import resource
import signal
import sqlite3
import subprocess
import time

import numpy as np
import pytest
from astropy.io import fits
from scipy.stats import spearmanr
from support import (COMMAND, TOP, Kills, answer, answer_book, needs_command, rows, run, run_book,
                     whole, write_light, write_nights)

pytestmark = needs_command


def test_keeps_what_measure_says(tmp_path):
    book = tmp_path / "book.sqlite"
    write_nights(tmp_path / "lights", 2, 2)
    added = answer_book(book, "add", tmp_path / "lights")
    assert (added["added"], added["light_frames"], added["skipped"]) == (4, 4, 0)
    path = tmp_path / "lights/n01_01.fits"
    done = run("measure", path, "--json")
    measured = json.loads(done.stdout)["frames"][0]
    digest = hashlib.sha256(path.read_bytes()).hexdigest().upper()
    [(fwhm, stars, start)] = rows(book, "SELECT fwhm_px, n_stars, t_start_utc_s FROM content JOIN "
                                        "frame ON content_id = content.id JOIN measure ON frame_id "
                                        f"= frame.id WHERE hex(sha256) = '{digest}'")
    assert fwhm == pytest.approx(measured["fwhm_px"], rel=5e-5)  # five digits are printed
    assert stars == measured["stars_detected"]
    assert time.strftime("%FT%T", time.gmtime(start)) == "2026-05-02T21:01:00"
    nights = answer_book(book, "nights")["nights"]
    assert [n["night"] for n in nights] == ["2026-05-01", "2026-05-02"]
    assert nights[0]["fwhm_px"] == pytest.approx(3.0, rel=0.03)  # as made


def test_export_is_csv_that_python_reads(tmp_path):
    book = tmp_path / "book.sqlite"
    write_nights(tmp_path / "lights", 1, 3, OBJECT='a "b", c')
    answer_book(book, "add", tmp_path / "lights")
    table = list(csv.DictReader(io.StringIO(run_book(book, "export").stdout)))
    assert [row["object"] for row in table] == ['a "b", c'] * 3
    assert table[0]["airmass"] == ""  # not known: empty, not 0
    files = list(csv.DictReader(io.StringIO(run_book(book, "export", "file").stdout)))
    for row in files:
        assert hashlib.sha256(pathlib.Path(row["path"]).read_bytes()).hexdigest() == row["sha256"]


def test_killed_at_random_moments_nothing_is_lost_or_doubled(tmp_path):
    lights = tmp_path / "lights"
    write_nights(lights, 6, 8)
    whole_book = tmp_path / "whole.sqlite"
    start = time.monotonic()
    assert answer_book(whole_book, "add", lights)["added"] == 48
    length = time.monotonic() - start
    book = tmp_path / "killed.sqlite"
    kills = Kills(book, lights, 20260514, min(0.25 * length, 0.05))
    while kills.kills < 200 or kills.hits < 100:
        assert kills.kills < 400, "the kills came too soon or too late to mean anything"
        is_killed = kills.kill()
        if kills.kills % 40 == 0:
            # makes it, where the kill came too soon
            answer_book(book, "add", lights / "n00_00.fits")
            assert answer_book(book, "check")["is_sound"]
        if not is_killed or kills.kills % 40 == 0:  # so that kills meet every stage
            kills.begin_anew()
    kills.longest_s = 0.3 * length
    for _ in range(3):
        kills.kill()
    answer_book(book, "add", lights)
    assert answer_book(book, "check")["is_sound"]
    assert whole(book) == whole(whole_book)


def test_a_full_disk_leaves_a_sound_book(tmp_path):
    """A limit on the size of files stands for a full disk: writes fail in the middle."""
    lights = tmp_path / "lights"
    write_nights(lights, 3, 8)
    book = tmp_path / "book.sqlite"
    answer_book(book, "add", lights / "n00_00.fits")

    def little_room():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)  # the write fails instead
        room = 100000  # of the write-ahead log: 23 frames take 270 kB
        resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))

    done = run_book(book, "add", lights, preexec_fn=little_room)
    assert done.returncode == 1
    assert "cannot write" in done.stderr and "book.sqlite" in done.stderr
    assert done.stdout == ""
    assert answer_book(book, "check")["is_sound"]
    assert answer_book(book, "add", lights)["skipped"] == 0
    assert len(whole(book)) == 24


def test_two_writers_at_once(tmp_path):
    lights = tmp_path / "lights"
    write_nights(lights, 4, 8)
    book = tmp_path / "book.sqlite"
    answer_book(book, "add", lights / "n00_00.fits")
    both = [subprocess.Popen([COMMAND, "book", "add", lights, "--book", book],
                             stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
            for _ in range(2)]
    assert [child.wait() for child in both] == [0, 0], [child.stderr.read() for child in both]
    assert answer_book(book, "check")["is_sound"]
    assert len(whole(book)) == 32


def test_a_file_still_being_written_waits_for_the_next_time(tmp_path):
    lights = tmp_path / "lights"
    write_nights(lights, 1, 2)
    path = lights / "n00_01.fits"
    content = path.read_bytes()
    path.write_bytes(content[:20000])
    book = tmp_path / "book.sqlite"
    first = answer_book(book, "add", lights)
    assert (first["added"], first["skipped"]) == (1, 1)
    path.write_bytes(content)
    assert answer_book(book, "add", lights)["added"] == 1
    assert len(whole(book)) == 2


def test_clocks_may_step_back(tmp_path):
    """Files older than what is in the book, and a time of change before the last one seen."""
    lights = tmp_path / "lights"
    write_nights(lights, 2, 2)
    book = tmp_path / "book.sqlite"
    answer_book(book, "add", lights / "n01_00.fits", lights / "n01_01.fits")
    for path in lights.iterdir():
        os.utime(path, (1e9, 1e9))
    again = answer_book(book, "add", lights)
    assert (again["added"], again["known"]) == (2, 2)
    nights = [n["night"] for n in answer_book(book, "nights")["nights"]]
    assert nights == ["2026-05-01", "2026-05-02"]


def test_a_share_that_vanishes(tmp_path):
    """Files that go while the folder is being read are skipped by name, the rest is kept."""
    lights = tmp_path / "lights"
    write_nights(lights, 4, 8)
    book = tmp_path / "book.sqlite"
    child = subprocess.Popen([COMMAND, "book", "add", lights, "--book", book, "--json",
                              "--threads", "1"], stdout=subprocess.PIPE, text=True)
    gone = sorted(lights.iterdir())[-1]
    gone.unlink()
    out, _ = child.communicate()
    added = json.loads(out)
    assert added["added"] + added["skipped"] in (31, 32)
    assert added["added"] >= 31
    assert answer_book(book, "check")["is_sound"]


def test_acceptance_tells_a_rig_that_changed(tmp_path):
    lights = tmp_path / "lights"
    write_nights(lights, 8, 3)
    book = tmp_path / "book.sqlite"
    answer_book(book, "add", lights)
    [train] = answer_book(book, "accept")["trains"]
    verdicts = {c["what"]: c["verdict"] for c in train["checks"]}
    assert verdicts["star width at zenith"] == "same" and verdicts["scale"] == "same"
    assert train["not_as_it_was"] == 0
    for sub in range(3):  # much wider stars in the ninth night
        write_light(lights / f"n08_{sub:02d}.fits", f"2026-05-09T21:{sub:02d}:00", 900 + sub,
                    fwhm_px=4.5)
    answer_book(book, "add", lights)
    [train] = answer_book(book, "accept", "2026-05-09")["trains"]
    verdicts = {c["what"]: c["verdict"] for c in train["checks"]}
    assert verdicts["star width at zenith"] == "worse"
    assert verdicts["scale"] == "same" and verdicts["rotation"] == "same"
    assert run_book(book, "accept", "--strict").returncode == 3
    assert run_book(book, "accept", "2026-01-01").returncode == 2


def test_acceptance_finds_a_turned_camera(tmp_path):
    lights = tmp_path / "lights"
    write_nights(lights, 1, 3)
    path = lights / "n01_00.fits"
    write_light(path, "2026-05-02T21:00:00", 7)
    with fits.open(path, mode="update") as hdus:
        hdus[0].data = np.ascontiguousarray(np.rot90(hdus[0].data))
    book = tmp_path / "book.sqlite"
    answer_book(book, "add", lights)
    [train] = answer_book(book, "accept")["trains"]
    checks = {c["what"]: c for c in train["checks"]}
    assert abs(checks["rotation"]["tonight"]) == pytest.approx(90.0, abs=0.1)
    assert checks["rotation"]["verdict"] == "worse"
    assert checks["scale"]["tonight"] == pytest.approx(1.0, abs=1e-3)


def test_trend_against_scipy(tmp_path):
    lights = tmp_path / "lights"
    lights.mkdir()
    rng = np.random.default_rng(5)
    for night in range(10):
        write_light(lights / f"{night}.fits", f"2026-05-{night + 1:02d}T21:00:00", night,
                    fwhm_px=2.5 + 0.1 * night + rng.normal(0, 0.1), FOCTEMP=10.0 - night)
    book = tmp_path / "book.sqlite"
    answer_book(book, "add", lights)
    trend = answer_book(book, "trend", "fwhm_px", "focuser_temperature_c")
    x, y = np.array([[p["x"], p["y"]] for p in trend["points"]]).T
    assert trend["rank_correlation"] == pytest.approx(spearmanr(x, y).statistic, abs=1e-3)
    slope = np.polyfit(x, y, 1)[0]  # no outliers: bisquare is near least squares
    assert trend["slope"] == pytest.approx(slope, abs=0.01)
    assert trend["slope_low"] < slope < trend["slope_high"] < 0


@pytest.mark.parametrize("args, words", [
    (["nigths"], "nearest: nights"),
    (["trend"], "expected a column"),
    (["trend", "fwhm"], "no column 'fwhm'"),
    (["change", "2026-05-14"], "words of what changed"),
    (["export", "subz"], "nearest: sub"),
])
def test_wrong_usage_is_said(tmp_path, args, words):
    book = tmp_path / "book.sqlite"
    write_nights(tmp_path / "lights", 1, 1)
    answer_book(book, "add", tmp_path / "lights")
    done = run_book(book, *args)
    assert done.returncode == 2 and words in done.stderr and done.stdout == ""


def test_a_book_of_a_newer_program_is_left_alone(tmp_path):
    book = tmp_path / "book.sqlite"
    write_nights(tmp_path / "lights", 1, 1)
    answer_book(book, "add", tmp_path / "lights")
    with sqlite3.connect(book) as db:
        db.execute("PRAGMA user_version = 999")
    db.close()
    before = book.read_bytes()
    done = run_book(book, "add", tmp_path / "lights")
    assert done.returncode == 2 and "version 999" in done.stderr
    assert book.read_bytes() == before


def test_check_out_of_the_book_says_what_the_files_say(tmp_path):
    """A whole simulated night: frames and guide log, by way of the book and without it."""
    night, book, rig = tmp_path / "night", tmp_path / "book.sqlite", TOP / "data/demo/rig.yaml"
    done = run("synth", rig, "-o", night, "--subs", "10", "--size", "800x800")
    assert done.returncode == 0, done.stderr
    answer_book(book, "add", night)

    def check(*args):
        return answer("check", rig, *args)

    by_book = check("--book", book)
    by_files = check("--frames", night, "--guiding", night / "guide.csv")
    for one, other in zip(by_book["budgets"][0]["lines"], by_files["budgets"][0]["lines"]):
        # samples are kept in single precision, and 100 stars of a frame instead of 500
        rel = 0.3 if one["id"] in ("flexure", "field_rotation") else 1e-3
        for key in ("predicted", "measured", "alone"):
            assert one[key] == pytest.approx(other[key], rel=rel, abs=0.01), (one["id"], key)
    for key in ("predicted", "measured"):
        total = by_book["budgets"][0]["total"][key]
        assert total == pytest.approx(by_files["budgets"][0]["total"][key], rel=1e-3)
    done = run("check", rig, "--book", book, "--night", "2001-01-01")
    assert done.returncode == 2 and "2001-01-01" in done.stderr
