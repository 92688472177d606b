"""Drives, threads, squareness and positioning against standards, tables and worked examples."""

import math

import numpy as np
import pytest

from agent.estimate.positioning import positioning
from agent.estimate.solve import solve
from agent.model.bed import COARSE_PITCH, Point, plane, thread_pitch, tilt
from agent.model.drive import Drive, Roller, Screw, Toothed
from agent.model.geometry import affine_with_slopes, between_faces, between_points, commands
from agent.model.profile import Instrument
from tests.estimate.cases import reading, survey


def test_toothed_belt_drive():
    """Common practice: 200 full steps, 16 microsteps, 20 teeth of 2 mm give 80 step/mm."""
    assert Drive(200, 16, 1, Toothed(20, 2)).steps_per_mm == pytest.approx(80, abs=1e-12)
    cases = [(200, 16, 16), (400, 16, 20), (200, 32, 20)]
    found = [Drive(f, m, 1, Toothed(z, 2)).steps_per_mm for f, m, z in cases]
    assert found == pytest.approx([100, 160, 160], abs=1e-12)


def test_screw_drive():
    """Lead = starts times pitch (own arithmetic)."""
    found = [Drive(200, 16, 1, Screw(lead)).steps_per_mm for lead in (8, 2, 4)]
    assert found == pytest.approx([400, 1600, 800], abs=1e-12)


def test_flat_belt_speed_ratio():
    """Belt-drive chapter of the usual theory of machines textbooks: N2/N1 = (d1+t)/(d2+t)."""
    small, large = Roller(11, 3), Roller(14, 3)
    assert small.travel_per_turn / large.travel_per_turn == pytest.approx(
        0.823529411764706, abs=1e-12
    )


def test_flat_belt_on_a_driven_roller():
    """D 20, t 1.5, 3:1 (derived from the ratio above): 7 % off if the belt is forgotten."""
    roller = Roller(20, 1.5)
    drive = Drive(200, 16, 3, roller)
    assert roller.travel_per_turn == pytest.approx(67.544242, abs=1e-6)
    assert drive.steps_per_mm == pytest.approx(142.129065, abs=1e-6)
    bare = Drive(200, 16, 3, Roller(20, 1.5, neutral=0.0)).steps_per_mm
    assert bare == pytest.approx(152.788745, abs=1e-6)
    assert drive.steps_per_mm / bare - 1 == pytest.approx(-0.069767, abs=1e-6)


def test_coarse_threads():
    """ISO 261 and ISO 262, coarse series (three public charts, all alike)."""
    expected = {"M2": 0.4, "M2.5": 0.45, "M3": 0.5, "M4": 0.7, "M5": 0.8, "M6": 1.0, "M8": 1.25}
    assert expected == COARSE_PITCH


def test_screw_turns():
    """360 degrees * height / pitch (own arithmetic): M3 0.10, M4 0.10, M5 0.05 mm."""
    cases = [("M3", 0.10), ("M4", 0.10), ("M5", 0.05)]
    found = [360 * tilt(100, dz, 0.0, thread_pitch(screw)).turns for screw, dz in cases]
    assert found == pytest.approx([72.0, 51.428571, 22.5], abs=1e-5)


def sheared(kx, ky, tangent):
    """A (3, 3) of a part scaled by kx, ky whose second side leans by `tangent`, by hand."""
    return np.array([[kx, ky * tangent, 0], [0, ky, 0], [0, 0, 1.0]])


NO_SLOPES = np.zeros((7, 3, 3))


def test_affine_square():
    """A 100 mm square, kx 1.002, ky 0.997, lean 0.003 (matrix [[kx, ky g], [0, ky]])."""
    A = sheared(1.002, 0.997, 0.003)
    v = np.array([[100.0, 0, 0], [0, 100, 0], [100, 100, 0], [100, -100, 0]])
    found = between_points(A, NO_SLOPES, v).value
    assert found == pytest.approx([100.2, 99.700449, 141.563269, 141.139221], abs=1e-5)


def plan_shear(*lengths):
    """The shear in plan, degrees, that sides and diagonals (x, s, read) of a flat piece show."""
    fine = Instrument(resolution_mm=1e-3, mpe_mm=1e-3, repeatability_mm=1e-3)
    readings = [reading("pitch", (x, s, 0), read, between="points") for x, s, read in lengths]
    return solve(survey(*readings, instrument=fine)).derived["plan_shear_deg"].value


def test_parallelogram_angle_from_diagonals():
    """cos(angle) = (d1^2 - d2^2)/(4 a b) (law of cosines; squareness as in ISO 230-1, 3.6.7).

    A plate 100 x 80 with an angle of 89.7 degrees has diagonals 128.389156 and 127.734978.
    """
    g = 1 / math.tan(math.radians(89.7))
    A = sheared(1.0, math.sin(math.radians(89.7)), g)
    v = np.array([[100.0, 80, 0], [100, -80, 0]])
    d1, d2 = between_points(A, NO_SLOPES, v).value
    assert (d1, d2) == (pytest.approx(128.389156, abs=1e-5), pytest.approx(127.734978, abs=1e-5))
    assert d1**2 + d2**2 == pytest.approx(2 * (100**2 + 80**2), abs=1e-4)
    sides = (100, 0, 100.0), (0, 80, 80.0)
    shear = plan_shear(*sides, (100, 80, 128.389156), (100, -80, 127.734978))
    assert abs(shear) == pytest.approx(0.3, abs=1e-3)
    assert 1e3 * math.tan(math.radians(abs(shear))) == pytest.approx(5.235988, abs=0.02)


