#!/usr/bin/env python3
"""Checks carrylog-health against general-purpose libraries on open data.

Asks `cargo run -p carrylog-health --example reference_values` and computes every reference value
independently with numpy, scipy, statsmodels and lifelines (tests/requirements.txt). Prints one line a
check: ours, reference, relative difference, tolerance, source. Ends with status 1 if one fails.

Data: fixtures/published (see its README), what lifelines and statsmodels ship, and, where it exists, the
data folder ../shared/data beside the repository; checks that need it print SKIPPED without it.

Tolerances and why: closed forms 1e-9 (both sides round differently in the last digits only);
kriging, parabolas and shrunk slopes 1e-7 (the reference inverts dense matrices whose condition is up to 1e8);
integrals over real data 1e-3 of the reference, which is numpy's trapezoid over the rows that the source's
own step or mode column marks, not our phases; iterative fits 1e-6 (both sides stop within it),
lifelines' interval fits 1e-5 and MixedLM 5e-4 (what their optimisers leave);
values that a source states are rounded by the source, so their tolerance says so; Monte Carlo 2 %
(a standard deviation of 40,000 draws is known to 0.4 %).
"""

import argparse
import json
import math
import subprocess
import sys
from pathlib import Path

import lifelines
import lifelines.datasets
import numpy as np
import pandas as pd
import scipy
import statsmodels
import statsmodels.api as sm
from scipy import optimize, special, stats

ROOT = Path(__file__).resolve().parent.parent
FIXTURES = ROOT / "fixtures" / "published"

parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
parser.add_argument("--program", help="a built reference_values; without it cargo builds and runs it")
parser.add_argument("--data", type=Path, default=ROOT.parent / "shared" / "data", help="folder of data that may not stand in the repository")
CHOSEN = parser.parse_args()

CLOSED, KRIGED, INTEGRAL, ITERATIVE = 1e-9, 1e-7, 1e-3, 1e-6

questions, checks, skipped = [], [], []


def ask(kind, **what):
    """Queues a question; the answer is at the returned index once all are asked."""
    clean = {k: np.asarray(v, dtype=float).tolist() if isinstance(v, (list, np.ndarray, pd.Series)) else v
             for k, v in what.items()}
    questions.append({"ask": kind, **clean})
    return len(questions) - 1


def check(name, ours, reference, tolerance, source):
    """Queues a comparison; `ours` maps all answers to a number or a list of them."""
    checks.append((name, ours, reference, tolerance, source))


def beside(name):
    path = CHOSEN.data / name
    if path.exists():
        return path
    skipped.append(name)
    return None


def trace_columns(frame):
    columns = {"time": frame["Test Time / s"], "current": frame["Current / A"], "voltage": frame["Voltage / V"]}
    if "Temperature T1 / degC" in frame:
        columns["temperature"] = frame["Temperature T1 / degC"]
    return columns


def trapezoid(frame):
    """Charge in Ah and energy in Wh over all rows of a frame, positive = into the unit."""
    t, i, u = (frame[c].to_numpy() for c in ("Test Time / s", "Current / A", "Voltage / V"))
    return np.trapezoid(i, t) / 3600, np.trapezoid(u * i, t) / 3600


def runs(frame, key):
    """Consecutive rows with one value of `key`."""
    return [g for _, g in frame.groupby((frame[key] != frame[key].shift()).cumsum())]


# --- traces -----------------------------------------------------------------------------------------


def lfp_cell():
    frame = pd.read_csv(FIXTURES / "lfp_cell_2cycles.bdf.csv")
    q = ask("trace", **trace_columns(frame))
    source = "numpy trapezoid over step 12"
    stated = "tester's counter (battery-data-toolkit 0.4.6)"
    discharges = [g for g in runs(frame, "Step Index / 1") if g["Step Index / 1"].iloc[0] == 12]
    for k, (rows, (ah, wh)) in enumerate(zip(discharges, [(1.072360, 3.254231), (1.072909, 3.260661)])):
        charge, energy = trapezoid(rows)
        ours = lambda a, key, k=k, q=q: [p for p in a[q]["phases"] if p["kind"] == "Discharge"][k][key]
        check(f"LFP discharge {k + 1}, Ah", lambda a, o=ours: o(a, "ah"), -charge, INTEGRAL, source)
        check(f"LFP discharge {k + 1}, Wh", lambda a, o=ours: o(a, "wh"), -energy, INTEGRAL, source)
        check(f"LFP discharge {k + 1}, Ah", lambda a, o=ours: o(a, "ah"), ah, 1e-3, stated)
        check(f"LFP discharge {k + 1}, Wh", lambda a, o=ours: o(a, "wh"), wh, 2e-3, stated)
    second = frame[frame["Cycle Count / 1"] == 2]
    charges = [g for g in runs(second, "Step Index / 1") if g["Step Index / 1"].iloc[0] in (7, 8, 11)]
    within = sum(trapezoid(g)[0] for g in charges)
    check("LFP charge of cycle 2, Ah", lambda a, q=q: a[q]["cycles"][0][0], within, INTEGRAL, "numpy, within steps 7, 8, 11")
    check("LFP charge of cycle 2, Ah", lambda a, q=q: a[q]["cycles"][0][0], 1.072532, 5e-3, stated)
    check("LFP coulombic efficiency", lambda a, q=q: a[q]["cycles"][0][1], 1.00035, 5e-3, stated)
    check("LFP energy efficiency", lambda a, q=q: a[q]["cycles"][0][2], 0.86816, 5e-3, stated)
    check("LFP half cycles refused", lambda a, q=q: sum("half cycle" in r for r in a[q]["refused"]), 1, 0, "cycle 1 lacks its charge")
    last = discharges[-1]
    t, c = last["Test Time / s"].to_numpy(), last["Temperature T1 / degC"].to_numpy()
    check("LFP mean temperature, °C", lambda a, q=q: a[q]["mean_temperature_c"], np.trapezoid(c, t) / (t[-1] - t[0]), CLOSED, "numpy")
    check("LFP highest temperature, °C", lambda a, q=q: a[q]["max_temperature_c"], frame["Temperature T1 / degC"].max(), CLOSED, "numpy")
    # Time from 20 % to 90 %: charge put in after the first discharge, against what that gave.
    total, times = -trapezoid(discharges[0])[0], []
    put_in, clock = [0.0], [charges[0]["Test Time / s"].iloc[0]]
    for rows in charges:
        t, i = rows["Test Time / s"].to_numpy(), rows["Current / A"].to_numpy()
        steps = np.diff(t) * (i[1:] + i[:-1]) / 2 / 3600
        put_in += list(put_in[-1] + np.cumsum(steps))
        clock += list(t[1:])
    times = np.interp([0.2 * total, 0.9 * total], put_in, clock)
    check("LFP time from 20 % to 90 %, s", lambda a, q=q: a[q]["charge_20_to_90_s"], times[1] - times[0], INTEGRAL, "numpy")
    onset = ask("steps", **trace_columns(frame), rows=[discharges[0].index[0] - 1, discharges[1].index[0] - 1])
    for k, rows in enumerate(discharges):
        a, b = frame.loc[rows.index[0] - 1], rows.iloc[0]
        ohms = (b["Voltage / V"] - a["Voltage / V"]) / (b["Current / A"] - a["Current / A"])
        check(f"LFP onset resistance {k + 1}, Ω", lambda r, k=k: r[onset][k], ohms, CLOSED, "neighbouring rows")


