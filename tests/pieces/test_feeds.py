import pytest

from agent.errors import BadInput
from agent.pieces.feeds import feed_result, feed_test
from tests.pieces.machines import machine


@pytest.mark.parametrize("kind", ["free", "hot"])
def test_lines_of_a_feed_test_heat_and_feed(kind):
    test = feed_test(machine(), kind, length=50, repeats=3, speed=1.5)
    assert test.before == ("G21", "M83", "M104 S215", "M109 S215")
    assert test.feeds == (("G1 E50 F90", "M400"),) * 3
    assert test.seconds == pytest.approx(33.333, abs=1e-3)
    assert any("hot" in caution for caution in test.cautions)


def test_the_guard_against_cold_feeding_is_never_lifted():
    for kind in ("free", "hot"):
        test = feed_test(machine(), kind)
        lines = [*test.before, *(line for feed in test.feeds for line in feed)]
        assert not any(line.startswith("M302") for line in lines)


def test_senseless_feeds_are_refused_with_all_their_mistakes():
    with pytest.raises(BadInput) as caught:
        feed_test(machine(), "free", length=5000, repeats=1, speed=0)
    assert [p.key for p in caught.value.problems] == ["feed.length", "feed.repeats", "feed.speed"]


def test_steps_from_a_free_feed():
    # own arithmetic: old 93 steps/mm, commanded 100, measured 96: 93 * 100 / 96
    result = feed_result(93, 100, [96, 96])
    assert result.steps_per_mm == pytest.approx(96.875, abs=1e-9)
    assert result.slip is None


def test_slip_is_the_difference_of_hot_and_free_and_leaves_the_steps_alone():
    free, hot = [50.1, 49.9, 50.0, 50.2, 49.8], [48.4, 48.6, 48.5, 48.5, 48.5]
    result = feed_result(400, 50, free, hot, u_read=0.1)
    assert result.steps_per_mm == pytest.approx(400)
    assert result.slip == pytest.approx(0.03)
    # s of the free feeds is 0.158, of the hot ones 0.071 and so 0.1: over sqrt(5) and 50
    u_free, u_hot = 0.1581 / 5**0.5 / 50, 0.1 / 5**0.5 / 48.5
    assert result.u_steps_per_mm == pytest.approx(400 * u_free, rel=1e-3)
    assert result.u_slip == pytest.approx(0.97 * (u_free**2 + u_hot**2) ** 0.5, rel=1e-3)


@pytest.mark.parametrize("free", [[50.0], [50.0, -1.0], [50.0, float("nan")]])
def test_impossible_feeds_are_refused(free):
    with pytest.raises(ValueError, match="positive"):
        feed_result(400, 50, free)