def test_rhombus_angle_needs_no_side():
    """Equal sides: angle = 2 atan(d2/d1) (geometry); d1, d2 as of a rhombus with 90.5 degrees."""
    side = math.hypot(140.80294489, 142.03707512) / 2
    assert side == pytest.approx(100, abs=1e-6)
    shear = plan_shear((100, 100, 140.80294489), (100, -100, 142.03707512))
    assert abs(shear) == pytest.approx(0.5, abs=1e-3)
    # a scale error of both axes changes both diagonals alike and leaves the angle
    larger = plan_shear((100, 100, 1.01 * 140.80294489), (100, -100, 1.01 * 142.03707512))
    assert larger == pytest.approx(shear, abs=1e-3)
    psi = math.radians(0.5)
    A, dA = affine_with_slopes(math.pi / 2, np.array([0, 0, 0, 0, psi, 0, 0.0]))
    v = np.array([[100.0, 100, 0], [100, -100, 0]])
    d = between_points(A, dA, v).value
    assert d[1] / d[0] == pytest.approx(140.80294489 / 142.03707512, abs=1e-7)


def test_faces_see_no_skew_of_a_square_to_first_order():
    """A caliper on two parallel faces reads their normal distance: L cos of the shear."""
    A = sheared(1.0, 1.0, 0.01)
    v = np.array([[100.0, 0.0, 0.0]])
    assert between_faces(A, NO_SLOPES, v).value[0] == pytest.approx(
        100 * math.cos(math.atan(0.01)), rel=1e-12
    )


def test_angle_units():
    """1 mm/m in degrees and arcseconds; 1 arcsecond in um/m; 1 arcminute and 0.1 degree in mm/m."""
    assert tilt(1000, 1.0, 0.0, 1.0).tilt_deg == pytest.approx(0.0572958, abs=1e-7)
    assert 3600 * tilt(1000, 1.0, 0.0, 1.0).tilt_deg == pytest.approx(206.2647, abs=1e-4)
    heights = [1000 * math.tan(math.radians(a)) for a in (1 / 3600, 1 / 60, 0.1)]
    assert heights == pytest.approx([4.848137e-3, 0.290888, 1.745331], abs=1e-6)


def test_belt_advance_of_a_tilted_layer():
    """Layers 0.2 mm thick at 45 degrees: the belt steps by h/sin(angle) = 0.282843 mm."""
    theta = math.radians(45)
    normal = np.array([0.0, -math.sin(theta), math.cos(theta)])  # out of the layer plane
    belt = commands(theta) @ (0.2 * normal)
    assert belt[2] == pytest.approx(-0.282843, abs=1e-6)
    assert 0.2 / math.sin(theta) == pytest.approx(0.282843, abs=1e-6)


# A machine-made ISO 230-2 report in a public repository of a research laboratory; all deviations
# doubled here (every figure of the standard scales along).  Rows: targets, columns: runs; mm.
FORWARD = np.array([
    [0.00278, 0.03268, 0.03268, 0.09976, 0.09330], [-0.01310, 0.02328, 0.03782, 0.11620, 0.13318],
    [-0.05564, -0.01604, -0.02010, 0.03972, 0.06880],
    [-0.05052, -0.00768, 0.00362, 0.06990, 0.09818], [0.00632, 0.00794, 0.01926, 0.06048, 0.10330],
])  # fmt: skip
BACKWARD = np.array([
    [-0.20410, -0.03196, 0.00278, 0.01492, 0.07714],
    [-0.23938, -0.04784, -0.00502, 0.00064, 0.07660],
    [-0.26010, -0.05808, -0.02978, -0.02252, 0.03244],
    [-0.10466, -0.05618, -0.02304, 0.01898, 0.04646],
    [-0.10034, -0.03892, -0.02924, 0.03462, 0.06048],
])  # fmt: skip


def test_positioning_report():
    """E and A over both directions have no published check: sources disagree (see module)."""
    p = positioning(FORWARD, BACKWARD)
    near = {"abs": 3e-5}
    assert p.mean_forward == pytest.approx([0.05224, 0.05948, 0.00334, 0.0227, 0.03946], **near)
    assert p.mean_backward == pytest.approx([-0.02824, -0.043, -0.0676, -0.0237, -0.01468], **near)
    assert p.B_i == pytest.approx([0.0805, 0.10248, 0.07096, 0.04638, 0.05414], **near)
    assert p.s_forward == pytest.approx([0.0423, 0.06264, 0.05004, 0.06036, 0.04188], **near)
    assert p.s_backward == pytest.approx([0.10592, 0.11858, 0.1125, 0.0599, 0.06368], **near)
    assert p.R_i == pytest.approx([0.42364, 0.4743, 0.44998, 0.28692, 0.26526], **near)
    assert (p.B, p.B_mean) == (pytest.approx(0.10248, **near), pytest.approx(0.07088, **near))
    assert (p.R_forward, p.R_backward, p.R) == pytest.approx((0.25058, 0.4743, 0.4743), **near)
    assert (p.E_forward, p.E_backward, p.M) == pytest.approx((0.05612, 0.05292, 0.04452), **near)
    assert (p.A_forward, p.A_backward) == pytest.approx((0.28278, 0.48674), **near)


