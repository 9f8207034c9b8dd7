"""Worm of a guide log against the Lomb-Scargle periodogram of astropy on the open-loop motion.
Environment: NIGHTWRIGHT = the built command.
"""

import numpy as np
import pytest
from astropy.timeseries import LombScargle
from support import COMMAND, RIG, answer, good, undocumented

pytestmark = pytest.mark.skipif(not COMMAND.exists(), reason="no built command")
RATE = 7.5


def guide(path, t, error, pulse_ms):
    with path.open("w") as file:
        file.write(f"# axes: sky\n# pulse_acts: after\n# ra_rate_arcsec_per_s: {RATE}\n"
                   f"# dec_rate_arcsec_per_s: {RATE}\n# declination_deg: 0\n"
                   "t_s,ra_err_arcsec,dec_err_arcsec,ra_pulse_ms,dec_pulse_ms\n")
        for row in zip(t, error, pulse_ms):
            file.write(f"{row[0]:.3f},{row[1]:.6f},0.0,{row[2]:.3f},0\n")
    return answer("guiding", path)


def test_period_and_amplitude_of_a_guided_worm(tmp_path):
    rng = np.random.default_rng(4)
    n, dt, period, amplitude = 3600, 2.0, 431.7, 4.0
    t = np.arange(n) * dt + 1e-3 * np.round(rng.uniform(-50, 50, n))
    worm = amplitude * np.sin(2 * np.pi * t / period + 0.7)
    error, pulse, moved = np.empty(n), np.empty(n), 0.0
    for k in range(n):
        error[k] = worm[k] - worm[0] + moved + 0.2 * rng.normal()
        pulse[k] = round(-0.5 * error[k] / RATE * 1e3, 3)
        moved += pulse[k] * RATE / 1e3
    result = guide(tmp_path / "worm.csv", t, error, pulse)
    open_loop = error - np.r_[0.0, np.cumsum(pulse)[:-1]] * RATE / 1e3
    frequency = np.linspace(0.9 / period, 1.1 / period, 20001)
    power = LombScargle(t, open_loop).power(frequency)
    best = frequency[np.argmax(power)]
    theta = LombScargle(t, open_loop).model_parameters(best)
    got = result["periodic"][0]
    sigma = got["period_sigma_s"]
    assert got["harmonic"] == 1 and got["false_alarm"] < 1e-9
    # the same data, but ours has a drift and a walk beside the line: not the same to a sigma
    assert got["period_s"] == pytest.approx(1.0 / best, abs=3 * sigma)
    assert got["period_s"] == pytest.approx(period, abs=4 * sigma)
    assert got["amplitude_arcsec"] == pytest.approx(np.hypot(theta[1], theta[2]),
                                                    abs=3 * got["amplitude_sigma_arcsec"])


def test_false_alarm_of_a_weak_line_is_that_of_astropy(tmp_path):
    # unguided, white noise and a line near the limit: the innovations are the data but for level
    # and drift, so both programs judge nearly the same power; Baluev's formula turns 10 % of power
    # into a factor of a few
    rng = np.random.default_rng(9)
    n, dt, period = 1200, 2.0, 90.0
    t = np.arange(n) * dt
    y = rng.normal(size=n) + 0.33 * np.sin(2 * np.pi * t / period + 0.3)
    result = guide(tmp_path / "line.csv", t, y, np.zeros(n))
    scargle = LombScargle(t, y)
    f_most = 1.0 / 16.0
    frequency, power = scargle.autopower(maximum_frequency=f_most, samples_per_peak=20)
    alarm = scargle.false_alarm_probability(power.max(), method="baluev",
                                            maximum_frequency=f_most)
    assert alarm < 1e-4
    got = result["periodic"][0]
    assert got["period_s"] == pytest.approx(1.0 / frequency[np.argmax(power)],
                                            abs=3 * got["period_sigma_s"])
    assert abs(np.log10(got["false_alarm"] / alarm)) < 1.0


def keyed_night(folder, hour, phase, seed):
    # 180 teeth; an hour. The simulator turns its worm with the wheel, by vectors of its own
    good("synth", RIG, "-o", folder, "--subs", 4, "--sub", "900 s", "--size", "64x64", "--seed",
         seed, f"--hour-angle={hour} deg", "--inject", f"worm_phase={phase} deg", "--inject",
         "worm_period=478.68939 s")
    return folder / "guide.csv"


def test_nights_on_both_sides_of_the_pier_show_one_worm(tmp_path):
    west, east, other = (keyed_night(tmp_path / name, hour, phase, seed) for name, hour, phase, seed
                         in (("w", -40, 75, 3), ("e", 12, 75, 4), ("o", 25, -120, 5)))
    assert "# tube_side: west" in west.read_text() and "# tube_side: east" in east.read_text()

    def over(*logs):
        document = answer("guiding", *logs)
        assert undocumented(document, "### `guiding --json`") == []
        return document["worm_over_runs"]
    got = over(west, east)
    assert got["runs"] == 2 and got["teeth"] == 180 and got["same_worm"]
    assert abs(got["phase_at_axis_zero_deg"] - 75) < 3 * got["phase_sigma_deg"] < 40
    assert got["foretold_by_others"] > 0.85
    got = over(west, other)  # a clutch slipped: another worm
    assert not got["same_worm"] and got["chance"] < 1e-3 and got["foretold_by_others"] < 0.3
