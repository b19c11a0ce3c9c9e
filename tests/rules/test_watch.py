"""The flags' table is walked the quick way; here it is walked the plain way beside it."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.contract.names import Flag, Limit
from monitor.rules.flags import RULES, Rule, Watch, watch
from monitor.rules.guard import Bounds
from monitor.rules.picture import Picture
from monitor.rules.thresholds import Thresholds
from monitor.rules.verdict import Verdict, judge
from monitor.runtime.settings import load

LIMITS = load().rules().thresholds

temperatures = st.none() | st.builds(
    Bounds,
    value=st.sampled_from([60.0, 82.0, 83.5, 88.0, 89.5, 95.0]),
    corrected=st.sampled_from([60.0, 82.5, 89.0, 90.0]),
    tolerance=st.sampled_from([0.0, 0.5]),
)
pressures = st.none() | st.sampled_from([0.0, 200.0, 480.0, 500.0, 540.0, 560.0, 610.0, 640.0])
signatures = st.frozensets(st.sampled_from([rule.flag for rule in RULES if rule.holds is None]))
pictures = st.builds(
    Picture,
    now_s=st.just(0.0),
    run_open=st.sampled_from([True, True, True, False]),
    outlet=temperatures,
    line_kpa=pressures,
    line_most_kpa=pressures,
    line_peak_kpa=pressures,
    filler=temperatures,
    filler_fitted=st.booleans(),
    bottled=st.booleans(),
    flowing=st.booleans(),
    time_left_s=st.none() | st.sampled_from([60.0, 6000.0]),
    limit=st.sampled_from(Limit),
    signatures=signatures,
    stir_due=st.booleans(),
    recording=st.booleans(),
)
pauses_s = st.sampled_from([0.0, 1.0, 3.0, 5.0, 11.0])


def at(picture: Picture, now_s: float) -> Picture:
    fields = {name: getattr(picture, name) for name in Picture.__slots__}
    return Picture(**(fields | {"now_s": now_s}))


def plainly(rule: Rule, before: Watch, picture: Picture, limits: Thresholds) -> Watch:
    """Return how ``rule`` stands after ``picture``, by the words of the table."""
    if rule.needs_run and not picture.run_open:
        return Watch()
    if rule.holds is None:
        holds: bool | None = rule.flag in picture.signatures
    else:
        holds = rule.holds(picture, limits, before.raised)
    if holds is None or holds == before.raised:
        return Watch(before.raised, None, before.since_s)
    turning_s = picture.now_s if before.turning_s is None else before.turning_s
    if picture.now_s - turning_s >= (rule.on_s if holds else rule.off_s):
        return Watch(holds, None, picture.now_s)
    return Watch(before.raised, turning_s, before.since_s)


@settings(max_examples=300)
@given(st.lists(st.tuples(pictures, pauses_s), min_size=1, max_size=25), st.booleans())
def test_every_rule_stands_as_the_table_says(moments: list[tuple[Picture, float]], forgets: bool) -> None:
    watches: dict[Flag, Watch] = {}
    now_s = 10.0
    for picture, pause_s in moments:
        now_s += pause_s
        seen = at(picture, now_s)
        expected = {rule.flag: plainly(rule, watches.get(rule.flag, Watch()), seen, LIMITS) for rule in RULES}
        after = watch(watches, seen, limits=LIMITS)
        assert after == expected
        assert list(after) == [rule.flag for rule in RULES]
        assert (after is watches) == (watches == expected)
        watches = {flag: one for flag, one in after.items() if not forgets or one.raised}


@given(pictures, st.sampled_from([None, *Flag]), st.booleans())
def test_a_verdict_that_still_holds_is_the_very_one_of_before(
    picture: Picture, flag: Flag | None, too_hot: bool
) -> None:
    before = Verdict(flag, too_hot)
    after = judge(before, picture, limits=LIMITS)
    assert (after is before) == (after == before)
