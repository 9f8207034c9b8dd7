"""The command `balance`: the moves that it prints balance the rig, by its own file and by numpy.

Reference: statics written out in numpy (sum of m r across each axis), g = 9.80665 (3rd CGPM).
"""


import numpy
import pytest
from support import RIG, TOP, answer, needs_command, run

pytestmark = needs_command

SMALL = """nightwright: 1
site: {latitude: 40 deg, longitude: 0 deg}
mount: {shaft_diameter: 30 mm}
telescopes: {tube: {aperture: 80 mm, focal_length: 450 mm}}
cameras: {camera: {pixel: 3.76 um, width: 6248, height: 4176}}
bodies:
  bar: {rides: tube, mass: 1 kg, z: 180 mm, y: 20 mm, slide: {along: y, from: -200 mm, to: 200 mm}}
  left: {rides: tube, mass: 6 kg, x: 40 mm, y: -90 mm, z: 250 mm, carried_by: bar,
         slide: {along: x, from: -300 mm, to: 300 mm}}
  camera: {rides: tube, mass: 1.5 kg, x: -300 mm, y: -90 mm, z: 250 mm, carried_by: left}
  right: {rides: tube, mass: 3 kg, x: 10 mm, y: 160 mm, z: 240 mm, carried_by: bar}
  weight: {rides: axis, shape: cylinder, along: z, mass: 10 kg, z: -200 mm, length: 70 mm,
           diameter: 160 mm, slide: {along: z, from: -500 mm, to: -120 mm}}
setups: {one: {telescope: tube, camera: camera}}
"""


@pytest.fixture
def rig(tmp_path):
    path = tmp_path / "rig.yaml"
    path.write_text(SMALL)
    return path


def test_what_is_left_over_as_numpy_adds_it_up(rig):
    mass = numpy.array([1, 6, 1.5, 3.0])
    at = numpy.array([[0, 0.02, 0.18], [0.04, -0.09, 0.25], [-0.3, -0.09, 0.25],
                      [0.01, 0.16, 0.24]])
    tube = mass @ at
    got = answer("balance", rig)
    assert got["along_tube_kg_m"] == pytest.approx(tube[0], abs=1e-5)
    assert got["sideways_kg_m"] == pytest.approx(tube[1], abs=1e-5)
    assert got["along_shaft_kg_m"] == pytest.approx(tube[2] - 10 * 0.2, abs=1e-5)
    across = numpy.hypot(tube[0], tube[1])
    assert got["dec_moment_n_m"] == pytest.approx(9.80665 * across, rel=1e-3)
    assert got["ra_moment_n_m"] == pytest.approx(
        9.80665 * numpy.cos(numpy.radians(40)) * numpy.hypot(tube[2] - 2, across), rel=1e-3)
    assert got["instrument_load_kg"] == 11.5


def test_the_printed_moves_balance_the_rig(rig):
    """Carried bodies go along: the bar takes both tubes, the tube its camera."""
    first = answer("balance", rig)
    moved = {m["name"]: m for m in first["moves"]}
    bar = moved["bar"]["to_mm"] - moved["bar"]["from_mm"]
    left = moved["left"]["to_mm"] - moved["left"]["from_mm"]
    sets = [f"bodies.bar.y={20 + bar} mm", f"bodies.left.y={-90 + bar} mm",
            f"bodies.camera.y={-90 + bar} mm", f"bodies.right.y={160 + bar} mm",
            f"bodies.left.x={40 + left} mm", f"bodies.camera.x={-300 + left} mm",
            f"bodies.weight.z={first['counterweights'][0]['position_mm']} mm"]
    second = answer("balance", rig, *[x for s in sets for x in ("--set", s)])
    for key in ("along_tube_kg_m", "sideways_kg_m", "along_shaft_kg_m"):
        assert abs(second[key]) < 2e-5, key
        assert abs(first[key]) > 0.01, key


def test_a_moment_kept_on_purpose(rig):
    kept = answer("balance", rig, "--keep", "0.5")
    assert kept["left_after_moves"]["along_shaft_kg_m"] * 9.80665 * numpy.cos(
        numpy.radians(40)) == pytest.approx(0.5, rel=1e-3)


def test_what_was_found_corrects_the_masses_or_says_that_it_cannot(rig):
    text = run("balance", rig, "--set", "bodies.left.mass={value: 6 kg, sigma: 0.5 kg}", "--moment",
               "shaft=7.2").stdout
    assert "sigma from the description" in text and "left" in text.split("FOUND")[1]
    wrong = run("balance", rig, "--moment", "shaft=-30").stdout
    assert "something is described wrongly" in " ".join(wrong.split())


def test_refusals(rig, tmp_path):
    for args, message in [((rig, "--moment", "shft=1"), "--moment is 'shft=1'"),
                          ((rig, "--setup", "two"), "no setup 'two'; the first is 'one'"),
                          ((rig, "--keep", "9"), "--keep"),
                          ((tmp_path / "none.yaml",), "none.yaml")]:
        done = run("balance", *args)
        assert done.returncode in (1, 2) and done.stdout == "" and message in done.stderr
    bare = tmp_path / "bare.yaml"
    head, tail = SMALL.split("bodies:")
    bare.write_text(head + "setups" + tail.split("setups")[1])
    done = run("balance", bare)
    assert done.returncode == 2 and "no bodies are described" in done.stderr


def test_the_demo_rig_and_the_width_of_the_page():
    done = run("balance", RIG)
    assert done.returncode == 0, done.stderr
    assert max(map(len, done.stdout.splitlines())) <= 80
    for word in ("LEFT OVER", "WHERE THINGS GO", "WHICH WEIGHTS", "OPENING", "CAUTION"):
        assert word in done.stdout


def test_arrangements_side_by_side():
    """Common practice, no source: heavy and near beats light and far: by how much."""
    path = TOP / "data/demo/arrangements.yaml"
    rows = answer("balance", path, "--compare")["compared"]
    assert [r["arrangement"] for r in rows] == ["least inertia", "most inertia"] * 2
    for least, most in (rows[:2], rows[2:]):
        assert least["setup"] == most["setup"]
        assert least["inertia_kg_m2"] < most["inertia_kg_m2"]
        assert least["innermost_mm"] < most["innermost_mm"]
        assert least["shaft_moment_n_m"] == pytest.approx(most["shaft_moment_n_m"], rel=1e-3)
        assert abs(least["ra_left_n_m"]) < 1e-3 and abs(most["ra_left_n_m"]) < 1e-3
    assert rows[0]["inertia_kg_m2"] < rows[2]["inertia_kg_m2"]  # side by side against stacked
    text = run("balance", path, "--compare", "--attitudes").stdout
    assert max(map(len, text.splitlines())) <= 80


def test_moments_at_attitudes_as_numpy_turns_them(rig):
    """Level shaft on the meridian: g cos(latitude) times the first moment along the shaft."""
    result = answer("balance", rig, "--attitudes")
    at = [a for a in result["attitudes"] if a["ha_deg"] == 0 and a["dec_deg"] == 0]
    z = 1 * 0.18 + 6 * 0.25 + 1.5 * 0.25 + 3 * 0.24 - 10 * 0.2
    want = 9.80665 * numpy.cos(numpy.radians(40)) * z
    assert [abs(a["ra_moment_n_m"]) for a in at] == pytest.approx([abs(want)] * 2, rel=1e-3)
    assert at[0]["ra_moment_n_m"] == pytest.approx(-at[1]["ra_moment_n_m"], rel=1e-3)
