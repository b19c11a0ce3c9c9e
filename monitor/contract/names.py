"""The words of a run: phases, flags, alarms. One spelling for wire, trace, page and sheet."""

from __future__ import annotations

from enum import StrEnum


class Verb(StrEnum):
    """The acts; also the last level of the command topic."""

    START = "start"
    END = "end"
    MARK = "mark"
    ACKNOWLEDGE = "acknowledge"
    SILENCE = "silence"
    SHELVE = "shelve"
    NOTE = "note"
    CHARGE = "charge"
    CAKE = "cake"
    LOT = "lot"
    CHECK = "check"
    CORRECT = "correct"


class Phase(StrEnum):
    """Where a run stands."""

    IDLE = "idle"
    """No run is open."""
    RECIRCULATING = "recirculating"
    """The press is fed; the outlet has not been ready yet or is not now."""
    BOTTLING = "bottling"
    """The outlet is inside the window and syrup flows."""
    PAUSED = "paused"
    """The run is open but nothing flows."""
    END_PROPOSED = "end proposed"
    """Nothing has flowed for so long that a person is asked to end the run."""


class Flag(StrEnum):
    """What is true of the run now. The first four are the users' own words."""

    STILL_RECIRCULATING = "still recirculating"
    READY_TO_BOTTLE = "ready to bottle"
    OVER_PRECIPITATION = "over precipitation threshold"
    NEAR_CLOG = "near clog pressure"
    UNKNOWN = "unknown"
    NEAR_CEILING = "near the ceiling"
    STOP_AT_CUTOFF = "stop at cut-off"
    PAPER_LIMIT = "over paper limit"
    FILLER_TOO_HOT = "filler too hot"
    FILLER_TOO_COLD = "filler too cold"
    INPUT_LOST = "input lost"
    PRESSURE_DROP = "sudden pressure drop"
    PUMP_STALLED = "pump stalled"
    DEAD_END = "pressure without strokes"
    LOW_RESISTANCE = "resistance too low"
    COLD_PLATES = "cold plates"
    DE_SETTLING = "filter aid settling"
    STIR_DUE = "stir due"
    CHANGE_SOON = "change papers soon"
    NOT_RECORDING = "not recording"


VERDICTS = frozenset({Flag.STILL_RECIRCULATING, Flag.READY_TO_BOTTLE, Flag.UNKNOWN})
"""Exactly one of these holds while a run is open, none when it is not."""


class Alarm(StrEnum):
    """What asks a person to act at once. Prompts are flags, never alarms."""

    OVER_PRECIPITATION = "over precipitation threshold"
    NEAR_CLOG = "near clog pressure"
    STOP_AT_CUTOFF = "stop at cut-off"
    PAPER_LIMIT = "over paper limit"
    FILLER_TOO_HOT = "filler too hot"
    FILLER_TOO_COLD = "filler too cold"
    INPUT_LOST = "input lost"
    PRESSURE_DROP = "sudden pressure drop"
    PUMP_STALLED = "pump stalled"
    NOT_RECORDING = "not recording"
    MONITOR_SILENT = "monitor silent"
    """Raised by whoever listens (sounder, page), because a silent monitor cannot."""


class AlarmState(StrEnum):
    """States of one alarm (names of the ISA-18.2 / IEC 62682 / OPC 10000-9 model)."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed"
    OUT_OF_SERVICE = "out of service"


class Signal(StrEnum):
    """The four sounds. At most one plays; the higher wins."""

    PROMPT = "prompt"
    MEDIUM = "medium"
    HIGH = "high"
    MONITOR_SILENT = "monitor silent"


class Limit(StrEnum):
    """What ends a set of papers first."""

    PRESSURE = "pressure"
    FRAMES = "frames"
    UNKNOWN = "unknown"


class PumpKind(StrEnum):
    """How the pump moves syrup; decides whether strokes can be counted."""

    AIR_DIAPHRAGM = "air diaphragm"
    HAND_DIAPHRAGM = "hand diaphragm"
    ELECTRIC_DIAPHRAGM = "electric diaphragm"
    GEAR = "gear"


class AtCutoff(StrEnum):
    """What becomes of a pump that holds its flow when the line comes to the cut-off pressure."""

    STOP = "stop"
    """Somebody stops it, or a switch does for good."""
    BYPASS = "bypass"
    """What the press does not take goes back by a bypass, or a switch turns it off and on."""


class VolumeSource(StrEnum):
    """Where the filtered volume comes from, best first."""

    METER = "meter"
    STROKES = "strokes"
    CONTAINERS = "containers"
    NONE = "none"
