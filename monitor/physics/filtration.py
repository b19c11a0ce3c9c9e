"""Cake filtration: how flow, pressure, volume and time hang together while a cake grows.

The law is dV/dt = A dP / (mu (alpha c V / A + Rm)): cake and papers in series, each
resisting in proportion to viscosity. At constant pressure it makes a parabola,
t = (Kp / 2) V^2 + B V, and everything here is that law, turned to what is asked.

Source of all of it: Ruth's equation as Geankoplis, *Transport Processes and Unit
Operations*, ch. 14, and Coulson and Richardson, *Chemical Engineering*, vol. 2, have it
(chapters from memory; the tests hold it to problems of both).
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.physics.validity import LEAST, Value, not_negative, positive, within

COMPRESSIBILITY_LIMIT = 1.5
"""Largest exponent s that is taken [1] (ours: published cakes lie between 0 and about 1.2, from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Filtration:
    """What is filtered through what; raises ``ValueError`` on a value that cannot be.

    Attributes:
        area_m2: A, filtering area of all papers [m2].
        viscosity_pa_s: mu of the filtrate [Pa s].
        alpha_m_kg: specific resistance of the cake [m/kg].
        solids_kg_m3: c, dry solids laid down per volume of filtrate [kg/m3].
        medium_per_m: Rm, resistance of papers and fittings [1/m].
    """

    area_m2: float
    viscosity_pa_s: float
    alpha_m_kg: float
    solids_kg_m3: float
    medium_per_m: float

    def __post_init__(self) -> None:
        positive(self.area_m2, name="area", unit="m2")
        positive(self.viscosity_pa_s, name="viscosity", unit="Pa s")
        positive(self.alpha_m_kg, name="alpha", unit="m/kg")
        positive(self.solids_kg_m3, name="solids", unit="kg/m3")
        not_negative(self.medium_per_m, name="medium resistance", unit="1/m")


def cake_factor(filtration: Filtration, *, pressure_pa: float) -> float:
    """Return Kp, what the cake adds to the time at constant pressure [s/m6].

    Kp = mu alpha c / (A^2 dP)

    Args:
        filtration: what is filtered through what.
        pressure_pa: dP over the press [Pa], over zero.

    Raises:
        ValueError: the pressure is not a number over zero.

    >>> press = Filtration(area_m2=0.0439, viscosity_pa_s=8.937e-4, alpha_m_kg=1.863e11,
    ...                    solids_kg_m3=23.47, medium_per_m=1.063e11)
    >>> f"{cake_factor(press, pressure_pa=338e3):.2e}"
    '6.00e+06'
    """
    pressure = positive(pressure_pa, name="pressure", unit="Pa")
    product = filtration.viscosity_pa_s * filtration.alpha_m_kg * filtration.solids_kg_m3
    return product / (filtration.area_m2 * filtration.area_m2 * pressure)


def medium_factor(filtration: Filtration, *, pressure_pa: float) -> float:
    """Return B, what papers and fittings add to the time at constant pressure [s/m3].

    B = mu Rm / (A dP)

    Args:
        filtration: what is filtered through what.
        pressure_pa: dP over the press [Pa], over zero.

    Raises:
        ValueError: the pressure is not a number over zero.

    >>> press = Filtration(area_m2=0.0439, viscosity_pa_s=8.937e-4, alpha_m_kg=1.863e11,
    ...                    solids_kg_m3=23.47, medium_per_m=1.063e11)
    >>> round(medium_factor(press, pressure_pa=338e3))
    6402
    """
    pressure = positive(pressure_pa, name="pressure", unit="Pa")
    return filtration.viscosity_pa_s * filtration.medium_per_m / (filtration.area_m2 * pressure)


def flow(filtration: Filtration, *, pressure_pa: float, volume_m3: Value) -> Value:
    """Return the flow that a pressure drives once a volume has been filtered [m3/s].

    Q = A dP / (mu (alpha c V / A + Rm))

    Args:
        filtration: what is filtered through what.
        pressure_pa: dP over the press [Pa], over zero.
        volume_m3: V filtered so far [m3], float or array, not under zero; over zero where Rm is none.

    Raises:
        ValueError: an argument is outside its range or not finite.

    >>> press = Filtration(area_m2=0.0439, viscosity_pa_s=8.937e-4, alpha_m_kg=1.863e11,
    ...                    solids_kg_m3=23.47, medium_per_m=1.063e11)
    >>> f"{flow(press, pressure_pa=338e3, volume_m3=4.48931e-3):.3e}"
    '3.000e-05'
    """
    if filtration.medium_per_m >= LEAST:
        volume = not_negative(volume_m3, name="volume", unit="m3")
    else:
        volume = positive(volume_m3, name="volume", unit="m3")
    kp = cake_factor(filtration, pressure_pa=pressure_pa)
    return 1.0 / (kp * volume + medium_factor(filtration, pressure_pa=pressure_pa))


def pressure_at_rate(filtration: Filtration, *, flow_m3_s: float, time_s: Value) -> Value:
    """Return the pressure that a constant flow needs after a time [Pa].

    dP = mu alpha c Q^2 t / A^2 + mu Q Rm / A

    Args:
        filtration: what is filtered through what.
        flow_m3_s: Q [m3/s], over zero.
        time_s: t since the first drop [s], float or array, not under zero.

    Raises:
        ValueError: an argument is outside its range or not finite.

    >>> press = Filtration(area_m2=0.0439, viscosity_pa_s=8.937e-4, alpha_m_kg=1.863e11,
    ...                    solids_kg_m3=23.47, medium_per_m=1.063e11)
    >>> round(pressure_at_rate(press, flow_m3_s=3.0e-5, time_s=149.64), -3)
    338000.0
    """
    rate = positive(flow_m3_s, name="flow", unit="m3/s")
    time = not_negative(time_s, name="time", unit="s")
    cake = cake_factor(filtration, pressure_pa=1.0) * rate**2
    return cake * time + medium_factor(filtration, pressure_pa=1.0) * rate


def volume_at_flow(filtration: Filtration, *, pressure_pa: float, flow_m3_s: float) -> float:
    """Return the volume at which this pressure drives just this flow [m3]; 0 when it never drives it.

    V = (1 / Q - B) / Kp. With the starting flow it is where a constant rate meets the
    pressure limit; with the least useful flow, where the pressure limit ends a run.

    Args:
        filtration: what is filtered through what.
        pressure_pa: dP over the press [Pa], over zero.
        flow_m3_s: Q [m3/s], over zero.

    Raises:
        ValueError: an argument is not a number over zero.

    >>> press = Filtration(area_m2=0.0439, viscosity_pa_s=8.937e-4, alpha_m_kg=1.863e11,
    ...                    solids_kg_m3=23.47, medium_per_m=1.063e11)
    >>> round(1e3 * volume_at_flow(press, pressure_pa=338e3, flow_m3_s=3.0e-5), 5)
    4.48931
    """
    rate = positive(flow_m3_s, name="flow", unit="m3/s")
    left = 1.0 / rate - medium_factor(filtration, pressure_pa=pressure_pa)
    return max(0.0, left / cake_factor(filtration, pressure_pa=pressure_pa))


def time_at_pressure(
    volume_m3: Value,
    *,
    kp_s_m6: float,
    b_s_m3: float,
    switch_volume_m3: float = 0.0,
    switch_time_s: float = 0.0,
) -> Value:
    """Return when a volume is through at constant pressure, from the start or after a constant rate [s].

    t = t1 + (Kp / 2) (V^2 - V1^2) + B (V - V1)

    Args:
        volume_m3: V in all [m3], float or array, not under ``switch_volume_m3``.
        kp_s_m6: Kp [s/m6], not under zero.
        b_s_m3: B [s/m3], not under zero.
        switch_volume_m3: V1, filtered before the pressure became constant [m3], not under zero.
        switch_time_s: t1, when that was [s], not under zero.

    Raises:
        ValueError: an argument is outside its range or not finite.

    >>> round(time_at_pressure(5.009e-3, kp_s_m6=6.0e6, b_s_m3=6400.0), 1)
    107.3
    >>> round(time_at_pressure(1.0, kp_s_m6=6400.0, b_s_m3=800.0, switch_volume_m3=0.25,
    ...                        switch_time_s=600.0), 6)
    4200.0
    """
    kp, b = _factors(kp_s_m6, b_s_m3)
    before = not_negative(switch_volume_m3, name="switch volume", unit="m3")
    start = not_negative(switch_time_s, name="switch time", unit="s")
    volume = not_negative(volume_m3, name="volume", unit="m3")
    more = not_negative(volume - before, name="volume after the switch", unit="m3")
    return start + more * (b + kp * (before + 0.5 * more))


def volume_at_pressure(
    time_s: Value,
    *,
    kp_s_m6: float,
    b_s_m3: float,
    switch_volume_m3: float = 0.0,
    switch_time_s: float = 0.0,
) -> Value:
    """Return what is through by a time at constant pressure, from the start or after a constant rate [m3].

    The root of :func:`time_at_pressure`: V = V1 + 2 u / (b + sqrt(b^2 + 2 Kp u)), where
    u = t - t1 and b = B + Kp V1; this form keeps its digits where Kp is small.

    Args:
        time_s: t [s], float or array, not under ``switch_time_s``.
        kp_s_m6: Kp [s/m6], not under zero.
        b_s_m3: B [s/m3], over zero: without papers and cake nothing limits the first flow.
        switch_volume_m3: V1, filtered before the pressure became constant [m3], not under zero.
        switch_time_s: t1, when that was [s], not under zero.

    Raises:
        ValueError: an argument is outside its range or not finite.

    >>> round(1e3 * volume_at_pressure(107.3, kp_s_m6=6.0e6, b_s_m3=6400.0), 2)
    5.01
    """
    kp, b = _factors(kp_s_m6, b_s_m3)
    before = not_negative(switch_volume_m3, name="switch volume", unit="m3")
    start = not_negative(switch_time_s, name="switch time", unit="s")
    time = not_negative(time_s, name="time", unit="s")
    later = not_negative(time - start, name="time after the switch", unit="s")
    first = positive(b + kp * before, name="B + Kp V1", unit="s/m3")
    root: Value = (first * first + 2.0 * kp * later) ** 0.5
    return before + 2.0 * later / (first + root)


def resistance(*, pressure_pa: Value, viscosity_pa_s: Value, flow_m3_s: Value) -> Value:
    """Return the resistance of cake, papers and fittings together [1/m3].

    R = dP / (mu Q)

    Args:
        pressure_pa: dP over the press [Pa], float or array, not under zero.
        viscosity_pa_s: mu of what flows [Pa s], float or array, over zero.
        flow_m3_s: Q [m3/s], float or array, over zero: with no flow it is unknown.

    Raises:
        ValueError: an argument is outside its range or not finite.

    Source: Darcy's law.

    >>> f"{resistance(pressure_pa=2.0e5, viscosity_pa_s=0.01, flow_m3_s=1.0e-4):.3g}"
    '2e+11'
    """
    pressure = not_negative(pressure_pa, name="pressure", unit="Pa")
    viscosity = positive(viscosity_pa_s, name="viscosity", unit="Pa s")
    return pressure / (viscosity * positive(flow_m3_s, name="flow", unit="m3/s"))


def resistance_per_m(*, pressure_pa: Value, viscosity_pa_s: Value, flow_m3_s: Value, area_m2: float) -> Value:
    """Return the resistance of cake, papers and fittings over the whole area [1/m].

    R = A dP / (mu Q) = alpha c V / A + Rm, which can be compared between presses.

    Args:
        pressure_pa: dP over the press [Pa], float or array, not under zero.
        viscosity_pa_s: mu of what flows [Pa s], float or array, over zero.
        flow_m3_s: Q [m3/s], float or array, over zero.
        area_m2: A, filtering area of all papers [m2], over zero.

    Raises:
        ValueError: an argument is outside its range or not finite.

    Source: Darcy's law.

    >>> f"{resistance_per_m(pressure_pa=2.0e5, viscosity_pa_s=0.01, flow_m3_s=1.0e-4, area_m2=0.25):.3g}"
    '5e+10'
    """
    area = positive(area_m2, name="area", unit="m2")
    return area * resistance(pressure_pa=pressure_pa, viscosity_pa_s=viscosity_pa_s, flow_m3_s=flow_m3_s)


def at_reference_pressure(
    resistance: Value,
    *,
    pressure_pa: Value,
    reference_pa: float,
    compressibility: float,
    clean_resistance: float = 0.0,
) -> Value:
    """Return what a resistance would be at another pressure [unit of ``resistance``].

    R_ref = R0 + (R - R0) (dP_ref / dP)^s: the cake gives way as alpha ~ dP^s, the papers do not.

    Args:
        resistance: R seen at ``pressure_pa`` [1/m3 or 1/m], float or array, not under zero.
        pressure_pa: dP [Pa], float or array, over zero.
        reference_pa: dP_ref [Pa], over zero.
        compressibility: s [1], 0 (stiff cake) to 1.5.
        clean_resistance: R0 of papers and fittings [unit of ``resistance``], not under zero.

    Raises:
        ValueError: an argument is outside its range or not finite.

    Source: the power law of cake resistance, as Geankoplis, ch. 14, has it (from memory).

    >>> round(at_reference_pressure(4.0, pressure_pa=4.0e5, reference_pa=1.0e5, compressibility=0.5), 9)
    2.0
    """
    seen = not_negative(resistance, name="resistance", unit="")
    pressure = positive(pressure_pa, name="pressure", unit="Pa")
    reference = positive(reference_pa, name="reference pressure", unit="Pa")
    exponent = within(compressibility, 0.0, COMPRESSIBILITY_LIMIT, name="compressibility", unit="of 1")
    clean = not_negative(clean_resistance, name="clean resistance", unit="")
    stiffer: Value = (reference / pressure) ** exponent
    return clean + (seen - clean) * stiffer


def _factors(kp_s_m6: float, b_s_m3: float) -> tuple[float, float]:
    return (
        not_negative(kp_s_m6, name="Kp", unit="s/m6"),
        not_negative(b_s_m3, name="B", unit="s/m3"),
    )
