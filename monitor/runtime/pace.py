"""When the next of many may go: a few at once, then one at a time."""

from __future__ import annotations

ROUNDING_S = 1e-6
"""What sums of times may be off by [s]."""


class Pace:
    """Lets ``burst`` go at once and after that one every ``apart_s``; times are of one monotonic clock.

    >>> pace = Pace(apart_s=1.0, burst=2)
    >>> [pace.go(10.0) for _ in range(2)], pace.wait_s(10.0), pace.wait_s(10.75)
    ([None, None], 1.0, 0.25)
    """

    def __init__(self, *, apart_s: float, burst: int) -> None:
        self._apart_s = apart_s
        self._slack_s = apart_s * (burst - 1)
        self._due_s = float("-inf")
        """When one would be due that had never been hurried."""

    def wait_s(self, now_s: float) -> float:
        """Return how long the next must still wait, 0 if it may go."""
        wait_s = self._due_s - self._slack_s - now_s
        return wait_s if wait_s > ROUNDING_S else 0.0

    def go(self, now_s: float) -> None:
        """Note that one goes now, whether it should have waited or not."""
        self._due_s = max(now_s, self._due_s) + self._apart_s
