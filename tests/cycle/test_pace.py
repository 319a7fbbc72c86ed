"""How far a long command has come: counts and an estimate of the time left."""

from planner.cycle.pace import Pace, duration


def test_the_time_left_follows_from_the_steps_done():
    now = [100.0]
    pace = Pace(5, "refits", clock=lambda: now[0])
    assert pace.words() == "0 of 5 refits done"
    now[0] += 240.0
    pace.step()
    assert pace.words() == "1 of 5 refits done, about 16 min to go"
    pace.skip()                                             # one is kept from before
    assert pace.words() == "1 of 4 refits done, about 12 min to go"
    pace.step(9)
    assert pace.words() == "4 of 4 refits done"


def test_steps_under_way_beside_each_other_are_half_done():
    now = [0.0]
    pace = Pace(8, "refits", beside=2, clock=lambda: now[0])
    now[0] = 180.0
    pace.step()                                             # one done and half of another: 2 min a step, 6.5 left
    assert pace.words() == "1 of 8 refits done, about 13 min to go"


def test_times_are_rounded_as_estimates_are():
    assert [duration(x) for x in (0.1, 89, 3600, 7200)] == ["1 min", "1 min", "60 min", "2.0 h"]
