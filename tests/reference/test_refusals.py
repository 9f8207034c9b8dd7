"""What names nothing, or something else than a command takes: one line on stderr that names it,
exit 2, nothing on stdout, and no file made for it."""
import numpy as np
import pytest
from support import RIG, good, needs_command, run, run_book, write_frame, write_light

pytestmark = needs_command
GUIDE = "# axes: sky\n# pulse_acts: after\nt_s,ra_err_arcsec,dec_err_arcsec\n" + "".join(
    f"{2 * i},{0.1 * (i % 5)},{0.1 * (i % 3)}\n" for i in range(60))


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    folder = tmp_path_factory.mktemp("place")
    (folder / "lights").mkdir()
    for i in range(2):
        write_light(folder / f"lights/{i}.fits", f"2026-05-01T21:{2 * i:02d}:00", i)
    (folder / "bare").mkdir()
    write_frame(folder / "flat.fits", np.full((60, 80), 20000), IMAGETYP="FLAT", EXPTIME=2.0)
    (folder / "text").write_text("the quick brown fox\n")
    (folder / "guide.csv").write_text(GUIDE)
    (folder / "other.yaml").write_text("colour: red\n")
    return folder


@pytest.mark.parametrize("args, says", [
    ("book add none --book new.sqlite", "none: no such file or folder"),
    ("book add lights --rig none --book new.sqlite", "none: cannot open"),
    ("book add lights --rig text --book new.sqlite", "text:1:1: expected keys"),
    ("book add lights --rig RIG --setup none --book new.sqlite", "no setup 'none'"),
    ("watch none --book new.sqlite --once", "none: no such file or folder"),
    ("watch text --book new.sqlite", "text: is not a folder"),
    ("check lights", "lights: is a folder, expected a file"),
    ("guiding lights", "lights: is a folder, expected a file"),
    ("guiding guide.csv --rig none", "none: cannot open"),
    ("guiding guide.csv --rig other.yaml", "other.yaml:1:1: unknown key 'colour'"),
    ("guiding guide.csv --guide-star 1arcmin,0deg", "--guide-star goes with --frames"),
    ("guiding guide.csv --settings a=1/2", "--settings goes with --compare"),
    ("handover lights --master none", "none: no such file or folder"),
    ("handover lights --master text", "text: not a FITS file"),
    ("handover lights --calibration none", "none: no such file or folder"),
    ("owed RIG none", "none: no such file or folder"),
    ("flats none lights", "none: no such file or folder"),
    ("flats text lights", "no name given ends in .yaml"),
    ("measure lights/0.fits --stars bare", "bare: is a folder, expected a file to write"),
    ("book nights --from may --book new.sqlite", "--from is 'may', expected a date"),
    ("book nights --filter L --book new.sqlite",
     "--filter does not belong to book nights; it takes: from to"),
    ("book add lights --note x --book new.sqlite", "--note does not belong to book add"),
    ("sensor lights --night 2026-05-01", "--night takes the frames out of the book"),
    ("flats RIG lights --night 2026-05-01", "--night takes the frames out of the book"),
    ("flats RIG flat.fits --settings x", "--settings: 'x' is no number"),
    ("flats RIG flat.fits --settings 8 30", "--settings: 2 numbers for 1 flats"),
    ("check RIG --told x=1", "--told goes with --nights"),
    ("spacing RIG --changed 1mm", "--changed goes with --curvature-before"),
    ("sun RIG --at noon", '--at: "noon" is not a date'),
])
def test_one_line_names_what_is_wrong(place, args, says):
    before = sorted(place.rglob("*"))
    done = run(*(RIG if word == "RIG" else word for word in args.split()), cwd=place)
    assert done.returncode == 2, done.stderr
    assert done.stdout == "" and len(done.stderr.splitlines()) == 1
    assert says in done.stderr
    assert sorted(place.rglob("*")) == before


def test_a_watched_folder_without_light_frames_is_named(place, tmp_path):
    done = run("watch", place / "bare", "--book", tmp_path / "b.sqlite", "--once")
    assert done.returncode == 2 and f"{place / 'bare'}: no light frames" in done.stderr


def test_with_a_book_a_folder_is_still_a_folder(place, tmp_path):
    book = tmp_path / "b.sqlite"
    assert run_book(book, "add", place / "lights").returncode == 0
    darks = tmp_path / "darks"
    darks.mkdir()
    for i in range(2):
        write_frame(darks / f"{i}.fits", [[500, 501], [502, 503]], IMAGETYP="Dark Frame",
                    EXPTIME=60.0, INSTRUME="cooled mono", DATE_OBS="2026-05-02T01:00:00")
    assert "dark" in good("owed", RIG, darks, place / "lights", "--book", book)


def test_trials_of_a_book_without_a_rig(place, tmp_path):
    book = tmp_path / "b.sqlite"
    assert run_book(book, "add", place / "lights").returncode == 0
    for args, says in [(["--note", "x"], "--note goes with --forget"),
                       (["--rig", RIG], "--rig goes with --look"),
                       (["--setup", "one"], "--setup goes with --look"),
                       (["--forget", "1", "--restore", "1"], "one of --forget and --restore"),
                       (["--look"], "no rig file that can be read, expected --rig"),
                       (["--look", "--rig", RIG, "--setup", "none"], "no setup 'none'")]:
        done = run_book(book, "trials", *args)
        assert done.returncode == 2 and done.stdout == "", args
        assert says in done.stderr and len(done.stderr.splitlines()) == 1