def ev_cell():
    frame = pd.read_csv(FIXTURES / "ev_cell_1c_5discharges.bdf.csv")
    q = ask("trace", **trace_columns(frame), end_voltage=3.0)
    discharges = [g for g in runs(frame, "Mode") if g["Mode"].iloc[0] == "DCHG"]
    stated = [(30.33, 113.84), (30.34, 113.85), (30.30, 113.70), (30.29, 113.66)]
    check("EV discharges found", lambda a, q=q: sum(p["kind"] == "Discharge" for p in a[q]["phases"]), len(stated), 0, "the source's mode column")
    for k, (rows, (ah, wh)) in enumerate(zip(discharges, stated)):
        charge, energy = trapezoid(rows)
        ours = lambda a, key, k=k, q=q: [p for p in a[q]["phases"] if p["kind"] == "Discharge"][k][key]
        check(f"EV discharge {k + 1}, Ah", lambda a, o=ours: o(a, "ah"), -charge, INTEGRAL, "numpy trapezoid over DCHG rows")
        check(f"EV discharge {k + 1}, Wh", lambda a, o=ours: o(a, "wh"), -energy, INTEGRAL, "numpy trapezoid over DCHG rows")
        check(f"EV discharge {k + 1}, Ah", lambda a, o=ours: o(a, "ah"), ah, 1e-3, "tester's step counter (celljar 0.2.1)")
        check(f"EV discharge {k + 1}, Wh", lambda a, o=ours: o(a, "wh"), wh, 2e-3, "tester's step counter (celljar 0.2.1)")
    monte_carlo(frame)


def monte_carlo(frame):
    """Draws errors of the readings (JCGM 101) and compares the spread with the budget (JCGM 100)."""
    end = 3.535
    limits = dict(current_relative=2e-3, current_offset=0.02, voltage_relative=2e-4, voltage_offset=1e-3, time_relative=1e-4)
    q = ask("discharge_uncertainty", **trace_columns(frame), end_voltage=end, **limits)
    rows = [g for g in runs(frame, "Mode") if g["Mode"].iloc[0] == "DCHG"][-1]
    t, i, u = (rows[c].to_numpy() for c in ("Test Time / s", "Current / A", "Voltage / V"))
    rng = np.random.default_rng(1)
    draws = 40_000
    gi, oi, gu, ou, gt = (rng.uniform(-1, 1, draws) * limits[k] for k in
                          ("current_relative", "current_offset", "voltage_relative", "voltage_offset", "time_relative"))
    # A reading is value·(1 + gain) + offset; what would have been found with true readings.
    k = int(np.argmax(u <= end))
    capacity, energy = np.empty(draws), np.empty(draws)
    for d in range(draws):
        tt, ii, uu = t * (1 + gt[d]), i * (1 + gi[d]) + oi[d], u * (1 + gu[d]) + ou[d]
        j = int(np.argmax(uu <= end)) or len(uu) - 1
        f = (uu[j - 1] - end) / (uu[j - 1] - uu[j])
        tx, ix, ux = tt[:j + 1].copy(), ii[:j + 1].copy(), uu[:j + 1].copy()
        for x in (tx, ix, ux):
            x[j] = x[j - 1] + f * (x[j] - x[j - 1])
        capacity[d], energy[d] = -np.trapezoid(ix, tx) / 3600, -np.trapezoid(ux * ix, tx) / 3600
    assert 0 < k < len(u) - 2, "the crossing must not lie at the end of the rows"
    check("EV capacity, standard uncertainty, Ah", lambda a, q=q: a[q][2], capacity.std(), 2e-2, f"Monte Carlo, {draws} draws (JCGM 101)")
    check("EV energy, standard uncertainty, Wh", lambda a, q=q: a[q][3], energy.std(), 2e-2, f"Monte Carlo, {draws} draws (JCGM 101)")


