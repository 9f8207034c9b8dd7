"""A real, long, uneven series through the guide reader: NASA TESS sector 1, two-minute pointing
corrections of one star (shared data, tracking/; public domain). A spacecraft, not a mount: what is
checked is gaps, rms and percentiles against numpy, and that nothing is invented.
Environment: NIGHTWRIGHT = the built command, NIGHTWRIGHT_SHARED_DATA = folder of real data.
"""
import csv

import numpy as np
import pytest
from support import COMMAND, DATA, answer

SERIES = DATA / "tracking/tess_s01_poscorr_2min.csv"
pytestmark = pytest.mark.skipif(not SERIES.exists() or not COMMAND.exists(),
                                reason="no shared data or no built command")
PIXEL_ARCSEC = 21.0


@pytest.fixture(scope="module")
def series():
    with SERIES.open() as file:
        rows = [r for r in csv.DictReader(file)]
    t = np.array([float(r["time_btjd_d"]) for r in rows]) * 86400.0

    def column(name):
        return np.array([float(r[name]) if r[name] not in ("", "nan") else np.nan for r in rows])
    return t - t[0], column("pos_corr1_px") * PIXEL_ARCSEC, column("pos_corr2_px") * PIXEL_ARCSEC


@pytest.fixture(scope="module")
def result(series, tmp_path_factory):
    path = tmp_path_factory.mktemp("guide") / "series.csv"
    with path.open("w") as file:
        file.write("t_s,ra_err_arcsec,dec_err_arcsec\n")
        for t, x, y in zip(*series):
            file.write(f"{t:.3f},{'' if np.isnan(x) else f'{x:.5f}'},"
                       f"{'' if np.isnan(y) else f'{y:.5f}'}\n")
    return answer("guiding", path, "--sub", "7200")


def test_gaps_are_those_of_the_series(series, result):
    t, x, y = series
    t = t[np.isfinite(x) & np.isfinite(y)]
    step = np.diff(np.round(t, 3))
    assert result["samples"] == len(t)
    assert result["interval_s"] == pytest.approx(np.median(step), abs=0.01)
    want = np.nonzero(step > 3 * np.median(step))[0]
    assert len(result["gaps"]) == len(want) > 0
    for gap, i in zip(result["gaps"], want):
        assert gap["start_s"] == pytest.approx(t[i], abs=0.01)
        assert gap["end_s"] == pytest.approx(t[i + 1], abs=0.01)


def test_rms_and_percentile_are_those_of_the_rows_used(series, result):
    t, x, y = series
    good = np.isfinite(x) & np.isfinite(y)
    for d in result["dithers"]:
        good &= ~((t >= d["start_s"] - 1e-3) & (t < d["end_s"] - 1e-3))
    assert result["samples_used"] == good.sum()
    for axis, e in (("ra", x), ("dec", y)):
        got = result[axis]
        assert got["rms_logged_arcsec"] == pytest.approx(np.sqrt(np.mean(e[good] ** 2)), rel=1e-3)
        assert got["p99_arcsec"] == pytest.approx(np.quantile(np.abs(e[good]), 0.99), rel=1e-3)


def test_no_pulses_no_drift(result):
    for axis in ("ra", "dec"):
        assert result[axis]["drift_arcsec_per_min"] is None
        assert "not logged" in result[axis]["why_null"]["drift_arcsec_per_min"]
        low, high = result[axis]["motion_low_arcsec"], result[axis]["motion_high_arcsec"]
        motion = result[axis]["motion_in_sub_arcsec"]
        assert 0 <= low <= high
        if motion is None:  # bounds over 30 % apart: no value is invented
            assert low < 0.7 * high
            assert "only bounds" in result[axis]["why_null"]["motion_in_sub_arcsec"]
        else:
            assert low <= motion <= high
    assert len(result["subs"]) > 100
