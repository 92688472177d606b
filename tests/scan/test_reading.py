"""A scan of a laid strip: what it gives, and why scans are refused."""

import io
from dataclasses import replace
from pathlib import Path

import matplotlib
import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import gaussian_filter

from agent.errors import BadInput, Refused
from agent.estimate import solve
from agent.model.budget import NO_BUDGET
from agent.pieces import rail, strip
from agent.scan.glass import look
from agent.scan.image import Scan, load_scan
from agent.scan.outline import covered, jaws_of, rectangles
from agent.scan.picture import picture
from agent.scan.reading import read_scan
from tests.estimate.cases import SQUARE, reading, survey
from tests.scans import SIZES, _plain, laid, profile, scanned

DPI = 300.0
IMAGES = Path(matplotlib.get_data_path()) / "sample_data"


@pytest.fixture(scope="module")
def taken():
    return scanned(19, DPI)


@pytest.fixture(scope="module")
def read(taken):
    return read_scan(Scan(taken[2], DPI), taken[1])


def test_every_feature_within_its_uncertainty(taken, read):
    machine, piece, _ = taken
    assert [one.feature for one in read.taken] == list(piece.features)
    for one in read.taken:
        error = one.mm - machine.true_size(_plain(one.feature), "strip")
        assert abs(error) < 3.5 * one.u_mm, one.feature.name
        assert one.u_mm < 0.05


def test_the_scanner_is_told_by_the_rules(read):
    assert max(abs(scale) for scale in read.plane.scale) < 0.004
    assert read.plane.residual < 0.02


def test_picture_is_a_png_with_the_edges_in_it(taken, read):
    page = Image.open(io.BytesIO(picture(Scan(taken[2], DPI), read, taken[1])))
    assert page.format == "PNG"
    colours = np.asarray(page).reshape(-1, 3)
    edges = (colours == (0xE4, 0x57, 0x2E)).all(axis=1).sum()
    assert edges > 500


def refused(values, piece, dpi=DPI):
    with pytest.raises(Refused) as caught:
        read_scan(Scan(np.ascontiguousarray(values), dpi), piece)
    assert caught.value.remedy
    return caught.value.what


def test_a_mirrored_scan_is_refused(taken):
    for mirrored in (taken[2][:, ::-1], taken[2][::-1]):
        assert "marked side" in refused(mirrored, taken[1])


def test_a_turned_scan_is_read_the_same(taken, read):
    turned = read_scan(Scan(np.ascontiguousarray(taken[2][::-1, ::-1]), DPI), taken[1])
    for one, other in zip(read.taken, turned.taken, strict=True):
        assert one.mm == pytest.approx(other.mm, abs=one.u_mm), one.feature.name


@pytest.mark.parametrize("stated", [150.0, 290.0, 600.0])
def test_a_wrong_resolution_is_refused(taken, stated):
    what = refused(taken[2], taken[1], stated)
    assert "dpi" in what


def without(values, bars):
    """The scan with bars painted over."""
    painted = values.copy()
    pixel = 25.4 / DPI
    v, u = (np.indices(values.shape) + 0.5) * pixel
    for bar in bars:
        along = (u - bar.middle[0]) * bar.axis[0] + (v - bar.middle[1]) * bar.axis[1]
        aside = (v - bar.middle[1]) * bar.axis[0] - (u - bar.middle[0]) * bar.axis[1]
        on = (np.abs(along) < bar.length / 2 + 1) & (np.abs(aside) < bar.width / 2 + 1)
        painted[on] = np.median(values)
    return painted


def test_missing_rules_are_named(taken):
    bars = look(Scan(taken[2], DPI)).bars
    across = [bar for bar in bars if bar.across]
    along = [bar for bar in bars if not bar.across]
    assert "across the glass is missing" in refused(without(taken[2], across), taken[1])
    assert "along the glass is missing" in refused(without(taken[2], along), taken[1])
    assert "neither" in refused(without(taken[2], bars), taken[1])


def test_a_fibre_from_rule_to_rule_does_not_join_them(taken):
    bars = look(Scan(taken[2], DPI)).bars
    hairy = taken[2].copy()
    ends = [(bar.middle / 25.4 * DPI)[::-1] for bar in bars]
    for share in np.linspace(0, 1, 9000):
        row, column = (ends[0] + share * (ends[1] - ends[0])).astype(int)
        hairy[row : row + 4, column : column + 4] = 200
    assert len(look(Scan(hairy, DPI)).bars) == len(bars) == 2