def pulses():
    if path := beside("ev_cell_pulses_25C.bdf.csv"):
        frame = pd.read_csv(path)
        q = ask("trace", **trace_columns(frame))
        modes = [g for g in runs(frame.assign(key=frame["Mode"] + frame["Step Index / 1"].astype(str)), "key") if g["Mode"].iloc[0] == "DCHG"]
        within = -sum(trapezoid(g)[0] for g in modes)
        ours = lambda a, q=q: sum(p["ah"] for p in a[q]["phases"] if p["kind"] == "Discharge")
        check("EV pulses, discharged Ah", ours, within, INTEGRAL, "numpy trapezoid over DCHG rows")
        counter = -sum(g["Step Capacity / Ah"].iloc[-1] for g in modes)
        check("EV pulses, discharged Ah", ours, counter + 0.005 * len(modes), 0.005 * len(modes) / counter, "tester's counters, cut to 0.01 Ah")
        first = [g.index[0] for g in modes if g["Current / A"].iloc[0] < -20]
        v, c, t = (frame[n].to_numpy() for n in ("Voltage / V", "Current / A", "Test Time / s"))
        for delay in (None, 10.0, 30.0):
            s = ask("steps", **trace_columns(frame), rows=[k - 1 for k in first], delay=delay)
            for n, k in enumerate(first):
                at = k if delay is None else int(np.argmin(abs(t - (t[k - 1] + delay))))
                ohms = (v[at] - v[k - 1]) / (c[at] - c[k - 1])
                words = "first row" if delay is None else f"after {delay:.0f} s"
                check(f"EV pulse {n + 1}, {words}, Ω", lambda a, s=s, n=n: a[s][n], ohms, CLOSED, "neighbouring rows")
    if path := beside("single_resistor_pulses.bdf.csv"):
        frame = pd.read_csv(path)
        q = ask("trace", **trace_columns(frame))
        check("exact resistor, charge in, Ah", lambda a, q=q: a[q]["throughput"][0], 1.0552315, 1e-7, "data sheet of the set, 8 digits")
        check("exact resistor, charge out, Ah", lambda a, q=q: a[q]["throughput"][1], 1.0546759, 1e-7, "data sheet of the set, 8 digits")
        t, i = frame["Test Time / s"].to_numpy(), frame["Current / A"].to_numpy()
        # Split at zero current, as np.trapezoid on a grid that holds every zero.
        zeros = [t[k] + (t[k + 1] - t[k]) * i[k] / (i[k] - i[k + 1]) for k in range(len(t) - 1) if i[k] * i[k + 1] < 0]
        grid = np.unique(np.concatenate([t, zeros]))
        on = np.interp(grid, t, i)
        check("exact resistor, charge in, Ah", lambda a, q=q: a[q]["throughput"][0], np.trapezoid(np.maximum(on, 0), grid) / 3600, CLOSED, "numpy, split at zero")
        s = ask("steps", **trace_columns(frame), rows=[900, 950, 1000, 1900])
        for n, (row, true) in enumerate(zip([900, 950, 1000, 1900], [0.1] * 4)):
            check(f"exact resistor, step {n + 1}, Ω", lambda a, s=s, n=n: a[s][n], true, 6e-3, "the resistor is 0.1 Ω; charge drifts in 2 s")
    for name in ("B0028_discharge01", "B0029_discharge01", "B0032_discharge01", "B0032_discharge40"):
        if path := beside(f"nasa_{name}.bdf.csv"):
            frame = pd.read_csv(path)
            q = ask("to_first_row_below", **trace_columns(frame), end_voltage=2.7)
            stated = {"B0028_discharge01": 1.804685, "B0029_discharge01": 1.697507, "B0032_discharge01": 1.704864, "B0032_discharge40": 1.635800}
            k = int(np.argmax(frame["Voltage / V"].to_numpy() < 2.7))
            charge, energy = trapezoid(frame.iloc[: k + 1])
            check(f"{name}, Ah to 2.7 V", lambda a, q=q: a[q][0], -charge, CLOSED, "numpy, to the first row below")
            check(f"{name}, Wh to 2.7 V", lambda a, q=q: a[q][1], -energy, CLOSED, "numpy, to the first row below")
            check(f"{name}, Ah to 2.7 V", lambda a, q=q: a[q][0], stated[name], 1e-5, "the set's Capacity field, 7 digits")
    if path := beside("impedance_spectrum_66.csv"):
        f, re, im = np.loadtxt(path, delimiter=",", unpack=True)
        q = ask("spectrum", f=f, re=re, im=im)
        k = int(np.argmax(np.sign(im[1:]) != np.sign(im[:-1])))
        crossing = np.interp(0.0, *zip(*sorted([(im[k], re[k]), (im[k + 1], re[k + 1])])))
        check("spectrum, real part at zero, Ω", lambda a, q=q: a[q], crossing, CLOSED, "numpy (impedance.py's example data)")


# --- lines ------------------------------------------------------------------------------------------


def norris():
    rows = np.loadtxt(FIXTURES / "Norris.dat", skiprows=60)
    y, x = rows[:, 0], rows[:, 1]
    q = ask("least_squares", x=x, y=y, at=500.0)
    certified = {"intercept": -0.262323073774029, "slope": 1.00211681802045, "intercept_error": 0.232818234301152,
                 "slope_error": 0.429796848199937e-3, "residual": 0.884796396144373}
    for key, value in certified.items():
        check(f"Norris, {key}", lambda a, q=q, k=key: a[q][k], value, CLOSED, "NIST StRD, certified")
    line("Norris", x, y, at=500.0, level=None, q=q)
    robust("Norris", x, y)


