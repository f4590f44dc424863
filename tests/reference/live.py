"""Prints fresh reference figures for tests/reference/live.rs.

python3 live.py psychrolib|coolprop|scipy|ranks|ioos_qc|icalendar|metpy|refet

Points are drawn from a seed, so that a failure can be repeated. CSV, except
for ioos_qc: one JSON object a line, with the keys of qartod_vectors.json; and
for icalendar, which reads a calendar from standard input: one JSON object an event."""

import json
import random
import sys
import warnings

warnings.filterwarnings("ignore")
SEED = 20261125


def psychrolib():
    import psychrolib as psy

    psy.SetUnitSystem(psy.SI)
    draw = random.Random(SEED)
    print("celsius,humidity,saturation_pa,deficit_pa,dew_c")
    for _ in range(400):
        t, rh = round(draw.uniform(0.5, 45), 3), round(draw.uniform(5, 100), 3)
        es = psy.GetSatVapPres(t)
        dew = psy.GetTDewPointFromRelHum(t, rh / 100)
        print(f"{t},{rh},{es!r},{es * (1 - rh / 100)!r},{dew!r}")


def coolprop():
    from CoolProp.CoolProp import PropsSI
    from CoolProp.HumidAirProp import HAPropsSI

    draw = random.Random(SEED)
    print("celsius,humidity,saturation_pa,dew_c,sound_m_s")
    for _ in range(200):
        t, rh = round(draw.uniform(1, 45), 3), round(draw.uniform(20, 100), 3)
        k = t + 273.15
        es = PropsSI("P", "T", k, "Q", 0, "Water")
        dew = HAPropsSI("D", "T", k, "R", rh / 100, "P", 101325) - 273.15
        print(f"{t},{rh},{es!r},{dew!r},{PropsSI('A', 'T', k, 'P', 101325, 'Air')!r}")


def scipy():
    from scipy.stats import theilslopes

    draw = random.Random(SEED)
    print("slope,low,high,intercept,hours,values")
    for case in range(200):
        n = draw.randint(3, 60)
        # Coarse steps make ties in time and value, which enter Sen's interval.
        t = sorted(round(draw.uniform(0, 24), case % 3) for _ in range(n))
        y = [round(20 + draw.uniform(-1, 1) * 0.3 * h + draw.gauss(0, 0.5), 1 + case % 3) for h in t]
        if t[0] == t[-1]:
            continue
        slope, intercept, low, high = theilslopes(y, t, 0.95)
        print(f"{slope},{low},{high},{intercept},{';'.join(map(repr, t))},{';'.join(map(repr, y))}")


def metpy():
    from metpy.calc import dewpoint_from_relative_humidity, saturation_vapor_pressure
    from metpy.units import units

    draw = random.Random(SEED)
    print("celsius,humidity,dew_c,deficit_pa")
    for _ in range(200):
        t, rh = round(draw.uniform(10, 35), 3), round(draw.uniform(30, 100), 3)
        air = units.Quantity(t, "degC")
        dew = dewpoint_from_relative_humidity(air, units.Quantity(rh, "percent")).to("degC").magnitude
        es = saturation_vapor_pressure(air).to("Pa").magnitude
        print(f"{t},{rh},{float(dew)!r},{float(es) * (1 - rh / 100)!r}")


def refet():
    from refet import calcs

    # The standardized equation's own terms for an hour of short grass by day (ASCE 2005, table 1):
    # aerodynamic resistance 208 / wind, surface resistance 50 s/m, which make Cn 37 and Cd 0.24.
    draw = random.Random(SEED)
    psychrometric = 0.000665 * calcs.air_pressure(0.0)
    print("celsius,humidity,watts,wind,grams")
    for _ in range(300):
        t, rh = round(draw.uniform(8, 38), 3), round(draw.uniform(20, 98), 3)
        watts, wind = round(draw.uniform(0, 400), 1), round(draw.uniform(0.2, 5), 2)
        lacking = calcs.sat_vapor_pressure(t) * (1 - rh / 100)
        mm = calcs.etsz(watts * 0.0036, 0.0, t, wind, lacking, calcs.es_slope(t), psychrometric, 37.0, 0.24)
        print(f"{t},{rh},{watts},{wind},{1000 * mm.item()!r}")


