#!/usr/bin/python3
"""book.py - the book at the size of a lifetime: 200,000 frames, ten million guide samples, a climate
and a power log of every night, calibration sets of twenty years.

usage: bench/book.py [--frames N] [--keep FOLDER]      (build/nightwright is built)

Fills two books by SQL, one small, one large, and runs the same commands on both, each as a fresh
process, median of five: adding one new night (frames, climate log, darks) must cost the same in
both; a trend, the list of nights and acceptance of the last one stay below a second of the
processor. The peer is sqlite3 itself: the bare pass over the same rows, from Python."""
import argparse
import os
import pathlib
import resource
import sqlite3
import statistics
import subprocess
import tempfile
import time

import numpy as np
from astropy.io import fits

TOP = pathlib.Path(__file__).resolve().parents[1]
COMMAND = pathlib.Path(os.environ.get("NIGHTWRIGHT", TOP / "build/nightwright"))
ZONES = [(i, (i % 5 - 2) / 3.0, (i // 5 - 2) / 4.0) for i in range(25)]


def write_light(path, start):
    rng = np.random.default_rng(abs(hash(start)) % 2**32)
    image = rng.normal(1000.0, 8.0, (128, 128))
    y, x = np.mgrid[0:128, 0:128]
    for cx, cy in rng.uniform(12, 116, (15, 2)):
        image += 3000.0 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 3.0)
    header = fits.Header({"DATE-OBS": start, "EXPTIME": 60.0, "IMAGETYP": "LIGHT", "FILTER": "L",
                          "INSTRUME": "cooled mono", "OBJECT": "field one"})
    fits.writeto(path, image.astype(np.uint16), header, overwrite=True)


def write_dark(path, start, seed):
    rng = np.random.default_rng(seed)
    header = fits.Header({"DATE-OBS": start, "EXPTIME": 300.0, "IMAGETYP": "DARK", "GAIN": 100,
                          "INSTRUME": "cooled mono", "SET-TEMP": -10.0})
    fits.writeto(path, rng.normal(500.0, 6.0, (128, 128)).astype(np.uint16), header, overwrite=True)


def write_climate(path, night):
    """A row a minute for fourteen hours."""
    with open(path, "w", encoding="ascii") as file:
        file.write("time,temperature_c,humidity_percent,front lens_c,tube_c,roof_open\n")
        for i in range(840):
            hour, minute = divmod(i, 60)
            day = 1 if hour < 6 else 2
            file.write(f"2026-{7 + night // 28:02d}-{night % 27 + day:02d}T{(18 + hour) % 24:02d}:"
                       f"{minute:02d}:00Z,{10 - i / 200:.2f},{60 + i / 40:.1f},{10 - i / 190:.2f},"
                       f"{9.5 - i / 190:.2f},1\n")


def run(book, *args):
    """Seconds by the clock and of the processor."""
    start, used = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run([COMMAND, "book", *map(str, args), "--book", book, "--priority", "normal"],
                          capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    now = resource.getrusage(resource.RUSAGE_CHILDREN)
    return (time.perf_counter() - start,
            now.ru_utime + now.ru_stime - used.ru_utime - used.ru_stime)


def fill(book, n_frames, n_runs):
    """Rows as `add` writes them: 250 subs a night, 25 zones and 100 stars each; runs of 10,000."""
    db = sqlite3.connect(book)
    db.execute("PRAGMA synchronous = OFF")
    rng = np.random.default_rng(1)
    db.execute("INSERT INTO train VALUES (9, 'cooled mono', 't', 6248, 4176)")
    db.execute("INSERT INTO settings VALUES (9, 'gain=100\n')")
    stars = bytes(2000)
    for first in range(0, n_frames, 250):
        night = first // 250 + 1
        db.execute("INSERT INTO night (id, date, is_stale) VALUES (?, date('1990-01-01', ?), 0)",
                   (night, f"+{night} days"))
        for i in range(first + 1, min(first + 250, n_frames) + 1):
            width, air = float(rng.normal(3.0, 0.3)), float(rng.uniform(1, 2))
            t = 631152000.0 + night * 86400.0 + (i - first) * 60.0 + 36000.0
            db.execute("INSERT INTO content VALUES (?, randomblob(32), 'frame', 52, 0, '')", (i,))
            db.execute("INSERT INTO place VALUES (?, ?, 52, 0)", (f"/captures/{i:07d}.fits", i))
            db.execute("INSERT INTO frame (id, content_id, train_id, night_id, use, is_double, "
                       "filter, object, tube_side, settings_id, t_start_utc_s, exposure_s, airmass, "
                       "pixel_m, focal_length_m, focuser_temperature_K) VALUES (?, ?, 9, ?, "
                       "'light', 0, 'L', 'field one', '', 9, ?, 60.0, ?, 3.76e-6, 0.644, ?)",
                       (i, i, night, t, air, float(rng.normal(280, 5))))
            db.execute("INSERT INTO measure (frame_id, channel, flags, n_stars, n_used, n_saturated, "
                       "n_streaks, fwhm_px, elongation, limit_mag) VALUES (?, 'mono', 0, 900, 800, 0, "
                       "0, ?, 1.02, -2.0)", (i, width))
            db.executemany("INSERT INTO zone VALUES (?, 'mono', ?, ?, ?, 30, ?, 0.02, 0.0, 0.0)",
                           [(i, *zone, width) for zone in ZONES])
            db.execute("INSERT INTO star_list VALUES (?, 'mono', ?)", (i, stars))
    samples = bytes(320000)
    columns = [row[1] for row in db.execute("PRAGMA table_info(guide_run)")]
    for i in range(n_runs):
        value = dict.fromkeys(columns)
        value.update(id=i + 1, content_id=1000000 + i, number=1, night_id=i % 800 + 1, tube_side="",
                     why_not_analysed="", n_samples=10000, n_used=9900, n_dithers=9, n_bursts=0,
                     n_gaps=0, total_rms_logged_rad=2e-6, pulse_acts=0, is_dec_sign_known=0,
                     events="", samples=samples)
        db.execute("INSERT INTO content VALUES (?, randomblob(32), 'guide-log', 1, 0, '')",
                   (1000000 + i,))
        db.execute(f"INSERT INTO guide_run VALUES ({','.join('?' * len(columns))})",
                   [value[c] for c in columns])
    fill_logs(db, max(n_frames // 250, 1))
    fill_sets(db, max(n_frames // 1000, 10), max(n_frames // 250, 1))
    db.commit()
    db.close()


def fill_logs(db, n_nights):
    """A climate log of 840 rows (8 columns) and a power log of 2,500 rows (12) a night."""
    climate, power = bytes(840 * 40), bytes(2500 * 56)
    for night in range(1, n_nights + 1):
        t = 631152000.0 + night * 86400.0 + 36000.0
        for kind, number in (("climate-log", 2000000 + night), ("power-log", 3000000 + night)):
            db.execute("INSERT INTO content VALUES (?, randomblob(32), ?, 1, 0, '')", (number, kind))
        db.execute("INSERT INTO climate_run (id, content_id, number, night_id, start_utc_s, end_utc_s, "
                   "step_s, n_samples, gap_s, air_mean_K, margin_low_K, columns, samples) VALUES "
                   "(?, ?, 1, ?, ?, ?, 60, 840, 0, 280, ?, '', ?)",
                   (night, 2000000 + night, night, t, t + 50400.0, 3.0 + night % 7, climate))
        db.executemany("INSERT INTO climate_reading VALUES (?, ?, 'K', 840, 270, 280, 290)",
                       [(night, name) for name in ("air", "front lens", "tube", "room")])
        db.execute("INSERT INTO power_run VALUES (?, ?, 1, ?, ?, 12500, 5, 2500, 0, '', ?)",
                   (night, 3000000 + night, night, t, power))
        db.executemany("INSERT INTO power_reading (run_id, circuit, low_V, energy_J) VALUES (?, ?, ?, 9)",
                       [(night, f"circuit {k}", 12.0 + night % 5 / 10) for k in range(10)])


def fill_sets(db, n_sets, n_nights):
    """Sets of 24 darks, a sensor result and five counts of hot pixels to every fifth."""
    for i in range(1, n_sets + 1):
        night = (i * 5) % n_nights + 1
        db.execute("INSERT INTO calibration_set (id, kind, train_id, night_id, gain_setting, exposure_s, "
                   "filter, n_frames, is_stale, level_adu) VALUES (?, 'dark', 9, ?, 100, 300, '', 24, 0, "
                   "500)", (i, night))
        for k in range(24):
            number = 5000000 + i * 24 + k
            db.execute("INSERT INTO content VALUES (?, randomblob(32), 'frame', 52, 0, '')", (number,))
            db.execute("INSERT INTO frame (id, content_id, train_id, night_id, use, is_double, filter, "
                       "object, tube_side, settings_id, exposure_s, calibration_set_id) VALUES (?, ?, 9, "
                       "?, 'dark', 0, '', '', '', 9, 300, ?)", (number, number, night, i))
        if i % 5 == 0:
            db.execute("INSERT INTO sensor_result (id, train_id, camera, night_id, is_stale, n_bias, "
                       "n_dark, n_flat) VALUES (?, 9, 'cooled mono', ?, 0, 10, 24, 10)", (i, night))
            db.executemany("INSERT INTO hot_pixel_count VALUES (?, ?, ?)",
                           [(i, limit, 1000 + i) for limit in (0.1, 0.3, 1.0, 3.0, 10.0)])


def new_files(folder, stamp, kind):
    """What a night brings: eight subs, a climate log, or eight darks."""
    new = folder / f"new{stamp}"
    new.mkdir()
    day = f"2026-06-{stamp % 28 + 1:02d}T{20 + stamp // 28}"
    if kind == "climate":
        write_climate(new / "climate.csv", stamp)
    for k in range(8 if kind != "climate" else 0):
        if kind == "subs":
            write_light(new / f"{k}.fits", f"{day}:{k:02d}:00")
        else:
            write_dark(new / f"{k}.fits", f"{day}:{30 + k}:00", 100 * stamp + k)
    return new


def bare_pass(book):
    start = time.perf_counter()
    db = sqlite3.connect(f"file:{book}?mode=ro", uri=True)
    rows = db.execute("SELECT frame.airmass, measure.fwhm_px FROM frame JOIN measure ON frame_id = "
                      "frame.id").fetchall()
    db.close()
    assert rows
    return time.perf_counter() - start


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=200000)
    parser.add_argument("--keep", help="folder for the books instead of a temporary one")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as temp:
        folder = pathlib.Path(args.keep or temp)
        folder.mkdir(exist_ok=True)
        books = {"small": folder / "small.sqlite", "large": folder / "large.sqlite"}
        for name, book in books.items():
            if not book.exists():
                write_light(folder / "first.fits", "2026-05-01T21:00:00")
                run(book, "add", folder / "first.fits")
                db = sqlite3.connect(book)
                db.executescript("PRAGMA foreign_keys = ON; DELETE FROM content; DELETE FROM night; DELETE FROM train; "
                                 "DELETE FROM settings")
                db.close()
                fill(book, 1000 if name == "small" else args.frames,
                     4 if name == "small" else args.frames // 200)
            print(f"{name}: {book.stat().st_size / 1e6:.0f} MB")
        print(f"{'command':34}{'small, s':>10}{'large, s':>10}   of the processor")
        tasks = [("add 8 new frames", "subs"), ("add a night's climate log", "climate"),
                 ("add 8 new darks", "darks"), ("trend fwhm_px airmass", ("trend", "fwhm_px", "airmass")),
                 ("trend ... --every-sub", ("trend", "fwhm_px", "airmass", "--every-sub")),
                 ("nights", ("nights",)), ("nights --from (last 10)", ("nights", "--from", "1992-03-01")),
                 ("accept (last night)", ("accept",)), ("change", ("change",)),
                 ("trend dew_margin_k", ("trend", "dew_margin_k")),
                 ("trend low_v of a circuit", ("trend", "low_v", "night", "--where", "circuit=circuit 3")),
                 ("trend fwhm_px dew_margin_k", ("trend", "fwhm_px", "dew_margin_k")),
                 ("trend hot_pixels over 1 e/s", ("trend", "hot_pixels", "--where", "above_e_per_s=1")),
                 ("export climate", ("export", "climate"))]
        stamp = 0
        for label, task in tasks:
            times = {}
            for name, book in books.items():
                runs = []
                for _ in range(5):
                    if isinstance(task, str):
                        runs.append(run(book, "add", new_files(folder, stamp, task)))
                        stamp += 1
                    else:
                        runs.append(run(book, *task))
                times[name] = [statistics.median(column) for column in zip(*runs)]
            print(f"{label:34}{times['small'][0]:10.3f}{times['large'][0]:10.3f}"
                  f"{times['small'][1]:10.3f}{times['large'][1]:10.3f}", flush=True)
        bare = statistics.median(bare_pass(books["large"]) for _ in range(5))
        print(f"{'peer: a bare pass by sqlite3':34}{'':10}{bare:10.3f}")


main()