def line(name, x, y, at, level, q=None):
    q = ask("least_squares", x=x, y=y, at=at, level=level) if q is None else q
    fit = sm.OLS(y, sm.add_constant(x)).fit()
    frame = fit.get_prediction(np.array([[1.0, at]])).summary_frame(alpha=0.05).iloc[0]
    source = "statsmodels OLS"
    check(f"{name}, OLS slope", lambda a, q=q: a[q]["slope"], fit.params[1], CLOSED, source)
    check(f"{name}, OLS slope error", lambda a, q=q: a[q]["slope_error"], fit.bse[1], CLOSED, source)
    check(f"{name}, OLS at {at:g}", lambda a, q=q: a[q]["at"], frame["mean"], CLOSED, source)
    for band, ours in (("mean_ci", "mean"), ("obs_ci", "observation")):
        for side, end in enumerate(("lower", "upper")):
            check(f"{name}, {ours} interval at {at:g}, {end}", lambda a, o=ours, s=side: a[q][o][s], frame[f"{band}_{end}"], CLOSED, source)
    if level is None:
        return
    # Where the interval meets the level: a root of statsmodels' own interval, not Fieller's formula.
    def edge(point, column):
        summary = fit.get_prediction(np.array([[1.0, point]])).summary_frame(alpha=0.05)
        return summary[column].iloc[0] - level
    middle = (level - fit.params[0]) / fit.params[1]
    for band, ours in (("mean_ci", "crossing_mean"), ("obs_ci", "crossing_observation")):
        low = optimize.brentq(edge, x.mean(), middle, args=(f"{band}_lower",), xtol=1e-12, rtol=1e-13)
        high = optimize.brentq(edge, middle, middle + 20 * (middle - x.mean()), args=(f"{band}_upper",), xtol=1e-12, rtol=1e-13)
        for side, value in ((0, middle), (1, low), (2, high)):
            check(f"{name}, {ours}, {('at', 'low', 'high')[side]}", lambda a, o=ours, s=side: a[q][o][s], value, CLOSED, "statsmodels interval, brentq")


def robust(name, x, y):
    q = ask("theil_sen", x=x, y=y, confidence=0.95)
    reference = stats.theilslopes(y, x, alpha=0.95)
    values = (reference.slope, reference.intercept, reference.low_slope, reference.high_slope)
    for side, (words, value) in enumerate(zip(("slope", "intercept", "low slope", "high slope"), values)):
        check(f"{name}, Theil–Sen {words}", lambda a, q=q, s=side: a[q][s], value, CLOSED, "scipy theilslopes")


def outliers(name, x, y):
    reference = stats.theilslopes(y, x)
    residuals = y - reference.intercept - reference.slope * x
    q = ask("modified_z", y=residuals)
    off = residuals - np.median(residuals)
    z = 0.6745 * off / stats.median_abs_deviation(residuals)
    k = int(np.argmax(abs(z)))
    check(f"{name}, largest modified z", lambda a, q=q: a[q][k], z[k], CLOSED, "scipy median_abs_deviation")


def deleted(name, x, y):
    """Outlier scores: the deleted studentised residual."""
    q = ask("deleted_residuals", x=x, y=y)
    influence = sm.OLS(y, sm.add_constant(x)).fit().get_influence()
    check(f"{name}, deleted residuals", lambda a, q=q: a[q], influence.resid_studentized_external.tolist(), CLOSED, "statsmodels resid_studentized_external")


def bend(name, x, y, at):
    q = ask("parabola", x=x, y=y, at=at)
    fit = sm.OLS(y, np.vander(x, 3, increasing=True)).fit()
    frame = fit.get_prediction(np.array([[1.0, at, at * at]])).summary_frame(alpha=0.05).iloc[0]
    reference = [fit.params[2], fit.tvalues[2], frame["mean"], frame["obs_ci_lower"], frame["obs_ci_upper"]]
    check(f"{name}, parabola at {at:g}", lambda a, q=q: a[q], reference, KRIGED, "statsmodels OLS on 1, x, x²")


RATIOS = [0, 0.1, 0.2, 0.5, 1, 2, 5, 10, 30, 100, math.inf]


def kriged(x, y, at, u=0.0):
    """Dense kriging averaged over λ, and what it says of level and measurement at `at`."""
    n, step = len(x), (x[-1] - x[0]) / (len(x) - 1)
    t = (x - x[0]) / step + 1
    design = np.column_stack([np.ones(n), t])
    there = (at - x[0]) / step + 1
    rows = []
    for ratio in RATIOS:
        walk, noise = (1.0, ratio) if math.isfinite(ratio) else (0.0, 1.0)
        if ratio == 0 and u > 0:
            continue
        v = walk * np.minimum.outer(t, t) + noise * np.eye(n)
        inverse = np.linalg.inv(v)
        normal = design.T @ inverse @ design
        beta = np.linalg.solve(normal, design.T @ inverse @ y)
        r = y - design @ beta
        square = r @ inverse @ r
        scale = max(square / (n - 2), u * u / noise if noise else 0.0)
        c = walk * np.minimum(t, there)
        f = np.array([1.0, there])
        g = f - design.T @ inverse @ c
        mean = f @ beta + c @ inverse @ r
        variance = scale * (walk * there - c @ inverse @ c + g @ np.linalg.solve(normal, g))
        weight = -0.5 * (np.linalg.slogdet(v)[1] + np.linalg.slogdet(normal)[1] + (n - 2) * math.log(scale) + square / scale)
        rows.append((weight, mean, variance, scale * noise))
    weight, mean, variance, noise = map(np.array, zip(*rows))
    w = np.exp(weight - weight.max())
    w /= w.sum()
    center = w @ mean
    level, further = w @ (variance + (mean - center) ** 2), w @ (variance + (mean - center) ** 2 + noise)
    q = stats.t.ppf(0.975, n - 2)
    pair = lambda v: [center - q * math.sqrt(v), center + q * math.sqrt(v)]
    return center, pair(level), pair(further)