def test_positioning_own_case():
    """Dial readings in micrometres; expected figures from a second implementation (own case)."""
    forward = np.array([[0, 2, -1, 3, 1], [6, 5, 7, 6, 8], [9, 12, 10, 8, 13],
                        [16, 15, 15, 16, 15], [19, 22, 20, 23, 18]], dtype=float)  # fmt: skip
    backward = np.array([[-4, -5, -6, -4, -3], [8, 9, 10, 8, 9], [4, 6, 3, 7, 5],
                         [9, 12, 10, 8, 13], [15, 14, 16, 13, 15]], dtype=float)  # fmt: skip
    p = positioning(forward, backward)
    assert p.B_i == pytest.approx([5.4, -2.4, 5.4, 5.0, 5.8], abs=1e-9)
    assert (p.B, p.B_mean, p.M) == pytest.approx((5.8, 3.84, 19.2), abs=1e-9)
    assert (p.R_forward, p.R_backward, p.R) == pytest.approx(
        (8.294577, 8.294577, 12.709566), abs=1e-5
    )
    assert (p.E_forward, p.E_backward, p.E) == pytest.approx((19.4, 19.0, 24.8), abs=1e-9)
    assert (p.A_forward, p.A_backward, p.A) == pytest.approx(
        (26.709566, 23.560702, 31.227639), abs=1e-5
    )


@pytest.mark.parametrize("sign", [1, -1])
def test_positioning_is_the_same_whichever_way_is_called_forward(sign):
    """Both ways exchanged, and all deviations with the other sign: E, A, R and M stay."""
    p = positioning(FORWARD, BACKWARD)
    q = positioning(sign * BACKWARD, sign * FORWARD)
    assert pytest.approx(p.E) == q.E
    assert pytest.approx([p.A, p.R, p.M]) == [q.A, q.R, q.M]
    assert (q.A_forward, q.A_backward) == pytest.approx((p.A_backward, p.A_forward))
    assert q.B_mean == pytest.approx(-sign * p.B_mean)


def test_positioning_wants_both_ways():
    with pytest.raises(ValueError, match="two targets"):
        positioning(FORWARD, BACKWARD[:, :3])
    with pytest.raises(ValueError, match="two targets"):
        positioning(FORWARD[:1], BACKWARD[:1])
    with pytest.raises(ValueError, match="two targets"):
        positioning(FORWARD[:, :1], BACKWARD[:, :1])
    least = positioning(FORWARD[:2, :2], BACKWARD[:2, :2])
    assert least.B_i == pytest.approx((FORWARD - BACKWARD)[:2, :2].mean(axis=1))


def test_plane_through_points():
    """Worked example of a plane through five points in the documentation of an open library of
    linear algebra (Eigen 2, module LeastSquares, `linearRegression`; read at
    hackage.haskell.org/package/eigen-1.1.3; its result from memory):
    y = 0.495 x - 1.927 z - 2.906."""
    given = [
        (3.02, 6.89, -4.32), (2.01, 5.39, -3.79), (2.41, 6.01, -4.01), (2.09, 5.55, -3.86),
        (2.58, 6.32, -4.10),
    ]  # fmt: skip
    found = plane([Point(x, z, y) for x, y, z in given])
    assert (found.slope_x, found.slope_s) == pytest.approx((0.495, -1.927), abs=0.0005)
    assert found.offset == pytest.approx(-2.906, abs=0.0005)


def test_uncertainty_of_a_plane_against_a_general_library():
    """Covariance of the plane's coefficients as `scipy.optimize.curve_fit` gives it, with the
    uncertainty of the heights known (`absolute_sigma`) and taken from their scatter."""
    from scipy.optimize import curve_fit

    rng = np.random.default_rng(5)
    x, s = rng.uniform(0, 250, 12), rng.uniform(0, 300, 12)
    h = 0.2 + 0.001 * x - 0.0004 * s + rng.normal(0, 0.05, 12)
    points = [Point(*row) for row in zip(x.tolist(), s.tolist(), h.tolist(), strict=True)]

    def model(places, offset, across, along):
        return offset + across * places[0] + along * places[1]

    for u, known in ((0.2, True), (0.001, False)):
        expected, covariance = curve_fit(
            model, (x, s), h, sigma=np.full(12, u), absolute_sigma=known
        )
        found = plane(points, u)
        assert (found.offset, found.slope_x, found.slope_s) == pytest.approx(expected, rel=1e-6)
        assert np.array(found.covariance) == pytest.approx(covariance, rel=1e-5)
