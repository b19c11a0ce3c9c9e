"""A press worked out from first principles, to try the forecast against: invented runs.

It shares no formula, module or constant with the program. Each window frame has a cake of its
own and feeds from the common line, so frames fill one after the other; the cake is
compressible and its feed channel narrows as the two cakes meet; the dose drifts; the stack
of plates is warmed cell by cell and loses heat to the room; the pump stalls against the
regulator and cannot outrun its own top speed; the operator raises the pressure in steps, as
people do, and stops when the flow is too small for their patience.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field, replace
from itertools import pairwise

KPA_PSI = 6.894757


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """One invented run: the press, its syrup, its pump, its operator, its instruments."""

    seed: int = 0
    frames: int = 5
    side_m: float = 0.16
    thickness_m: float = 0.0254
    uneven: float = 0.04
    """Spread of the frames' room and papers."""
    cake_kg_m3: float = 300.0
    solids_kg_m3: float = 9.0
    dose_drift: float = 0.0
    """Change of the solids by the time the frames are full, as a share."""
    alpha: float = 1.3e11
    """Specific resistance of the cake at 300 kPa [m/kg]."""
    compressibility: float = 0.3
    paper_per_m: float = 2.0e10
    pan_c: float = 88.0
    pan_drift_c_h: float = 0.0
    room_c: float = 15.0
    plate_kj_k: float = 3.0
    """Heat capacity of one frame with its plates."""
    stack_ntu: float = 1.5
    """Heat transfer units of the whole stack: how near the stream comes to its plates."""
    loss_w_k: float = 1.2
    """Heat lost by one frame with its plates."""
    series: bool = False
    """Cells one after the other instead of side by side."""
    end_plate_kj_k: float = 4.0
    touch_w_k: float = 8.0
    """Heat passed between neighbouring plates."""
    start_kpa: float = 210.0
    top_kpa: float = 575.0
    step_kpa: float = 70.0
    wanted_share: float = 0.85
    """The operator raises the pressure when the flow is under this share of what it first was."""
    patience_s: float = 45.0
    top_flow_l_min: float = 5.0
    stop_share: float = 0.17
    """The operator stops at this share of the first hot flow."""
    kind: str = "air diaphragm"
    bypass: bool = True
    """A pump that holds its flow lets the rest go back at the top pressure; without, it is stopped there."""
    displacement_l: float = 0.07
    displacement_error: float = 0.0
    reading_error: float = 0.0
    lag_s: float = 12.0
    bias_c: float = 0.0
    pressure_noise_kpa: float = 2.0
    meter: bool = False
    pauses: tuple[tuple[float, float], ...] = ()
    """(start, length) of pauses of the pump [s]."""
    missing: tuple[float, float] | None = None
    """Seconds for which nothing is heard."""
    refill_s: float | None = None
    """When cooler syrup is poured into the pan."""
    dark_after_l: float | None = None
    """Volume from which late dark syrup with twice the sand arrives."""
    torn_s: float | None = None
    longest_s: float = 9000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One second as the instruments show it; null is not heard."""

    elapsed_s: float
    outlet_c: float | None
    line_kpa: float | None
    line_high_kpa: float | None
    strokes: int | None
    flow_l_min: float | None


@dataclass(slots=True)
class PressRun:
    """What the instruments showed and, beside it, the truth."""

    setup: Setup
    full_volume_l: float
    """As the owner believes it: the last cake reading."""
    rows: list[Row] = field(default_factory=list)
    volume_l: list[float] = field(default_factory=list)
    """True volume after each second."""
    syrup_c: list[float] = field(default_factory=list)
    ready_s: float | None = None
    """When the syrup at the outlet first truly reached 180 degF."""
    ended_by: str = "time"
    fill: float = 0.0

    @property
    def total_l(self) -> float:
        """True volume of the whole run."""
        return self.volume_l[-1]


def _thickness_of_syrup(celsius: float) -> float:
    """Viscosity [Pa s], Vogel form through 228, 24 and 9.56 mPa s at 20, 60 and 85 degC."""
    return 2.369e-5 * math.exp(1127.8 / (celsius + 102.97))


class _Frames:
    """The cakes: each frame its own, all fed from one line."""

    def __init__(self, setup: Setup, rng: random.Random) -> None:
        self.setup = setup
        self.face_m2 = 2.0 * setup.side_m**2
        each_m3 = setup.side_m**2 * setup.thickness_m
        self.room_kg = [
            setup.cake_kg_m3 * each_m3 * max(0.5, 1.0 + rng.gauss(0.0, setup.uneven))
            for _ in range(setup.frames)
        ]
        self.papers = [setup.paper_per_m * math.exp(rng.gauss(0.0, 0.3)) for _ in range(setup.frames)]
        self.cake_kg = [0.0] * setup.frames
        self.ease: list[float] = []
        self.full_l = 1000.0 * sum(self.room_kg) / setup.solids_kg_m3

    @property
    def fill(self) -> float:
        return sum(self.cake_kg) / sum(self.room_kg)

    def all_ease(self, *, viscosity: float, line_kpa: float, passed_l: float, torn: bool) -> float:
        """Flow per pressure [m3/s/Pa] of all frames together; kept for each."""
        alpha = self.setup.alpha * (max(line_kpa, 30.0) / 300.0) ** self.setup.compressibility
        if self.setup.dark_after_l is not None and passed_l > self.setup.dark_after_l:
            alpha *= 1.9
        self.ease = []
        for kg, room_kg, papers in zip(self.cake_kg, self.room_kg, self.papers, strict=True):
            filled = kg / room_kg
            channel = 1.0 if filled < 0.9 else max(0.012, ((1.0 - filled) / 0.1)) ** 1.5
            bed = alpha * kg / self.face_m2 + papers
            self.ease.append(self.face_m2 / (viscosity * bed) * channel)
        if torn:
            self.ease[0] /= 0.12
        return sum(self.ease)

    def take(self, moved_m3: float) -> None:
        """Let ``moved_m3`` of syrup leave its solids in the frames."""
        all_ease, drift = sum(self.ease), self.setup.dose_drift
        # The dose drifts with what has been deposited so far.
        solids = self.setup.solids_kg_m3 * (1.0 + drift * self.fill)
        for i, ease in enumerate(self.ease):
            kg = self.cake_kg[i] + moved_m3 * ease / all_ease * solids
            self.cake_kg[i] = min(kg, 0.9999 * self.room_kg[i])


class _Stack:
    """The plates: side by side past the feed ports or one after the other, between two end plates."""

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self.plates_c = [setup.room_c] * (setup.frames + 2)
        self.outlet_c = setup.room_c
        units = setup.stack_ntu / setup.frames if setup.series else setup.stack_ntu
        self.effect = 1.0 - math.exp(-units)

    def pass_syrup(self, flow_m3_s: float, pan_c: float, dt: float) -> None:
        setup, n = self.setup, self.setup.frames
        carried = flow_m3_s * 1290.0 * 2930.0 * (1.0 if setup.series else 1.0 / n)
        stream, leaving = pan_c, 0.0
        taken = [0.0] * (n + 2)
        for i in range(1, n + 1):
            entering = stream if setup.series else pan_c
            cooled = self.effect * (entering - self.plates_c[i])
            taken[i] = carried * cooled
            stream = entering - cooled
            leaving += stream / n
        handed = [setup.touch_w_k * (a - b) for a, b in pairwise(self.plates_c)]
        for i, celsius in enumerate(self.plates_c):
            end = i in (0, n + 1)
            gain = taken[i] + (handed[i - 1] if i else 0.0) - (handed[i] if i <= n else 0.0)
            if not end:
                gain -= setup.loss_w_k * (celsius - setup.room_c)
            heat = 1000.0 * (setup.end_plate_kj_k if end else setup.plate_kj_k)
            self.plates_c[i] = celsius + gain * dt / heat
        if flow_m3_s > 0.0:
            self.outlet_c = stream if setup.series else leaving
        else:
            self.outlet_c -= 0.01 * dt


class _Operator:
    """Who watches the flow, raises the regulator in steps, and stops when it crawls."""

    def __init__(self, setup: Setup, rng: random.Random) -> None:
        self.setup, self.rng = setup, rng
        self.regulator_kpa = setup.start_kpa
        self.first_hot_l_min: float | None = None
        self.best_l_min = 0.0
        self.low_s = 0.0
        self.crawling_s = 0.0

    def look(self, flow_l_min: float, *, at_s: float, hot: bool, fill: float, paused: bool) -> bool:
        """Act on a second's flow; True to stop."""
        setup = self.setup
        if hot and self.first_hot_l_min is None:
            self.first_hot_l_min = flow_l_min
        self.best_l_min = max(self.best_l_min, flow_l_min)
        if paused:
            return False
        wanted = setup.wanted_share * (self.first_hot_l_min or self.best_l_min)
        at_top = self.regulator_kpa >= 0.99 * setup.top_kpa
        low = at_s > 60.0 and not at_top and flow_l_min < wanted
        self.low_s = self.low_s + 1.0 if low else 0.0
        if self.low_s >= setup.patience_s:
            raised = self.regulator_kpa + setup.step_kpa * self.rng.uniform(0.7, 1.3)
            self.regulator_kpa, self.low_s = min(setup.top_kpa, raised), 0.0
        if setup.kind in CONSTANT and not setup.bypass:
            # All that the pump drives and the press no longer takes would go into the line.
            self.crawling_s = self.crawling_s + 1.0 if flow_l_min < 0.97 * setup.top_flow_l_min else 0.0
            return (at_s > 90.0 and self.crawling_s > 20.0) or fill > 0.985
        least = setup.stop_share * (self.first_hot_l_min or 0.0)
        crawls = flow_l_min < least and (at_top or setup.kind in CONSTANT or fill > 0.97)
        self.crawling_s = self.crawling_s + 1.0 if crawls else 0.0
        return self.crawling_s > 20.0 or fill > 0.985