def wander(name, x, y, at, u=0.0):
    q = ask("local_level", x=x, y=y, at=at, noise=u)
    mean, level, further = kriged(np.asarray(x, float), np.asarray(y, float), at, u)
    source = "dense kriging in numpy, λ averaged"
    check(f"{name}, level at {at:g}", lambda a, q=q: a[q]["mean"], mean, KRIGED, source)
    check(f"{name}, interval of the level", lambda a, q=q: a[q]["level"], level, KRIGED, source)
    check(f"{name}, interval of a measurement", lambda a, q=q: a[q]["observation"], further, KRIGED, source)


def local_level():
    """One λ at a time against statsmodels' Kalman filter with exact diffuse beginning."""
    k = np.arange(10.0)
    y = np.round(41 - 0.45 * k + 0.1 * np.sin(3 * k + k * k), 3)
    wander("check series", k, y, at=16.0)
    wander("check series, u = 0.2", k, y, at=16.0, u=0.2)
    rng = np.random.default_rng(6)
    x = np.sort(rng.uniform(0, 3000, 14))
    wander("unequal steps", x, 44 - 0.002 * x + np.cumsum(rng.normal(0, 0.1, 14)) + rng.normal(0, 0.1, 14), at=x[-1] + 700)
    t = stats.t.ppf(0.975, len(k) - 2)
    for ratio in (0.2, 2.0, 30.0):
        q = ask("local_level", x=k, y=y, at=14.0, noise=0.0, ratio=ratio)
        model = sm.tsa.UnobservedComponents(y, level="local linear deterministic trend", use_exact_diffuse=True)
        # The scale is ours: the restricted likelihood's, not statsmodels' maximum.
        unit = model.smooth([ratio, 1.0]).get_forecast(5)
        scale = lambda a, q=q, r=ratio: a[q]["noise"] / r
        half = lambda a, q=q: (a[q]["observation"][1] - a[q]["observation"][0]) / 2 / t
        check(f"λ = {ratio:g}, level at 14", lambda a, q=q: a[q]["mean"], unit.predicted_mean[-1], KRIGED, "statsmodels UnobservedComponents")
        check(f"λ = {ratio:g}, variance at 14", lambda a, h=half, s=scale: h(a) ** 2 / s(a), unit.se_mean[-1] ** 2, KRIGED, "statsmodels UnobservedComponents")


def prior():
    """The fade of a part: formulas in numpy, and MixedLM where the design is balanced."""
    def told(name, unit, x, y, floor):
        return ask("fleet_prior", unit=unit, x=x, y=y, floor=floor)

    rows = []
    for j, n in zip(range(1, 7), (2, 3, 4, 6, 8, 10)):
        for k in range(n):
            rows.append((j - 1, k / 2, 41 - (0.60 + 0.08 * j) * k / 2 + 0.12 * math.sin(7.3 * j + 2.1 * k)))
    unit, x, y = (np.array(c) for c in zip(*rows))
    q = told("six units", unit, x, y, 0.0)
    slope, spread, square, degrees = [], [], 0.0, 0
    for u in range(6):
        here = unit == u
        fit = np.polynomial.polynomial.Polynomial.fit(x[here], y[here], 1).convert()
        slope.append(fit.coef[1])
        spread.append(((x[here] - x[here].mean()) ** 2).sum())
        square += ((y[here] - fit(x[here])) ** 2).sum()
        degrees += here.sum() - 2
    b, s2 = np.array(slope), square / degrees
    v = s2 / np.array(spread)
    w = 1 / v
    omega = (np.sum(w * (b - np.average(b, weights=w)) ** 2) - 5) / (w.sum() - (w**2).sum() / w.sum())
    beta = np.average(b, weights=1 / (v + omega))
    own = omega / (v + omega)
    drawn = own * b + (1 - own) * beta
    check("six units, s², ω², β", lambda a, q=q: [a[q][k] for k in ("residual", "between", "slope")], [s2, omega, beta], KRIGED, "numpy, the formulas")
    check("six units, drawn slopes", lambda a, q=q: [d[0] for d in a[q]["drawn"]], drawn.tolist(), KRIGED, "numpy, the formulas")

    # With equal checks of all units moments and restricted likelihood have one answer.
    rng = np.random.default_rng(7)
    for count in (25, 60):
        unit = np.repeat(np.arange(count), 8)
        x = np.tile(np.arange(8) / 2, count)
        true = rng.normal(-0.9, 0.25, count)
        y = 41 + 0.5 * rng.normal(size=count)[unit] + true[unit] * x + rng.normal(0, 0.15, len(x))
        q = told(f"{count} units", unit, x, y, 0.0)
        # Each unit has its own level: what is left of y and x about its means.
        exog = np.column_stack([(unit == u).astype(float) for u in range(count)] + [x])
        fit = sm.MixedLM(y, exog, groups=unit, exog_re=(x - x.mean())[:, None]).fit(reml=True, method=["lbfgs", "powell"], gtol=1e-10)
        ours = lambda a, q=q: [a[q]["slope"], a[q]["between"], a[q]["residual"]]
        check(f"{count} units, β, ω², s²", ours, [fit.fe_params[-1], fit.cov_re[0, 0], fit.scale], 5e-4, "statsmodels MixedLM, REML")
        check(f"{count} units, error of β", lambda a, q=q: math.sqrt(a[q]["slope_variance"]), fit.bse_fe[-1], 5e-4, "statsmodels MixedLM, REML")