def test_blur_is_refused(taken):
    soft = gaussian_filter(taken[2].astype(float), 4.0).astype(np.uint8)
    refused(soft, taken[1])


def test_other_pieces_are_refused(taken):
    for other in (rail(profile()), strip(profile()), strip(profile(), plate=(90.0, 60.0))):
        refused(taken[2], other)


def test_a_bright_band_across_edges_leaves_features_out_or_refuses(taken):
    shone = taken[2].copy()
    shone[600:700] = 255
    try:
        found = read_scan(Scan(shone, DPI), taken[1])
    except Refused:
        return
    machine = taken[0]
    for one in found.taken:
        error = one.mm - machine.true_size(_plain(one.feature), "strip")
        assert abs(error) < 4 * one.u_mm, one.feature.name


@pytest.mark.parametrize("name", ["grace_hopper.jpg", "logo2.png", "Minduka_Present_Blue_Pack.png"])
def test_pictures_of_other_things_are_refused(name):
    """Images that ship with matplotlib, for its own examples."""
    scan = load_scan(IMAGES / name, dpi=DPI)
    refused(np.kron(scan.values, np.ones((4, 4), dtype=np.uint8)), strip(profile(), **SIZES))


def test_noise_alone_is_refused():
    values = np.random.default_rng(3).integers(0, 255, (1800, 1500), dtype=np.uint8)
    refused(values, strip(profile(), **SIZES))


@pytest.mark.parametrize("suffix", ["png", "tif", "jpg"])
def test_files_keep_their_resolution(tmp_path, taken, suffix):
    path = tmp_path / f"scan.{suffix}"
    Image.fromarray(taken[2][:400, :400]).save(path, dpi=(300, 300))
    scan = load_scan(path)
    assert scan.dpi == pytest.approx(300, abs=0.01)
    assert scan.values.shape == (400, 400)


def test_files_that_are_no_scan(tmp_path):
    (tmp_path / "words.png").write_text("no image")
    Image.new("L", (50, 50)).save(tmp_path / "bare.png")
    Image.new("L", (50, 50)).save(tmp_path / "moving.gif")
    for name, words in (
        ("words.png", "not an image"),
        ("bare.png", "resolution"),
        ("moving.gif", "GIF"),
        ("absent.png", "no such file"),
    ):
        with pytest.raises(BadInput, match=words):
            load_scan(tmp_path / name)


@pytest.mark.parametrize("wide", [95.0, 120.0, 160.0])
@pytest.mark.parametrize("plate", [(55.0, 44.0), (85.0, 40.0), (95.0, 60.0)])
def test_the_outline_tells_which_way_round_a_strip_lies(wide, plate):
    """Turned or mirrored, it covers something else: no two ways can be mistaken."""
    piece = strip(profile(), wide=wide, plate=plate)
    boxes = rectangles(piece)
    low, high = boxes[:, [0, 2]].min(axis=0), boxes[:, [1, 3]].max(axis=0)
    x, s = np.meshgrid(np.arange(low[0], high[0], 1.0), np.arange(low[1], high[1], 1.0))
    own = covered(boxes, x, s)
    for turned in (own[::-1, ::-1], own[:, ::-1], own[::-1]):
        assert (own & turned).sum() / (own | turned).sum() < 0.8


def test_every_jaw_of_a_strip_lies_on_an_edge():
    piece = strip(profile())
    for feature in piece.features:
        assert jaws_of(piece, feature) is not None, feature.name


def test_a_solid_piece_has_no_outline_to_read():
    machine, piece = laid(4, "post")
    assert machine is not None
    assert all(jaws_of(piece, f) is None for f in piece.features if f.kind in ("lean", "sway"))


def test_all_lengths_of_a_scan_share_the_scale_of_its_rule():
    """However many lengths agree, a scale is not known better than the rule that they hang on."""
    lengths = [
        reading("outside", (0, 20.0 * n, 0), 20.0 * n, u=0.001, between="edges")
        for n in (1, 2, 3, 4, 5)
    ]
    found = {
        percent: solve(
            survey(*lengths, priors=SQUARE, budget=replace(NO_BUDGET, scan_percent=percent))
        ).parameters["z_scale"]
        for percent in (0.0, 0.2)
    }
    assert found[0.0].u < 2e-4
    assert 2e-3 <= found[0.2].u < 2.5e-3
