"""Topic names: what the publisher writes is what the reader takes apart, and what a filter matches."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from monitor.contract.commands import Verb
from monitor.contract.errors import PayloadRefused
from monitor.contract.presence import Service
from monitor.contract.readings import Point
from monitor.contract.topics import ANY_PRESS_STATUS, Topics, levels

TOPICS = Topics("sugarbush-2")


def test_topics_are_spelled_as_the_contract_says() -> None:
    assert TOPICS.reading(Point.OUTLET) == "niterwatch/sugarbush-2/reading/outlet"
    assert TOPICS.status == "niterwatch/sugarbush-2/status"
    assert TOPICS.event == "niterwatch/sugarbush-2/event"
    assert TOPICS.command(Verb.ACKNOWLEDGE) == "niterwatch/sugarbush-2/command/acknowledge"
    assert TOPICS.reply("0123abcd") == "niterwatch/sugarbush-2/reply/0123abcd"
    assert TOPICS.presence(Service.HARDWARE) == "niterwatch/sugarbush-2/presence/hardware"


@pytest.mark.parametrize(
    ("topics", "pattern"),
    [
        ([TOPICS.reading(point) for point in Point], TOPICS.readings),
        ([TOPICS.command(verb) for verb in Verb], TOPICS.commands),
        ([TOPICS.presence(service) for service in Service], TOPICS.presences),
        ([TOPICS.reply("0123abcd")], TOPICS.replies),
        ([TOPICS.status], ANY_PRESS_STATUS),
    ],
)
def test_filters_match_their_topics_and_no_others(topics: list[str], pattern: str) -> None:
    """The rules of MQTT 3.1.1, section 4.7, as the client library applies them."""
    every = [
        *(TOPICS.reading(point) for point in Point),
        *(TOPICS.command(verb) for verb in Verb),
        *(TOPICS.presence(service) for service in Service),
        *(TOPICS.status, TOPICS.event, TOPICS.reply("0123abcd")),
    ]
    assert [topic for topic in every if topic_matches_sub(pattern, topic)] == topics


@given(press=st.from_regex(r"[a-z0-9-]{1,32}", fullmatch=True), point=st.sampled_from(Point))
def test_what_is_put_together_comes_apart(press: str, point: Point) -> None:
    assert levels(Topics(press).reading(point)) == (press, "reading", point)
    assert levels(Topics(press).status) == (press, "status", "")


@pytest.mark.parametrize("press", ["", "Main", "a b", "a/b", "+", "#", "x" * 33, "main\n", "é"])
def test_a_press_with_an_impossible_name_is_refused(press: str) -> None:
    with pytest.raises(PayloadRefused, match="no press name"):
        Topics(press)


@given(topic=st.text(max_size=60))
def test_any_topic_comes_apart_or_is_refused(topic: str) -> None:
    try:
        press, channel, leaf = levels(topic)
    except PayloadRefused:
        return
    assert topic.rstrip("/") == "/".join(filter(None, ("niterwatch", press, channel, leaf))).rstrip("/")


@pytest.mark.parametrize(
    "topic", ["", "niterwatch", "niterwatch/main", "other/main/status", "niterwatch/a/b/c/d"]
)
def test_a_topic_that_is_not_ours_is_refused(topic: str) -> None:
    with pytest.raises(PayloadRefused, match="is none of ours"):
        levels(topic)