def fades():
    rng = np.random.default_rng(3)
    x = np.round(rng.uniform(0, 50, 40))
    y = np.round(10 - 0.05 * x + rng.normal(0, 0.5, 40), 1)
    robust("ties in both", x, y)
    line("ties in both", x, y, at=60.0, level=5.0)
    eight = np.array([40.12, 39.71, 39.35, 38.84, 36.10, 38.05, 37.62, 37.30])
    deleted("eight checks", np.arange(8.0), eight)
    deleted("ties in both", x[:12], y[:12])
    bend("ties in both", x, y, at=60.0)
    for n in (8, 10):
        k = np.arange(float(n))
        bend(f"{n} checks that accelerate", k, np.round(41 - 0.2 * k - 0.03 * k * k + 0.1 * np.sin(3 * k + k * k), 3), at=12.0)
    if path := beside("nasa_capacity_public.csv"):
        table = pd.read_csv(path)
        for cell in ("B0025", "B0028", "B0029", "B0030", "B0032"):
            rows = table[table.cell == cell]
            x, y = rows.discharge.to_numpy(float), rows.stated_Ah.to_numpy()
            robust(cell, x, y)
            line(cell, x, y, at=x[-1] + 10, level=1.4)
            outliers(cell, x, y)
            wander(cell, x, y, at=x[-1] + 10)
            bend(cell, x, y, at=x[-1] + 10)
            deleted(cell, x[:12], y[:12])
    if path := beside("severson_train_capacity8.csv"):
        table = pd.read_csv(path)
        for cell in ("cell1", "cell2", "cell3"):
            robust(cell, table.cycle.to_numpy(float), table[cell].to_numpy())
        outliers("cell2", table.cycle.to_numpy(float), table.cell2.to_numpy())


# --- survival ---------------------------------------------------------------------------------------


def weibull_reference(time, event):
    """Maximum, standard errors and likelihood-ratio bounds straight from the log-likelihood."""
    time, event = np.asarray(time, float), np.asarray(event, bool)

    def log_likelihood(k, scale):
        return (event * (np.log(k / scale) + (k - 1) * np.log(time / scale))).sum() - ((time / scale) ** k).sum()

    # By default lifelines stops at a gradient that leaves 2e-6 of the shape.
    fit = lifelines.WeibullFitter().fit(time, event, fit_options={"ftol": 0.0, "gtol": 1e-13})
    best = optimize.minimize(lambda p: -log_likelihood(*np.exp(p)), np.log([fit.rho_, fit.lambda_]), method="Nelder-Mead",
                             options={"xatol": 1e-11, "fatol": 1e-13, "maxiter": 5000})
    k, scale = np.exp(best.x)
    drop = stats.chi2.ppf(0.95, 1) / 2

    def profile(value, of_shape):
        inner = lambda other: -(log_likelihood(value, math.exp(other)) if of_shape else log_likelihood(math.exp(other), value))
        center = math.log(scale if of_shape else k)
        return -optimize.minimize_scalar(inner, bounds=(center - 2, center + 2), method="bounded", options={"xatol": 1e-12}).fun

    bounds = {}
    for words, value, of_shape in (("shape", k, True), ("scale", scale, False)):
        f = lambda v: profile(v, of_shape) + best.fun + drop
        bounds[words] = (optimize.brentq(f, value / 5, value, rtol=1e-11), optimize.brentq(f, value, value * 8, rtol=1e-11))
    return fit, k, scale, -best.fun, bounds