def ranks():
    import numpy as np
    from scipy.stats import permutation_test, spearmanr

    draw = random.Random(SEED)
    print("rho,p_exact,p_large,x,y")
    for case in range(60):
        n = draw.randint(3, 6) if case % 2 else draw.randint(20, 60)
        # Every third case has ties on both sides.
        digits = 0 if case % 3 == 0 else 3
        x = [round(draw.uniform(40, 46 if digits == 0 else 90), digits) for _ in range(n)]
        y = [round(0.3 * draw.choice([-1, 0, 1]) * v + draw.gauss(0, 3), digits) for v in x]
        if len(set(x)) < 2 or len(set(y)) < 2:
            continue
        rho, large = spearmanr(x, y)
        exact = ""
        if n <= 6:
            # Two-sided by distance from zero; scipy's own "two-sided" doubles one side, which
            # is another number where ties make the sides unlike.
            far = lambda order: abs(spearmanr(order, y).statistic)
            exact = permutation_test(
                (np.array(x),), far, permutation_type="pairings", n_resamples=np.inf, alternative="greater"
            ).pvalue
        print(f"{rho},{exact},{large},{';'.join(map(repr, x))},{';'.join(map(repr, y))}")


def icalendar():
    import icalendar as ical

    calendar = ical.Calendar.from_ical(sys.stdin.buffer.read())
    broken = [str(problem) for part in calendar.walk() for problem in part.errors]
    for event in calendar.walk("VEVENT"):
        required = [name for name in event.required if name not in event]
        alarms = [str(alarm["TRIGGER"].to_ical(), "ascii") for alarm in event.walk("VALARM")]
        print(
            json.dumps(
                dict(
                    broken=broken + required,
                    calendar=str(calendar["NAME"]),
                    uid=str(event["UID"]),
                    summary=str(event["SUMMARY"]),
                    location=str(event["LOCATION"]),
                    status=str(event["STATUS"]),
                    sequence=int(event["SEQUENCE"]),
                    starts=event.decoded("DTSTART").isoformat(),
                    ends=event.decoded("DTEND").isoformat(),
                    stamp=event.decoded("DTSTAMP").isoformat(),
                    alarms=alarms,
                )
            )
        )


def ioos_qc():
    import numpy as np
    from ioos_qc import qartod as q

    draw = random.Random(SEED)

    def say(test, values, found, **keys):
        values = [None if v != v else v for v in values]
        print(json.dumps(dict(test=test, name="live", input=values, flags=[int(f) for f in np.ma.filled(found, 9)], **keys)))

    for _ in range(60):
        n = draw.randint(3, 60)
        x = [round(20 + draw.gauss(0, 1.5), 1) for _ in range(n)]
        for i in range(n):
            if draw.random() < 0.3:
                x[i] = x[i - 1] if i else x[i]
        for i in range(n):
            roll = draw.random()
            x[i] = float("nan") if roll < 0.07 else x[i] + 30 if roll > 0.95 else x[i]
        if all(v != v for v in x):
            continue
        t = [60 * i for i in range(n)]
        for i in range(1, n):
            t[i] += draw.randint(-20, 20)
        at = np.array(t)
        say("gross_range", x, q.gross_range_test(x, (-10, 50), (5, 22)), fail=[-10, 50], suspect=[5, 22])
        say("rate_of_change", x, q.rate_of_change_test(x, at, 0.03, 0.2), t=t, suspect_per_s=0.03, fail_per_s=0.2)


if __name__ == "__main__":
    try:
        {f.__name__: f for f in (psychrolib, coolprop, scipy, ranks, ioos_qc, icalendar, metpy, refet)}[sys.argv[1]]()
    except ImportError as missing:
        sys.exit(f"{missing}. The live comparison needs: pip install psychrolib CoolProp ioos_qc scipy metpy refet icalendar")
