"""What to look at while the press is put together, in the order of the hands."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Check:
    """One thing to look at: a short name, and what to do and why."""

    name: str
    sentence: str


def checklist(*, frames: int, aid_cups: float) -> tuple[Check, ...]:
    """Return the checks for a press of ``frames`` window frames and a charge of ``aid_cups``.

    >>> checklist(frames=5, aid_cups=11.0)[1].sentence.startswith("10 papers")
    True
    """
    return (
        Check("respirator", "Wear the one the filter aid's data sheet names before the bag is opened."),
        Check("papers", f"{2 * frames} papers, dry and whole, two to each frame, none doubled."),
        Check("holes", "Every paper's holes lie on the holes of its plate: hold the stack to the light."),
        Check(
            "order",
            "Plates and frames take turns, in the order and the way round that the press's maker gives.",
        ),
        Check("tightening", "Tighten a little at a time, left and right in turn, until the gap is even."),
        Check("hoses", "Feed and return are pushed home and clamped; the return hangs in the pan."),
        Check("regulator", "The pump's regulator is turned down and the gauge shows zero."),
        Check("sounder", "Test the sounder and the lamp: each is noticed where people will stand."),
        Check("filter aid", f"{aid_cups:.1f} cups are measured and stirred in, and somebody keeps stirring."),
        Check("people", "Gloves and eye cover on: syrup at bottling heat burns at once."),
    )