def survival():
    sets = {}
    weeks = pd.read_csv(Path(lifelines.datasets.__file__).parent / "anderson.csv", sep=r"[ ,]", engine="python")
    weeks = weeks[weeks["Rx"] == 0]
    sets["6-MP weeks (lifelines anderson)"] = (weeks["t"], weeks["status"])
    waltons = lifelines.datasets.load_waltons()
    sets["lifelines waltons"] = (waltons["T"], waltons["E"])
    rossi = lifelines.datasets.load_rossi()
    sets["lifelines rossi"] = (rossi["week"], rossi["arrest"])
    lung = lifelines.datasets.load_lung()
    sets["lifelines lung"] = (lung["time"], lung["status"] if lung["status"].max() == 1 else lung["status"] - 1)
    if path := beside("severson_train_lives.csv"):
        lives = pd.read_csv(path).cycle_life.to_numpy(float)
        sets["41 cell lives"] = (lives, np.ones(len(lives)))
        sets["41 cell lives, censored at 1000"] = (np.minimum(lives, 1000), lives <= 1000)
        q = ask("distribution", y=lives)
        reference = [lives.mean(), lives.std(ddof=1), lives.min(), *np.percentile(lives, [25, 50, 75]), lives.max()]
        check("41 cell lives, distribution", lambda a, q=q: a[q], reference, CLOSED, "numpy")
    for name, (time, event) in sets.items():
        time, event = np.asarray(time, float), np.asarray(event, float)
        q = ask("kaplan_meier", time=time, event=event)
        fit = lifelines.KaplanMeierFitter().fit(time, event)
        low, high = (fit.confidence_interval_.iloc[:, c] for c in (0, 1))
        at = sorted(set(time[event != 0]))
        inside = [k for k, t in enumerate(at) if fit.survival_function_.iloc[:, 0][t] > 0]
        check(f"{name}, survival", lambda a, q=q: [s[1] for s in a[q]["steps"]], fit.survival_function_.iloc[:, 0][at].tolist(), CLOSED, "lifelines Kaplan–Meier")
        check(f"{name}, band low", lambda a, q=q, i=inside: [a[q]["steps"][k][2] for k in i], [low[at[k]] for k in inside], CLOSED, "lifelines, log-log")
        check(f"{name}, band high", lambda a, q=q, i=inside: [a[q]["steps"][k][3] for k in i], [high[at[k]] for k in inside], CLOSED, "lifelines, log-log")
        check(f"{name}, median", lambda a, q=q: a[q]["median"] or math.inf, fit.median_survival_time_, CLOSED, "lifelines Kaplan–Meier")
        w = ask("weibull", time=time, event=event)
        weibull, k, scale, peak, bounds = weibull_reference(time, event)
        check(f"{name}, Weibull shape", lambda a, w=w: a[w]["shape"], weibull.rho_, ITERATIVE, "lifelines Weibull")
        check(f"{name}, Weibull scale", lambda a, w=w: a[w]["scale"], weibull.lambda_, ITERATIVE, "lifelines Weibull")
        check(f"{name}, Weibull shape", lambda a, w=w: a[w]["shape"], k, ITERATIVE, "scipy minimize")
        check(f"{name}, Weibull scale", lambda a, w=w: a[w]["scale"], scale, ITERATIVE, "scipy minimize")
        check(f"{name}, Weibull log-likelihood", lambda a, w=w: a[w]["log_likelihood"], peak, ITERATIVE, "scipy minimize")
        errors = weibull.summary["se(coef)"]
        check(f"{name}, Weibull shape error", lambda a, w=w: a[w]["shape_error"], errors["rho_"], ITERATIVE, "lifelines, observed information")
        check(f"{name}, Weibull scale error", lambda a, w=w: a[w]["scale_error"], errors["lambda_"], ITERATIVE, "lifelines, observed information")
        for words in ("shape", "scale"):
            check(f"{name}, likelihood-ratio bounds of the {words}", lambda a, w=w, o=words: a[w][f"{o}_interval"], bounds[words], ITERATIVE, "scipy brentq on the profile")


def seen(name, lives, censored, every):
    """Lives dated to the two visits between which they ended."""
    lives, censored = np.asarray(lives, float), np.asarray(censored, bool)
    by = np.ceil(lives / every) * every
    after, until = np.where(censored, lives, by - every), np.where(censored, np.inf, by)
    q = ask("interval_weibull", after=after, by=np.where(censored, 0.0, by))
    fit = lifelines.WeibullFitter().fit_interval_censoring(after, until, fit_options={"ftol": 0.0, "gtol": 1e-13})

    def log_likelihood(k, scale):
        survival = lambda t: np.exp(-((t / scale) ** k))
        return np.log(survival(after) - np.where(censored, 0.0, survival(np.where(censored, 1.0, by)))).sum()

    best = optimize.minimize(lambda p: -log_likelihood(*np.exp(p)), np.log([fit.rho_, fit.lambda_]), method="Nelder-Mead",
                             options={"xatol": 1e-11, "fatol": 1e-13, "maxiter": 5000})
    k, scale = np.exp(best.x)
    check(f"{name}, shape and scale", lambda a, q=q: [a[q]["shape"], a[q]["scale"]], [fit.rho_, fit.lambda_], 1e-5, "lifelines fit_interval_censoring")
    check(f"{name}, shape and scale", lambda a, q=q: [a[q]["shape"], a[q]["scale"]], [k, scale], ITERATIVE, "scipy minimize")
    errors = fit.summary["se(coef)"]
    check(f"{name}, errors", lambda a, q=q: [a[q]["shape_error"], a[q]["scale_error"]], [errors["rho_"], errors["lambda_"]], 1e-4, "lifelines, observed information")
    ends = sorted(set(by[~censored]))
    inside = [t for t in ends if t < max(after)]
    q = ask("range_curve", after=after, by=np.where(censored, 0.0, by), at=inside)
    # Its intervals are closed; ours begin after the visit at which the unit was good.
    curve = lifelines.KaplanMeierFitter().fit_interval_censoring(after + 1e-6, until, tol=1e-9)
    lower = curve.survival_function_["NPMLE_estimate_lower"]
    reference = [float(lower[lower.index <= t].iloc[-1]) for t in inside]
    check(f"{name}, survival at the visits", lambda a, q=q: [i[0] for i in a[q]], reference, 1e-4, "lifelines NPMLE, stops at a change of 1e-9")


def visits():
    weeks = pd.read_csv(Path(lifelines.datasets.__file__).parent / "anderson.csv", sep=r"[ ,]", engine="python")
    weeks = weeks[weeks["Rx"] == 0]
    seen("6-MP weeks every 5", weeks["t"], weeks["status"] == 0, 5.0)
    waltons = lifelines.datasets.load_waltons()
    seen("waltons every 10", waltons["T"], waltons["E"] == 0, 10.0)
    if path := beside("severson_train_lives.csv"):
        lives = pd.read_csv(path).cycle_life.to_numpy(float)
        for every in (100.0, 150.0, 250.0):
            seen(f"41 cell lives every {every:g}", lives, np.zeros(len(lives)), every)


# --- the rest ---------------------------------------------------------------------------------------


