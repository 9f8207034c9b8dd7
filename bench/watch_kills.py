#!/usr/bin/python3
"""Kills `nightwright watch` 200 times at random moments while frames, a guide log and a climate log
land in its folder; then the book must hold what a book holds that was filled in peace.

    nice /usr/bin/python3 bench/watch_kills.py [KILLS]
"""
import pathlib
import random
import sys
import tempfile
import time

TOP = pathlib.Path(__file__).resolve().parents[1]
sys.path.insert(0, str(TOP / "tests/reference"))
from test_book import answer, rows, whole, write_light  # noqa: E402
from test_watch import start  # noqa: E402
from test_watch_faults import climate  # noqa: E402


def guide(path, n):
    text = "# time_zone: UTC\ntime,ra_err_arcsec,dec_err_arcsec\n"
    for i in range(n):
        text += (f"2026-05-01T{20 + i // 1800:02d}:{i // 30 % 60:02d}:{2 * (i % 30):02d},"
                 f"{0.1 * (i * 7 % 11) - 0.5:.2f},{0.1 * (i * 5 % 13) - 0.6:.2f}\n")
    path.write_text(text)


def main():
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    rng = random.Random(1)
    with tempfile.TemporaryDirectory() as folder:
        lights = pathlib.Path(folder) / "lights"
        lights.mkdir()
        book = pathlib.Path(folder) / "killed.sqlite"
        started = time.monotonic()
        for kill in range(kills):
            child = start(lights, book, "--every", 0.05)
            if kill % 3 == 0:
                n = kill // 3
                write_light(lights / f"{n:03d}.fits", f"2026-05-01T{21 + n // 60}:{n % 60:02d}:00", n)
            guide(lights / "guide.csv", 60 + 5 * kill)
            climate(lights / "climate.csv", 5 + kill)
            time.sleep(rng.uniform(0.0, 0.3))
            child.kill()
            child.communicate()
        child = start(lights, book, "--minutes", 0.001)
        assert child.wait(timeout=300) == 0
        other = pathlib.Path(folder) / "whole.sqlite"
        answer(other, "add", lights)
        assert answer(book, "check")["is_sound"]
        assert whole(book) == whole(other)
        for sql in ("SELECT start_utc_s, n_samples FROM climate_run ORDER BY 1",
                    "SELECT start_utc_s, n_samples, ra_rms_logged_rad FROM guide_run ORDER BY 1",
                    "SELECT date, from_utc_s, to_utc_s, cause FROM gap JOIN night ON night.id = "
                    "night_id ORDER BY 1, 2",
                    "SELECT kind, count(*) FROM content GROUP BY kind"):
            assert rows(book, sql) == rows(other, sql), sql
        print(f"{kills} kills in {time.monotonic() - started:.0f} s: {len(whole(book))} frames, "
              f"logs and gaps as in a book filled in peace; sound")


if __name__ == "__main__":
    main()
