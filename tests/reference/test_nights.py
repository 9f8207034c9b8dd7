"""`check --nights`, `trial`, `book compare` on small frames of known widths.

Widths come from arithmetic here: air above by X^0.6 and a constant, as squares; frames are written
by astropy. What the sampling itself is worth over many seasons: bench/apart.c.
"""

import numpy as np
import pytest
from support import RIG, answer, needs_command, run, run_book, write_light

pytestmark = needs_command
SCALE = 1.2043  # arcsec a pixel: 3.76 um at 644 mm
NIGHTS = 6
SUBS = 10


def fwhm_px(seeing, airmass, rest2):
    return np.sqrt((seeing * airmass**0.6) ** 2 + rest2) / SCALE


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """Six nights of 2.2 arcsec and little less; a blur of 2.2 arcsec goes after the third."""
    folder = tmp_path_factory.mktemp("season")
    rng = np.random.default_rng(5)
    for night in range(NIGHTS):
        seeing = 2.2 * np.exp(rng.normal(0, 0.05))
        for sub in range(SUBS):
            airmass = 1.0 + 0.03 * sub
            width = fwhm_px(seeing * np.exp(rng.normal(0, 0.01)), airmass,
                            6.0 + (4.84 if night < 3 else 0.0))
            write_light(folder / f"n{night}_{sub:02d}.fits",
                        "2026-05-%02dT%02d:%02d:00" % (night + 1, 20 + sub // 6, sub % 6 * 10),
                        100 * night + sub, fwhm_px=width, AIRMASS=airmass, EXPTIME=300.0)
    book = folder / "b.sqlite"
    done = run_book(book, "add", folder)
    assert done.returncode == 0, done.stderr
    return book


def test_nights_are_taken_apart(season):
    whole = answer("check", RIG, "--book", season, "--nights", "all")
    told = whole["nights"]
    # what to do about it, judged with the lines as the nights leave them and in their air
    assert len(whole["advice"]) + len(whole["leave"]) >= 4
    mean = np.mean([1.0 + 0.03 * sub for sub in range(SUBS)])
    low = [a for a in whole["advice"] if a["line"] == "air_above"]
    assert mean > 1.1 and len(low) == 1
    assert "would refute this" in low[0]["prediction"]
    air = {t["id"]: t for t in told["terms"]}["air_above"]["value"]
    alone = [float(x.split()[0]) for x in low[0]["why"].split(": ")[1].split("then ")]
    assert alone[0] == pytest.approx(air, abs=0.006)
    assert alone[1] == pytest.approx(air * (1.1 / mean) ** 0.6, rel=0.02)  # Fried 1966
    assert (told["nights"], told["subs"]) == (NIGHTS, NIGHTS * SUBS)
    assert told["nights_without_guide_log"] == NIGHTS
    terms = {t["id"]: t for t in told["terms"]}
    for term in terms.values():
        assert term["low_5_percent"] <= term["median"] <= term["high_95_percent"]
    # with 2.2 arcsec of air and as much again from what the rig has: the prior is 2.0 +- 0.4
    assert 1.2 < terms["air_above"]["value"] < 3.2
    # nights half of which are wider by 4.84 arcsec^2: more than nights differ by habit
    assert told["inside_90_percent"][1] > 20
    assert told["convergence"] < 1.3


def test_a_range_of_nights(season):
    told = answer("check", RIG, "--book", season, "--nights", "2026-05-02..2026-05-04")["nights"]
    assert (told["from"], told["to"], told["nights"]) == ("2026-05-02", "2026-05-04", 3)


def test_what_trials_say_counts(season):
    """A line told to 0.02 arcsec comes out so; a witness of the seeing pulls the usual air."""
    def terms(*told):
        more = [word for text in told for word in ("--told", text)]
        found = answer("check", RIG, "--book", season, "--nights", "all", *more)["nights"]["terms"]
        return {t["id"]: t for t in found}
    plain = terms()
    tilt = terms("tilt_curvature=0.90+-0.02 arcsec")["tilt_curvature"]
    assert tilt["value"] == pytest.approx(0.90, abs=0.04)
    assert tilt["sigma"] == pytest.approx(0.02, abs=0.008)
    low = terms(*(f"2026-05-0{night + 1}T21:00:00Z=1.3 +- 0.05 arcsec" for night in range(NIGHTS)))
    assert low["air_above"]["value"] < plain["air_above"]["value"]
    assert low["air_above"]["sigma"] < plain["air_above"]["sigma"]


@pytest.mark.parametrize("told, words", [
    ("tilt=0.7+-0.1 arcsec", "--told tilt: expected a time as 2026-06-14T11:40:00Z or one of"),
    ("tilt_curvature=0.7 arcsec", "expected LINE=WIDTH or TIME=SEEING"),
    ("tilt_curvature=0.7+-0.1 mm", "expected LINE=WIDTH or TIME=SEEING"),
    ("2027-06-14T11:40:00Z=1.7+-0.2 arcsec", "no night of those taken apart is near"),
])
def test_wrong_words_of_trials_are_said(season, told, words):
    done = run("check", RIG, "--book", season, "--nights", "all", "--told", told)
    assert done.returncode == 2 and words in done.stderr


@pytest.mark.parametrize("nights, words", [
    ("yesterday", "--nights is 'yesterday', expected all, or dates as 2026-05-01..2026-07-31"),
    ("2027-01-01..", "no night of the book in 2027-01-01.. has a measured light frame"),
])
def test_wrong_ranges_are_said(season, nights, words):
    done = run("check", RIG, "--book", season, "--nights", nights)
    assert done.returncode != 0 and words in done.stderr


def test_compare_finds_what_a_change_did(season):
    told = answer("book", "compare", "2026-05-04", "--book", season, "--rig", RIG)
    assert (told["nights_before"], told["nights_since"]) == (3, 3)
    assert told["effect_arcsec2"] < 0 and told["verdict"] == "narrower"
    low, high = told["effect_low_arcsec2"], told["effect_high_arcsec2"]
    # the blur that went: 2.2 arcsec; squares here, products of OTFs there: a tenth
    assert low - 0.5 < -4.84 < high + 0.5


def test_too_few_subs_are_not_taken_apart(season):
    told = answer("check", RIG, "--book", season, "--nights", "2026-05-01")
    assert told["nights"]["terms"] == [] and told["nights"]["why_null"]["terms"]
    assert told["advice"] == [] and told["leave"] == []


def test_compare_of_nothing_says_so(season):
    told = answer("book", "compare", "2026-05-02", "--book", season, "--rig", RIG, "--to",
                  "2026-05-03")
    assert told["verdict"] in ("cannot-tell", "no-change")
    assert told["effect_low_arcsec2"] < 0 < told["effect_high_arcsec2"]


@pytest.mark.parametrize("args, words", [
    (("2026-05-01", "--rig", RIG), "0 nights with light frames before 2026-05-01 and 6 since"),
    (("2026-05-04",), "expected --rig RIG"),
    (("yesterday", "--rig", RIG), "'yesterday', expected a date as 2026-06-14"),
    (("2026-05-04", "--rig", RIG, "--foretold", "a wish"), "has no change 'a wish'"),
])
def test_compare_says_what_is_wrong(season, args, words):
    done = run_book(season, "compare", *args)
    assert done.returncode != 0 and words in done.stderr


def test_trials_stand_in_order(season):
    told = answer("trial", "--rig", RIG)["trials"]
    bits = [t["bits_per_minute"] for t in told if t["bits_per_minute"] is not None]
    assert len(told) == 14 and bits == sorted(bits, reverse=True) and bits[0] > 0
    after = answer("trial", "--rig", RIG, "--book", season)
    assert after["nights"] == NIGHTS
    # what nights narrow is worth less as a trial: the air above was learned from 60 subs
    air = {name: next(t["bits"] for t in which if t["trial"] == "drive-off-trail")
           for name, which in (("rig", told), ("nights", after["trials"]))}
    assert air["nights"] < air["rig"]


def test_cards_name_commands_that_there_are():
    for trial in answer("trial")["trials"]:
        name = trial["evaluated_by"].split()[0]
        assert run(name, "--help").returncode == 0, name


def test_a_card_and_a_wrong_name():
    card = answer("trial", "there-and-back")
    assert card["minutes"] == 3 and "pinch" in card["caution"]
    done = run("trial", "there-and-bak")
    assert done.returncode != 0 and "nearest: there-and-back" in done.stderr
    done = run("trial", "--frames", ".")
    assert done.returncode == 2 and "expected --rig RIG" in done.stderr


def test_short_and_long_gives_the_difference(tmp_path):
    """Long subs wider by 1.5 arcsec^2 than the short ones beside them, in an air that worsens."""
    for k in range(13):
        is_long = k % 2 == 0
        width = np.sqrt((2.4 + 0.03 * k) ** 2 + (1.5 if is_long else 0.0)) / SCALE
        write_light(tmp_path / f"f{k:02d}.fits", "2026-05-01T11:%02d:00" % (4 * k), k,
                    fwhm_px=width, EXPTIME=120.0 if is_long else 5.0, AIRMASS=1.1)
    named = answer("trial", "short-and-long", "--frames", tmp_path, "--rig", RIG)
    assert answer("trial", "--frames", tmp_path, "--rig", RIG) == named, "recognised"
    told = named["result"]
    assert (told["subs_a"], told["subs_b"], told["pairs"]) == (7, 6, 7)
    # the short ones lack the air's slowest tilt, by the model: some 0.1 arcsec^2
    assert told["adds_arcsec2"] == pytest.approx(1.4, abs=0.25 + 2 * told["adds_sigma_arcsec2"])
    assert told["width_low_arcsec"] < 1.22 < told["width_high_arcsec"] + 0.15


def test_a_trial_without_its_frames_says_so(tmp_path):
    for k in range(4):
        write_light(tmp_path / f"f{k}.fits", f"2026-05-01T11:0{k}:00", k, EXPTIME=60.0)
    told = answer("trial", "across-a-focus-run", "--frames", tmp_path, "--rig", RIG)["result"]
    assert told["adds_arcsec2"] is None
    assert "it takes 3" in told["why_null"]["adds_arcsec2"]
    done = run("trial", "--frames", tmp_path, "--rig", RIG)
    assert done.returncode == 1 and "4 frames are of no trial" in done.stderr