def functions():
    p = [1e-12, 1e-6, 0.001, 0.025, 0.2, 0.5, 0.8, 0.975, 0.9999]
    x = [-8.0, -2.5, -0.3, 0.0, 0.4, 1.9, 2.1, 6.0]
    for of, values, reference in (
        ("ln_gamma", [0.1, 0.5, 1.5, 3.7, 11.9, 12.1, 250.0], special.gammaln),
        ("normal_cdf", x, stats.norm.cdf),
        ("normal_quantile", p, stats.norm.ppf),
    ):
        q = ask("special", of=of, x=values)
        check(of, lambda a, q=q: a[q], reference(values), CLOSED, "scipy")
    for df in (1.0, 2.0, 3.5, 18.0, 400.0):
        q = ask("special", of="t_cdf", x=x, df=df)
        check(f"t_cdf, {df:g} degrees", lambda a, q=q: a[q], stats.t.cdf(x, df), CLOSED, "scipy")
        q = ask("special", of="t_quantile", x=[0.55, 0.9, 0.975, 0.995, 0.9999], df=df)
        check(f"t_quantile, {df:g} degrees", lambda a, q=q: a[q], stats.t.ppf([0.55, 0.9, 0.975, 0.995, 0.9999], df), CLOSED, "scipy")
    flow = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    q = ask("individuals", y=flow)
    ranges = abs(np.diff(flow)).mean()
    reference = [flow.mean(), ranges, flow.mean() - 3 * ranges / 1.128, flow.mean() + 3 * ranges / 1.128, 3.267 * ranges]
    check("individuals chart, flow rates", lambda a, q=q: a[q], reference, CLOSED, "numpy (NIST e-Handbook 6.3.2.2)")


def stations():
    """Unit levels and fades as dummies, statsmodels' clustered errors."""
    rng = np.random.default_rng(5)
    rows = []
    for unit in range(40):
        level, fade = rng.uniform(38, 44), rng.uniform(0, 4e-5)
        for k in range(rng.integers(3, 9)):
            station = int(rng.integers(0, 4))
            day = 180.0 * k + rng.uniform(0, 30)
            value = level * (1 - fade * day) * (0.98 if station == 2 else 1.0) * math.exp(rng.normal(0, 0.004))
            rows.append((unit, station, day, value))
    unit, station, day, value = (np.array(c) for c in zip(*rows))
    q = ask("station_biases", unit=unit, station=station, day=day, capacity=value)
    used = np.isin(unit, [u for u in set(unit) if len(set(station[unit == u])) > 1])
    unit, station, day, value = unit[used], station[used], day[used], value[used]
    names = sorted(set(station))
    columns = [(station == s).astype(float) for s in names[1:]]
    for u in sorted(set(unit)):
        here = unit == u
        columns.append(here.astype(float))
        if here.sum() >= 5:
            columns.append(np.where(here, (day - day[here].mean()) / 1000, 0.0))
    fit = sm.OLS(np.log(value), np.column_stack(columns)).fit(cov_type="cluster", cov_kwds={"groups": unit, "use_correction": False})
    groups, size = len(set(unit)), len(names)
    t = stats.t.ppf(1 - 0.05 / size / 2, groups - 1)
    for k in range(size):
        weights = np.full(size, -1 / size)
        weights[k] += 1
        contrast = np.zeros(len(fit.params))
        contrast[: size - 1] = weights[1:]
        effect = contrast @ fit.params
        error = math.sqrt(contrast @ fit.cov_params() @ contrast * groups / (groups - 1))
        reference = [math.expm1(effect), math.expm1(effect - t * error), math.expm1(effect + t * error)]
        check(f"station {k}, bias and interval", lambda a, q=q, k=k: a[q][k], reference, CLOSED, "statsmodels OLS, clustered by unit")


# --- run --------------------------------------------------------------------------------------------


def relative(ours, reference):
    ours, reference = np.atleast_1d(np.asarray(ours, float)), np.atleast_1d(np.asarray(reference, float))
    if ours.shape != reference.shape or np.isnan(ours).any():
        return math.inf
    same = ours == reference
    scale = np.where(abs(reference) > 0, abs(reference), 1.0)
    with np.errstate(invalid="ignore"):
        return float(np.where(same, 0.0, abs(ours - reference) / scale).max())


def show(value):
    values = np.atleast_1d(np.asarray(value, float))
    return f"{values[0]:.10g}" if len(values) == 1 else f"{values[0]:.8g} … ({len(values)})"


def main():
    for part in (lfp_cell, ev_cell, pulses, norris, fades, local_level, prior, survival, visits, functions, stations):
        part()
    command = [CHOSEN.program] if CHOSEN.program else ["cargo", "run", "--quiet", "--package", "carrylog-health", "--example", "reference_values"]
    run = subprocess.run(command, input=json.dumps(questions), capture_output=True, text=True, cwd=ROOT)
    if run.returncode:
        sys.exit(f"the program ended with status {run.returncode}:\n{run.stderr}")
    answers = json.loads(run.stdout)
    print(f"numpy {np.__version__}, scipy {scipy.__version__}, statsmodels {statsmodels.__version__}, lifelines {lifelines.__version__}")
    print(f"{'check':58} {'ours':>22} {'reference':>22} {'rel. diff.':>10} {'tolerance':>9}  source")
    failed = 0
    for name, ours, reference, tolerance, source in checks:
        try:
            value = ours(answers)
        except (KeyError, IndexError, TypeError) as error:
            value = math.nan
            source += f" [no value: {error!r}]"
        difference = relative(value, reference)
        bad = not difference <= tolerance
        failed += bad
        print(f"{name[:58]:58} {show(value):>22} {show(reference):>22} {difference:10.1e} {tolerance:9.0e}  {source}{'  FAILED' if bad else ''}")
    for name in skipped:
        print(f"SKIPPED: {name} is not in ../shared/data; nothing was checked with it")
    print(f"{len(checks)} checks, {failed} failed, {len(skipped)} data files not there")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