CONSTANT = ("gear", "electric diaphragm")
"""Pumps that hold the flow and let the pressure rise."""

DT_S = 0.5


def simulate(setup: Setup) -> PressRun:
    """Return the run that ``setup`` describes."""
    rng = random.Random(setup.seed)  # noqa: S311 - invented data
    frames, stack, operator = _Frames(setup, rng), _Stack(setup), _Operator(setup, rng)
    run = PressRun(setup, full_volume_l=frames.full_l * (1.0 + setup.reading_error))
    stroke_m3 = setup.displacement_l * (1.0 + setup.displacement_error) / 1000.0
    offset = rng.random()
    passed_m3 = shown_l_min = t = 0.0
    line_kpa, probe_c, pan_c = setup.start_kpa, setup.room_c, setup.pan_c
    strokes_made = 0
    stopped = False
    while t < setup.longest_s and not stopped:
        line_sum = flow_sum = 0.0
        paused = any(start <= t < start + length for start, length in setup.pauses)
        for _ in range(round(1.0 / DT_S)):
            t += DT_S
            pan_c = _pan(setup, pan_c, t)
            ease = frames.all_ease(
                viscosity=_thickness_of_syrup(0.5 * (pan_c + stack.outlet_c)),
                line_kpa=line_kpa,
                passed_l=1000.0 * passed_m3,
                torn=setup.torn_s is not None and t > setup.torn_s,
            )
            aim_kpa = setup.top_kpa if setup.kind in CONSTANT else operator.regulator_kpa
            flow = 0.0 if paused else min(1000.0 * ease * aim_kpa, setup.top_flow_l_min / 60e3)
            line_kpa = flow / ease / 1000.0
            frames.take(flow * DT_S)
            passed_m3 += flow * DT_S
            stack.pass_syrup(flow, pan_c, DT_S)
            probe_c += (stack.outlet_c - probe_c) * (1.0 - math.exp(-DT_S / setup.lag_s))
            pulse = rng.gauss(0.0, setup.pressure_noise_kpa) if line_kpa > 0.0 else 0.0
            line_sum += DT_S * max(0.0, line_kpa + pulse)
            flow_sum += DT_S * flow * 60e3
        shown_l_min += (flow_sum - shown_l_min) * (1.0 if t < 5.0 else 1.0 / 15.0)
        if run.ready_s is None and stack.outlet_c >= READY_C:
            run.ready_s = t
        made = int(passed_m3 / stroke_m3 + offset)
        if setup.missing is None or not setup.missing[0] <= t < sum(setup.missing):
            run.rows.append(
                Row(
                    elapsed_s=t,
                    outlet_c=round((probe_c + setup.bias_c + rng.gauss(0.0, 0.03)) * 16.0) / 16.0,
                    line_kpa=line_sum,
                    line_high_kpa=1.04 * line_sum,
                    strokes=None if setup.kind == "gear" else made - strokes_made,
                    flow_l_min=flow_sum * (1.0 + rng.gauss(0.0, 0.01)) if setup.meter else None,
                )
            )
            run.volume_l.append(1000.0 * passed_m3)
            run.syrup_c.append(stack.outlet_c)
        strokes_made = made
        run.fill = frames.fill
        hot = run.ready_s is not None
        stopped = operator.look(shown_l_min, at_s=t, hot=hot, fill=frames.fill, paused=paused)
    if stopped:
        run.ended_by = "frames" if run.fill > NEARLY_FULL else "pressure"
    return run


