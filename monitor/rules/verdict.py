"""Still recirculating, ready to bottle, or unknown: exactly one while a run is open."""

from __future__ import annotations

from monitor.contract.names import Flag
from monitor.contract.record import record
from monitor.rules.picture import Picture
from monitor.rules.thresholds import Thresholds

DEAD_BAND_C = 2.0 * 5.0 / 9.0
"""Ready holds until the outlet is this much under the limit [degC of difference]: 2 degF."""
# Asked of its enum, a member takes 0.1 us each time.
_READY, _RECIRCULATING, _UNKNOWN = Flag.READY_TO_BOTTLE, Flag.STILL_RECIRCULATING, Flag.UNKNOWN


@record(frozen=True, slots=True)
class Verdict:
    """The verdict, and whether heat forbids a new ready until the dead band is crossed."""

    flag: Flag | None = None
    too_hot: bool = False


def judge(before: Verdict, picture: Picture, *, limits: Thresholds) -> Verdict:
    """Return the verdict on ``picture``: ``before``, asked for its dead bands, where it still holds.

    Ready needs both inputs good and fresh, syrup flowing, an outlet surely at or over the
    ready limit and surely under the precipitation threshold. Any doubt about an input is
    unknown, never the verdict of a second ago.
    """
    if not picture.run_open:
        return _turned(before, None, too_hot=False)
    outlet = picture.outlet
    if outlet is None or picture.line_kpa is None:
        return _turned(before, _UNKNOWN, too_hot=before.too_hot)
    hot_limit = limits.precipitation_c - (DEAD_BAND_C if before.too_hot else 0.0)
    too_hot = outlet.most >= hot_limit
    was_ready = before.flag is _READY
    cold_limit = limits.ready_c - (DEAD_BAND_C if was_ready else 0.0)
    ready = picture.flowing and not too_hot and outlet.least >= cold_limit
    return _turned(before, _READY if ready else _RECIRCULATING, too_hot=too_hot)


def _turned(before: Verdict, flag: Flag | None, *, too_hot: bool) -> Verdict:
    if flag is before.flag and too_hot is before.too_hot:
        return before
    return Verdict(flag, too_hot)