READY_C = 82.2222
NEARLY_FULL = 0.93


def _pan(setup: Setup, pan_c: float, t: float) -> float:
    pan_c += setup.pan_drift_c_h * DT_S / 3600.0
    if setup.refill_s is not None and t >= setup.refill_s:
        if t < setup.refill_s + DT_S:
            pan_c -= 5.0
        pan_c += (setup.pan_c - pan_c) * DT_S / 240.0
    return pan_c


def invent(seed: int) -> Setup:
    """Return a random press, syrup and operator: an ordinary run, sometimes with a hitch."""
    rng = random.Random(seed)  # noqa: S311 - invented data
    frames = rng.choice((2, 3, 4, 5, 5, 6, 7, 7, 9, 12, 15))
    side = rng.uniform(0.14, 0.22)
    face = 2.0 * frames * side**2
    dose = rng.uniform(0.45, 0.9) * rng.uniform(0.036, 0.052) / 3.785e-3
    sand = rng.uniform(0.3, 2.5)
    # The flow that one is used to on a clean hot press decides how resistant a cake they meet.
    top_flow = face * rng.uniform(13.0, 24.0)
    setup = Setup(
        seed=seed,
        frames=frames,
        side_m=side,
        uneven=rng.uniform(0.01, 0.05),
        cake_kg_m3=rng.uniform(260.0, 340.0),
        solids_kg_m3=dose + sand,
        dose_drift=rng.gauss(0.0, 0.12),
        alpha=(10 ** rng.uniform(10.1, 10.7) * dose + 10 ** rng.uniform(11.3, 12.2) * sand) / (dose + sand),
        compressibility=rng.uniform(0.15, 0.45),
        paper_per_m=10 ** rng.uniform(9.9, 10.6),
        pan_c=rng.uniform(84.5, 91.0),
        pan_drift_c_h=rng.gauss(0.0, 1.5),
        room_c=rng.uniform(2.0, 22.0),
        plate_kj_k=1000.0 * side**2 * rng.uniform(0.08, 0.3),
        stack_ntu=rng.uniform(0.7, 3.0),
        series=rng.random() < 0.3,
        end_plate_kj_k=1000.0 * side**2 * rng.uniform(0.05, 0.3),
        touch_w_k=rng.uniform(3.0, 20.0),
        loss_w_k=side**2 * rng.uniform(20.0, 60.0),
        start_kpa=KPA_PSI * rng.uniform(25.0, 50.0),
        top_kpa=KPA_PSI * rng.uniform(78.0, 87.0),
        step_kpa=KPA_PSI * rng.uniform(5.0, 14.0),
        wanted_share=rng.uniform(0.65, 0.95),
        patience_s=rng.uniform(15.0, 150.0),
        top_flow_l_min=top_flow,
        stop_share=rng.uniform(0.12, 0.27),
        displacement_l=rng.uniform(0.03, 0.1),
        displacement_error=rng.gauss(0.0, 0.015),
        reading_error=max(-0.3, min(0.3, rng.gauss(0.0, 0.12))),
        lag_s=rng.uniform(6.0, 18.0),
        bias_c=rng.uniform(-0.4, 0.4),
        pressure_noise_kpa=rng.uniform(1.0, 20.0),
    )
    hitch = rng.random()
    if hitch < 0.08:
        setup = replace(setup, missing=(rng.uniform(100.0, 900.0), 60.0))
    elif hitch < 0.16:
        setup = replace(setup, pauses=((rng.uniform(300.0, 900.0), rng.uniform(20.0, 120.0)),))
    elif hitch < 0.22:
        setup = replace(setup, refill_s=rng.uniform(500.0, 1200.0))
    elif hitch < 0.28:
        setup = replace(setup, meter=True)
    elif hitch < 0.32:
        setup = replace(setup, kind="gear", meter=True, top_flow_l_min=0.6 * top_flow)
    return setup
